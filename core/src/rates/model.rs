//! Which of lot, fuse, weather, age and wiring failures go with, and what is to be expected of a pairing in a weather.
//!
//! Logistic regression with Firth's penalty. Not for causes: what failures go with may stand for something else. Beside
//! each interval for independent shots stands the one for shots that are alike within volleys: no method for Firth's penalty
//! and clusters together is established, so the profile is widened by the design effect.

use embertally_stats::{FirthError, FirthFit, firth_logistic, firth_logistic_screened, p_over_design_effect};
use serde::Serialize;
use thiserror::Error;

use super::clusters::{VolleyCorrelation, volley_correlation};
use super::columns::filters;
use super::group::Group;
use super::model_terms::{Column, Seen, Table, Term};
use super::reading::Open;
use super::table::RatesError;
use crate::facts::comparable_name;
use crate::ledger::{Ledger, Measure};

/// What model is asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelRequest {
    /// Which failure.
    pub measure: Measure,
    /// The terms, each once.
    pub terms: Vec<Term>,
    /// The level of all intervals.
    pub level: f64,
    /// Only these, as in [`RatesRequest::only`](super::RatesRequest::only).
    pub only: Vec<(Group, String)>,
    /// For what a rate is to be predicted: values of terms. Terms without one are taken at their reference.
    pub at: Vec<(Term, String)>,
}

/// Why there is no model.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ModelError {
    /// Something is wrong with names or numbers.
    #[error(transparent)]
    Rates(#[from] RatesError),
    /// The fit refused.
    #[error(transparent)]
    Fit(#[from] FirthError),
    /// A term stands twice.
    #[error("the term {0} stands twice")]
    Twice(Term),
    /// A value for a term that is not in the model.
    #[error("{0} is not a term of this model, so it cannot be predicted for; add it to the terms")]
    NotATerm(Term),
    /// A kind that no shot has.
    #[error("no shot counts for {term} {name:?}; there are: {known}")]
    NoSuchKind {
        /// The term.
        term: Term,
        /// The name.
        name: String,
        /// The names that there are, with commas.
        known: String,
    },
    /// A value that is no number.
    #[error("{text:?} is no number for {term}")]
    NoNumber {
        /// The term.
        term: Term,
        /// What was given.
        text: String,
    },
}

/// Where a term stands when nothing else is said.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reference {
    /// The term.
    pub term: &'static str,
    /// The most frequent kind, or the mean with its unit.
    pub at: String,
}

/// One coefficient.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Coefficient {
    /// The term.
    pub term: &'static str,
    /// The kind that is set against the reference; null for a number.
    pub kind: Option<String>,
    /// For how much more the odds ratio is; null for a kind.
    pub per: Option<String>,
    /// The odds ratio.
    pub odds_ratio: f64,
    /// The lower end of its profile penalised-likelihood interval; null where there is no bound.
    pub low: Option<f64>,
    /// The upper end; null as above.
    pub high: Option<f64>,
    /// The p-value of the penalised likelihood-ratio test that the odds do not change; null where it did not settle.
    pub p: Option<f64>,
    /// The lower end with shots of one volley alike; null as above.
    pub low_clustered: Option<f64>,
    /// The upper end with shots of one volley alike; null as above.
    pub high_clustered: Option<f64>,
    /// The p-value with shots of one volley alike: of the statistic over the design effect.
    pub p_clustered: Option<f64>,
    /// The coefficient: the odds ratio's logarithm.
    pub log_odds: f64,
    /// Its large-sample standard error.
    pub standard_error: f64,
}

/// The test of a whole term.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TermTest {
    /// The term.
    pub term: &'static str,
    /// Twice the difference of the penalised log-likelihoods.
    pub statistic: f64,
    /// Degrees of freedom.
    pub degrees: usize,
    /// Its p-value.
    pub p: f64,
    /// The p-value with shots of one volley alike: of the statistic over the design effect.
    pub p_clustered: f64,
}

/// What the model expects.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Predicted {
    /// The failure rate.
    pub rate: f64,
    /// The lower end of its profile interval.
    pub low: f64,
    /// The upper end.
    pub high: f64,
    /// The lower end with shots of one volley alike.
    pub low_clustered: f64,
    /// The upper end with shots of one volley alike.
    pub high_clustered: f64,
}

/// The model in one reading of the unresolved shots.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ModelReading {
    /// The failures.
    pub failures: u64,
    /// The shots that count in this reading.
    pub shots: u64,
    /// The failure rate's odds at the reference, as a rate with its interval.
    pub at_reference: Predicted,
    /// The coefficients.
    pub coefficients: Vec<Coefficient>,
    /// The tests of whole terms; terms whose test did not settle are left out.
    pub tests: Vec<TermTest>,
    /// The penalised log-likelihood.
    pub log_likelihood: f64,
    /// What is expected at the values asked for, if any were.
    pub prediction: Option<Predicted>,
}

/// A fitted model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Model {
    /// Which failure.
    pub measure: &'static str,
    /// The level of all intervals.
    pub level: f64,
    /// Groups of shots that share all values.
    pub groups: usize,
    /// Shots of which the log does not say all that the terms ask.
    pub left_out: u64,
    /// Shots that are not settled.
    pub unresolved: u64,
    /// How alike the shots of one volley are, over the whole log.
    pub volleys: VolleyCorrelation,
    /// By how much fewer shots count for it: 1 + (m̄ − 1)ρ with m̄ the mean size of the volley that a shot is in.
    pub design_effect: f64,
    /// Where each term stands when nothing else is said.
    pub references: Vec<Reference>,
    /// What says nothing beside the rest, and is left out: `type Two`, `age`.
    pub redundant: Vec<String>,
    /// The values that the prediction is for, the references of terms that were not named among them.
    pub predicted_for: Vec<Reference>,
    /// Every unresolved shot as the circuit's: left out.
    pub if_circuit: ModelReading,
    /// Every unresolved shot as the igniter's: a failure.
    pub if_igniter: ModelReading,
}

/// How much of a term must be its own: beyond a variance inflation of a thousand nothing is known of it by itself.
const OWN_SHARE: f64 = 0.001;

/// Fits a model to the log.
///
/// The result depends only on the facts in the ledger, not on the order in which they came.
///
/// # Errors
/// [`ModelError`].
pub fn model(ledger: &Ledger, request: &ModelRequest) -> Result<Model, ModelError> {
    if let Some((_, term)) =
        request.terms.iter().enumerate().find(|(n, t)| request.terms.iter().take(*n).any(|o| o == *t))
    {
        return Err(ModelError::Twice(*term));
    }
    let filters = filters(ledger, &request.only)?;
    let table = Table::new(ledger, request.measure, &request.terms, &filters);
    let counts = table.counts();
    let wanted = at(&table, &request.at)?;
    let mut columns = table.columns();
    let mut redundant = Vec::new();
    let circuit = loop {
        match firth_logistic_screened(&table.design(&columns, Open::Circuit), OWN_SHARE) {
            Err(FirthError::Redundant { term }) if term > 0 && term <= columns.len() => {
                redundant.push(column_name(&table, columns.remove(term - 1)));
            }
            other => break other?,
        }
    };
    let asked = (!request.at.is_empty()).then_some(wanted.as_slice());
    let volleys = volley_correlation(ledger, request.measure, request.level).map_err(RatesError::from)?;
    let design_effect = 1.0 + (table.mean_size - 1.0).max(0.0) * volleys.used;
    let read = |open: Open, fit: &FirthFit| {
        let fits = Fits { plain: fit, widened: (design_effect > 1.0).then(|| fit.widened(design_effect)) };
        reading(&table, &columns, open, &fits, asked, request.level)
    };
    let if_circuit = read(Open::Circuit, &circuit)?;
    let if_igniter = if counts.unresolved == 0 {
        if_circuit.clone()
    } else {
        let fit = firth_logistic(&table.design(&columns, Open::Igniter))?;
        read(Open::Igniter, &fit)?
    };
    Ok(Model {
        measure: request.measure.word(),
        level: request.level,
        groups: table.groups(),
        left_out: table.left_out,
        unresolved: counts.unresolved,
        volleys,
        design_effect,
        references: stated(&table, &origin(&table)),
        redundant,
        predicted_for: asked.map_or_else(Vec::new, |values| stated(&table, values)),
        if_circuit,
        if_igniter,
    })
}

/// One value a term: its reference.
fn origin(table: &Table) -> Vec<f64> {
    let of = |(_, seen): &(Term, Seen)| match seen {
        Seen::Kinds(_) => 0.0,
        Seen::Mean(mean) => *mean,
    };
    table.terms.iter().map(of).collect()
}

/// One value a term, as asked for.
fn at(table: &Table, asked: &[(Term, String)]) -> Result<Vec<f64>, ModelError> {
    let mut values = origin(table);
    for (term, text) in asked {
        let place = table.terms.iter().position(|(t, _)| t == term).ok_or(ModelError::NotATerm(*term))?;
        let value = match table.terms.get(place) {
            Some((_, Seen::Kinds(kinds))) => {
                let found = kinds.iter().position(|kind| comparable_name(kind) == comparable_name(text));
                let known = || if kinds.is_empty() { "none".to_owned() } else { kinds.join(", ") };
                found.ok_or_else(|| ModelError::NoSuchKind { term: *term, name: text.clone(), known: known() })? as f64
            }
            _ => {
                let number = text.trim().parse::<f64>().ok().filter(|n| n.is_finite());
                number.ok_or_else(|| ModelError::NoNumber { term: *term, text: text.clone() })?
            }
        };
        if let Some(cell) = values.get_mut(place) {
            *cell = value;
        }
    }
    Ok(values)
}

/// Says values in words.
fn stated(table: &Table, values: &[f64]) -> Vec<Reference> {
    let one = |((term, seen), value): (&(Term, Seen), &f64)| {
        let at = match (seen, term) {
            (Seen::Kinds(kinds), _) => kinds.get(*value as usize).cloned().unwrap_or_else(|| "none".to_owned()),
            (Seen::Mean(_), Term::Number(quantity)) => format!("{} {}", tidy(*value), quantity.unit()),
            (Seen::Mean(_), Term::Kind(_)) => tidy(*value),
        };
        Reference { term: term.word(), at }
    };
    table.terms.iter().zip(values).map(one).collect()
}

/// A number with at most two digits after the point.
fn tidy(value: f64) -> String {
    format!("{}", (value * 100.0).round() / 100.0 + 0.0)
}

fn column_name(table: &Table, column: Column) -> String {
    match (table.terms.get(column.term), column.kind) {
        (Some((term, Seen::Kinds(kinds))), Some(kind)) => {
            format!("{term} {}", kinds.get(kind).map_or("", String::as_str))
        }
        (Some((term, _)), _) => term.to_string(),
        (None, _) => String::new(),
    }
}

/// A fit for independent shots, and the same widened where shots of one volley are alike.
struct Fits<'a> {
    plain: &'a FirthFit,
    widened: Option<FirthFit>,
}

impl Fits<'_> {
    fn effect(&self) -> f64 {
        self.widened.as_ref().map_or(1.0, |fit| fit.design_effect)
    }

    fn predict(&self, values: &[f64], level: f64) -> Result<Predicted, FirthError> {
        let found = self.plain.predict(values, level)?;
        let wide = self.widened.as_ref().map_or(Ok(found), |fit| fit.predict(values, level))?;
        let (low_clustered, high_clustered) = (found.low.min(wide.low), found.high.max(wide.high));
        Ok(Predicted { rate: found.rate, low: found.low, high: found.high, low_clustered, high_clustered })
    }
}

fn reading(
    table: &Table,
    columns: &[Column],
    open: Open,
    fits: &Fits<'_>,
    asked: Option<&[f64]>,
    level: f64,
) -> Result<ModelReading, FirthError> {
    let fit = fits.plain;
    let counts = super::reading::Tally::new(table.counts(), open);
    // A search that does not come to rest has no answer; the rest of the model stands.
    let settled = |test: Result<embertally_stats::LikelihoodRatio, FirthError>| match test {
        Ok(test) => Ok(Some(test)),
        Err(FirthError::NotConverged { .. }) => Ok(None),
        Err(error) => Err(error),
    };
    let mut coefficients = Vec::with_capacity(columns.len());
    for (place, column) in columns.iter().enumerate() {
        let Some((term, seen)) = table.terms.get(column.term) else { continue };
        let (Some(log_odds), Some(standard_error)) =
            (fit.coefficients.get(place + 1).copied(), fit.standard_errors.get(place + 1).copied())
        else {
            continue;
        };
        let interval = fit.interval(place + 1, level)?;
        let wide = fits.widened.as_ref().map_or(Ok(interval), |fit| fit.interval(place + 1, level))?;
        let test = settled(fit.likelihood_ratio(&[place + 1]))?;
        let finite = |log: Option<f64>| log.map(f64::exp).filter(|odds| odds.is_finite());
        coefficients.push(Coefficient {
            term: term.word(),
            kind: match (seen, column.kind) {
                (Seen::Kinds(kinds), Some(kind)) => kinds.get(kind).cloned(),
                _ => None,
            },
            per: match term {
                Term::Number(quantity) => Some(format!("{} {}", tidy(quantity.step()), quantity.unit())),
                Term::Kind(_) => None,
            },
            odds_ratio: log_odds.exp(),
            low: finite(interval.low),
            high: finite(interval.high),
            p: test.map(|test| test.p),
            low_clustered: finite(wide.low),
            high_clustered: finite(wide.high),
            p_clustered: test.map(|test| p_over_design_effect(test.statistic, test.degrees, fits.effect())),
            log_odds,
            standard_error,
        });
    }
    let mut tests = Vec::new();
    for (at, (term, _)) in table.terms.iter().enumerate() {
        let places: Vec<usize> = (1..).zip(columns).filter(|(_, c)| c.term == at).map(|(place, _)| place).collect();
        if places.is_empty() {
            continue;
        }
        if let Some(test) = settled(fit.likelihood_ratio(&places))? {
            let p_clustered = p_over_design_effect(test.statistic, test.degrees, fits.effect());
            let (statistic, degrees, p) = (test.statistic, test.degrees, test.p);
            tests.push(TermTest { term: term.word(), statistic, degrees, p, p_clustered });
        }
    }
    let predicted = |values: &[f64]| fits.predict(&table.values(columns, values), level);
    Ok(ModelReading {
        failures: counts.failures,
        shots: counts.shots,
        at_reference: predicted(&origin(table))?,
        coefficients,
        tests,
        log_likelihood: fit.log_likelihood,
        prediction: asked.map(predicted).transpose()?,
    })
}
