//! Whether failures rise or fall along a quantity: the age of the lot, the temperature.
//!
//! Not for saying why: lots of one age may differ in more than age. Beside the test for independent shots stands the one for
//! shots that are alike within volleys, and what is shown must be shown by both.

use std::collections::BTreeMap;

use embertally_stats::{EffectiveCounts, ScoredGroup, StatsError, adjusted_trend, cochran_armitage};
use serde::Serialize;

use super::clusters::{VolleyCorrelation, volley_correlation};
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
    /// By how much fewer shots count, those of one volley being alike; 1 is not at all.
    pub design_effect: f64,
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
    /// The p-value with shots of one volley alike: counts divided by the design effects of their scores (Rao & Scott,
    /// Biometrics 48 (1992) 577–585); never below `p`.
    pub p_clustered: Option<f64>,
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
    /// How alike the shots of one volley are, over the whole log.
    pub volleys: VolleyCorrelation,
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
    let mut sizes: BTreeMap<(i64, u32), u64> = BTreeMap::new();
    let mut left_out = 0;
    let volley_of = ledger.columns().volley();
    for (row, class) in counted_rows(ledger, request.measure, &filters) {
        match ledger.shot_at(row).and_then(|shot| request.along.of(ledger, &shot)) {
            Some(score) => {
                tell(by_score.entry(score).or_default(), class);
                *sizes.entry((score, volley_of.get(row).copied().unwrap_or(u32::MAX))).or_default() += 1;
            }
            None => left_out += 1,
        }
    }
    let volleys = volley_correlation(ledger, request.measure, request.level)?;
    // The size of the volley that a shot is in, on average over the shots: Σm²/Σm.
    let mut sums: BTreeMap<i64, (u64, u64)> = BTreeMap::new();
    for ((score, _), size) in &sizes {
        let sum = sums.entry(*score).or_default();
        *sum = (sum.0 + size * size, sum.1 + size);
    }
    let effect = |score: &i64| {
        let (squares, shots) = sums.get(score).copied().unwrap_or((1, 1));
        1.0 + (squares as f64 / shots.max(1) as f64 - 1.0).max(0.0) * volleys.used
    };
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
                p_clustered: Some(t.p.max(clustered(&groups, by_score.keys().map(effect))?)),
                p_mantel: Some(t.p_mantel),
                slope: Some(t.slope),
                refusal: None,
            }),
            Err(e @ StatsError::NothingVaries) => Ok(TrendReading {
                z: None,
                p: None,
                p_mantel: None,
                p_clustered: None,
                slope: None,
                refusal: Some(e.to_string()),
            }),
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
        design_effect: effect(score),
    };
    Ok(TrendFound {
        trend: request.along.word(),
        unit: request.along.unit(),
        measure: request.measure.word(),
        level: request.level,
        groups: by_score.iter().map(group).collect(),
        volleys,
        left_out,
        if_circuit,
        if_igniter,
        sentence,
    })
}

/// The p-value with each group's counts divided by its design effect.
fn clustered(groups: &[ScoredGroup], effects: impl Iterator<Item = f64>) -> Result<f64, StatsError> {
    let of = |(g, effect): (&ScoredGroup, f64)| Ok((EffectiveCounts::new(g.failures, g.trials, effect)?, g.score));
    let counts = groups.iter().zip(effects).map(of).collect::<Result<Vec<_>, StatsError>>()?;
    adjusted_trend(&counts).map(|(_, p)| p)
}

fn sentence(request: &TrendRequest, circuit: &TrendReading, igniter: &TrendReading) -> String {
    let direction_at = |reading: &TrendReading, p: Option<f64>| {
        let (z, p) = (reading.z?, p?);
        // 1 − 0.95 is a hair above 0.05.
        let is_shown = p <= 1.0 - request.level + 1e-12;
        Some(if !is_shown { 0 } else { if z > 0.0 { 1 } else { -1 } })
    };
    let along = request.along;
    let direction = |reading: &TrendReading| direction_at(reading, reading.p_clustered);
    let both = [circuit, igniter].map(|reading| direction_at(reading, reading.p));
    if both[0] == both[1] && both[0].is_some_and(|d| d != 0) && direction(circuit) != both[0] {
        return format!(
            "Shot by shot failures go with {along}, but shots of one volley are alike, and with that it is not shown: more \
             volleys settle it, not more shots in each."
        );
    }
    match (direction(circuit), direction(igniter)) {
        (None, None) => format!("Nothing can be said of a trend along {along}."),
        (a, b) if a != b => format!("Whether failures go with {along} depends on what is unresolved."),
        (Some(1), _) => format!("Failures rise with {along}; why, it does not say."),
        (Some(-1), _) => format!("Failures fall with {along}; why, it does not say."),
        _ => format!("No trend along {along} is shown, which is not the same as none being there."),
    }
}
