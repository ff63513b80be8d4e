//! What one reading of the unresolved shots says of two groups.
//!
//! In JSON a number is null where it does not exist or is infinite; the counts beside it tell which.

use embertally_stats::{
    EffectiveCounts, StatsError, TwoByTwo, adjusted_difference, adjusted_stratified_test, barnard_exact,
    boschloo_exact, fisher_exact, newcombe_difference, odds_ratio, risk_ratio,
};
use serde::Serialize;

use super::count::Counts;

/// Failures of shots.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Tally {
    /// The failures.
    pub failures: u64,
    /// The shots that count in this reading.
    pub shots: u64,
}

/// How a group's unresolved shots are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Open {
    /// The circuit's: they say nothing of the igniter and are left out.
    Circuit,
    /// The igniter's: they are failures.
    Igniter,
}

impl Tally {
    pub(super) fn new(counts: Counts, open: Open) -> Self {
        let settled = counts.good + counts.failures;
        match open {
            Open::Circuit => Self { failures: counts.failures, shots: settled },
            Open::Igniter => Self { failures: counts.failures + counts.unresolved, shots: settled + counts.unresolved },
        }
    }
}

/// The difference of two failure rates, first less second; shares of one, not percentages.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Difference {
    /// The difference.
    pub value: f64,
    /// The lower end of Newcombe's interval.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

/// The ratio of two failure rates, first over second.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RatioFigures {
    /// The ratio; null where the second group has no failures.
    pub value: Option<f64>,
    /// The lower end of Katz's interval.
    pub low: f64,
    /// The upper end; null where there is none.
    pub high: Option<f64>,
    /// Whether ½ was added to each cell for the interval.
    pub adjusted: bool,
}

/// The odds ratio, first group over second.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OddsFigures {
    /// The sample's; null where it is infinite or 0/0.
    pub sample: Option<f64>,
    /// The conditional maximum-likelihood estimate; null as above.
    pub conditional: Option<f64>,
    /// The lower end of the exact conditional interval.
    pub low: f64,
    /// The upper end; null where there is none.
    pub high: Option<f64>,
}

/// The p-values of the exact tests that the two groups fail alike.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PValues {
    /// Fisher's, two-sided by point probabilities.
    pub fisher: f64,
    /// Fisher's, that the first group fails less.
    pub fisher_first_lower: f64,
    /// Fisher's, that the first group fails more.
    pub fisher_first_higher: f64,
    /// Boschloo's, twice the smaller one-sided; null with more shots than it is made for.
    pub boschloo: Option<f64>,
    /// Barnard's, by |Z| with pooled variance; null as above.
    pub barnard: Option<f64>,
}

/// What a comparison says when shots of one volley are alike.
///
/// Counts are divided by each group's design effect (Rao & Scott, Biometrics 48 (1992) 577–585): the difference with
/// Newcombe's interval, never narrower than the plain one, and the chi-square with Yates' correction, never with a p below the exact one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ClusteredFigures {
    /// By how much fewer shots of the first group count; 1 is not at all.
    pub design_effect_first: f64,
    /// The same of the second.
    pub design_effect_second: f64,
    /// The lower end of the widened interval for the difference.
    pub low: f64,
    /// The upper end.
    pub high: f64,
    /// The two-sided p-value.
    pub p: f64,
}

/// One reading of the unresolved shots, compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reading {
    /// The first group.
    pub first: Tally,
    /// The second group.
    pub second: Tally,
    /// Why nothing can be said, if nothing can; then all that follows but the strata is null.
    pub refusal: Option<String>,
    /// The difference of the rates.
    pub difference: Option<Difference>,
    /// The p-value that the sentence rests on, two-sided.
    pub p_value: Option<f64>,
    /// By which test: `boschloo`, or `fisher` with more shots than that is made for.
    pub p_method: Option<&'static str>,
    /// The same with shots of one volley alike.
    pub clustered: Option<ClusteredFigures>,
    /// All p-values.
    pub p_values: Option<PValues>,
    /// The ratio of the rates.
    pub risk_ratio: Option<RatioFigures>,
    /// The odds ratio.
    pub odds_ratio: Option<OddsFigures>,
    /// The same comparison within strata, if it was asked for.
    pub strata: Option<super::stratified::Stratified>,
}

/// A number that JSON has.
pub(super) fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// Compares two groups in one reading; the strata are added by the caller.
pub(super) fn reading(first: Tally, second: Tally, effects: [f64; 2], level: f64) -> Result<Reading, StatsError> {
    let table = TwoByTwo::new(first.failures, first.shots, second.failures, second.shots)?;
    let mut reading = Reading {
        first,
        second,
        refusal: None,
        difference: None,
        p_value: None,
        p_method: None,
        clustered: None,
        p_values: None,
        risk_ratio: None,
        odds_ratio: None,
        strata: None,
    };
    if first.shots == 0 || second.shots == 0 {
        reading.refusal = Some(StatsError::EmptyGroup.to_string());
        return Ok(reading);
    }
    let difference = newcombe_difference(&table, level)?;
    let ratio = risk_ratio(&table, level)?;
    let odds = odds_ratio(&table, level)?;
    let fisher = fisher_exact(&table)?;
    let boschloo = small(boschloo_exact(&table))?.map(|p| p.two_sided);
    let barnard = small(barnard_exact(&table))?.map(|p| p.two_sided);
    reading.difference = Some(Difference { value: difference.value, low: difference.low, high: difference.high });
    reading.risk_ratio = Some(RatioFigures {
        value: ratio.value.and_then(finite),
        low: ratio.low,
        high: finite(ratio.high),
        adjusted: ratio.is_adjusted,
    });
    reading.odds_ratio = Some(OddsFigures {
        sample: odds.sample.and_then(finite),
        conditional: odds.conditional.and_then(finite),
        low: odds.low,
        high: finite(odds.high),
    });
    reading.p_values = Some(PValues {
        fisher: fisher.two_sided,
        fisher_first_lower: fisher.first_lower,
        fisher_first_higher: fisher.first_higher,
        boschloo,
        barnard,
    });
    reading.p_value = Some(boschloo.unwrap_or(fisher.two_sided));
    reading.clustered = Some(clustered([first, second], effects, level, &reading)?);
    reading.p_method = Some(if boschloo.is_some() { "boschloo" } else { "fisher" });
    Ok(reading)
}

/// The comparison with counts divided by design effects, beside the plain one in `reading`.
fn clustered(
    tallies: [Tally; 2],
    effects: [f64; 2],
    level: f64,
    reading: &Reading,
) -> Result<ClusteredFigures, StatsError> {
    let [first, second] = effective(tallies, effects)?;
    let plain = reading.difference;
    let (mut low, mut high) = plain.map_or((-1.0, 1.0), |d| (d.low, d.high));
    let mut p = reading.p_value.unwrap_or(1.0);
    if effects.iter().any(|d| *d > 1.0) {
        let wide = adjusted_difference(first, second, level)?;
        (low, high) = (low.min(wide.low), high.max(wide.high));
        p = match adjusted_stratified_test(&[[first, second]]) {
            Ok(test) => p.max(test.p_corrected),
            // Nothing, or everything, failed: the exact test says 1 already.
            Err(StatsError::NoInformativeStratum) => p,
            Err(error) => return Err(error),
        };
    }
    let [design_effect_first, design_effect_second] = effects;
    Ok(ClusteredFigures { design_effect_first, design_effect_second, low, high, p })
}

/// Two groups' counts divided by their design effects.
pub(super) fn effective([first, second]: [Tally; 2], [one, two]: [f64; 2]) -> Result<[EffectiveCounts; 2], StatsError> {
    Ok([
        EffectiveCounts::new(first.failures, first.shots, one)?,
        EffectiveCounts::new(second.failures, second.shots, two)?,
    ])
}

/// The unconditional tests are for small tables; with more shots Fisher's stands alone.
fn small<T>(answer: Result<T, StatsError>) -> Result<Option<T>, StatsError> {
    match answer {
        Ok(answer) => Ok(Some(answer)),
        Err(StatsError::TooManyTrials { .. }) => Ok(None),
        Err(error) => Err(error),
    }
}
