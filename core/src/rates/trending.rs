//! Whether failures rise or fall along a quantity: the age of the lot, the temperature.
//!
//! Not for saying why: lots of one age may differ in more than age. Shots of one volley are taken as independent.

use std::collections::BTreeMap;

use embertally_stats::{ScoredGroup, StatsError, cochran_armitage};
use serde::Serialize;

use super::columns::{Axis, filters};
use super::count::Counts;
use super::group::Group;
use super::quantity::Quantity;
use super::reading::{Open, Tally};
use super::table::RatesError;
use crate::ledger::{Ledger, Measure};

/// What trend is asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct TrendRequest {
    /// Along what.
    pub along: Quantity,
    /// Which failure.
    pub measure: Measure,
    /// A trend is shown where p is at most 1 − level.
    pub level: f64,
    /// Only these, as in [`RatesRequest::only`](super::RatesRequest::only).
    pub only: Vec<(Group, String)>,
}

/// Shots at one score.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TrendGroup {
    /// The score, in the unit of the trend.
    pub score: f64,
    /// Shots that count, unresolved ones included.
    pub shots: u64,
    /// Settled failures.
    pub failures: u64,
    /// Shots that are not settled.
    pub unresolved: u64,
}

/// One reading of the unresolved shots.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrendReading {
    /// The Cochran–Armitage statistic; above 0 where failures rise.
    pub z: Option<f64>,
    /// Its two-sided p-value.
    pub p: Option<f64>,
    /// The same in Mantel's form.
    pub p_mantel: Option<f64>,
    /// By how much the failure rate rises with one unit, by weighted least squares.
    pub slope: Option<f64>,
    /// Why nothing can be said, if nothing can.
    pub refusal: Option<String>,
}

/// A trend.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrendFound {
    /// Along what.
    pub trend: &'static str,
    /// In which unit.
    pub unit: &'static str,
    /// Which failure.
    pub measure: &'static str,
    /// The level asked for.
    pub level: f64,
    /// The shots by score.
    pub groups: Vec<TrendGroup>,
    /// Shots whose score the log does not say.
    pub left_out: u64,
    /// Every unresolved shot as the circuit's: left out.
    pub if_circuit: TrendReading,
    /// Every unresolved shot as the igniter's: a failure.
    pub if_igniter: TrendReading,
    /// The sentence to read out.
    pub sentence: String,
}

/// Returns the rows that filters keep and a measure counts, with their classes.
pub(super) fn counted_rows<'a>(
    ledger: &'a Ledger,
    measure: Measure,
    filters: &'a [Axis<'a>],
) -> impl Iterator<Item = (usize, u8)> + 'a {
    let classes = ledger.columns().class(measure).iter().enumerate();
    classes
        .filter(|(row, class)| **class != 0 && filters.iter().all(|f| f.keeps(*row)))
        .map(|(row, class)| (row, *class))
}

/// Counts one more shot of a class.
pub(super) fn tell(counts: &mut Counts, class: u8) {
    match class {
        1 => counts.good += 1,
        2 => counts.failures += 1,
        _ => counts.unresolved += 1,
    }
}

/// Looks for a trend along a quantity by the Cochran–Armitage test, in both readings of what is unresolved.
///
/// # Errors
/// [`RatesError`]: a name that nothing has, a level outside (0, 1).
pub fn trend(ledger: &Ledger, request: &TrendRequest) -> Result<TrendFound, RatesError> {
    if !(request.level > 0.0 && request.level < 1.0) {
        return Err(StatsError::BadConfidence { confidence: request.level }.into());
    }
    let filters = filters(ledger, &request.only)?;
    let mut by_score: BTreeMap<i64, Counts> = BTreeMap::new();
    let mut left_out = 0;
    for (row, class) in counted_rows(ledger, request.measure, &filters) {
        match ledger.shot_at(row).and_then(|shot| request.along.of(ledger, &shot)) {
            Some(score) => tell(by_score.entry(score).or_default(), class),
            None => left_out += 1,
        }
    }
    let read = |open: Open| -> Result<TrendReading, StatsError> {
        let groups: Vec<ScoredGroup> = by_score
            .iter()
            .map(|(score, counts)| {
                let Tally { failures, shots } = Tally::new(*counts, open);
                ScoredGroup { failures, trials: shots, score: request.along.value(*score) }
            })
            .collect();
        match cochran_armitage(&groups) {
            Ok(t) => Ok(TrendReading {
                z: Some(t.z),
                p: Some(t.p),
                p_mantel: Some(t.p_mantel),
                slope: Some(t.slope),
                refusal: None,
            }),
            Err(e @ StatsError::NothingVaries) => {
                Ok(TrendReading { z: None, p: None, p_mantel: None, slope: None, refusal: Some(e.to_string()) })
            }
            Err(e) => Err(e),
        }
    };
    let (if_circuit, if_igniter) = (read(Open::Circuit)?, read(Open::Igniter)?);
    let sentence = sentence(request, &if_circuit, &if_igniter);
    let group = |(score, c): (&i64, &Counts)| TrendGroup {
        score: request.along.value(*score),
        shots: c.good + c.failures + c.unresolved,
        failures: c.failures,
        unresolved: c.unresolved,
    };
    Ok(TrendFound {
        trend: request.along.word(),
        unit: request.along.unit(),
        measure: request.measure.word(),
        level: request.level,
        groups: by_score.iter().map(group).collect(),
        left_out,
        if_circuit,
        if_igniter,
        sentence,
    })
}

fn sentence(request: &TrendRequest, circuit: &TrendReading, igniter: &TrendReading) -> String {
    let direction = |reading: &TrendReading| {
        let (z, p) = (reading.z?, reading.p?);
        // 1 − 0.95 is a hair above 0.05.
        let is_shown = p <= 1.0 - request.level + 1e-12;
        Some(if !is_shown { 0 } else { if z > 0.0 { 1 } else { -1 } })
    };
    let along = request.along;
    match (direction(circuit), direction(igniter)) {
        (None, None) => format!("Nothing can be said of a trend along {along}."),
        (a, b) if a != b => format!("Whether failures go with {along} depends on what is unresolved."),
        (Some(1), _) => format!("Failures rise with {along}; why, it does not say."),
        (Some(-1), _) => format!("Failures fall with {along}; why, it does not say."),
        _ => format!("No trend along {along} is shown, which is not the same as none being there."),
    }
}
