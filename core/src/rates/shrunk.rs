//! Pairings seen together: rates drawn towards what all pairings show, and which are worse than the rest.
//!
//! Beside the verdicts, never in them: a pairing is not cleared by its neighbours' record.

use embertally_stats::{
    GroupCounts, HyperPrior, ShrinkageError, StatsError, TwoByTwo, benjamini_hochberg, fisher_exact, holm, shrink_rates,
};
use serde::Serialize;

use super::rate::Rate;

/// One pairing's rate as all pairings together show it, by one measure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ShrunkFigures {
    /// The posterior mean, every unresolved shot taken as the circuit's.
    pub rate: f64,
    /// The same, every unresolved shot taken as the igniter's.
    pub rate_if_igniter: f64,
    /// The low end of the posterior interval: the lower of the two readings.
    pub low: f64,
    /// The high end: the higher of the two.
    pub high: f64,
    /// The posterior probability of being above what is tolerable, unresolved shots as the circuit's.
    pub probability_above: f64,
    /// The same, as the igniter's.
    pub probability_above_if_igniter: f64,
}

/// Whether a pairing is worse than all others together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WorseThanRest {
    /// Fisher's one-sided p-value, the larger of the two readings of what is unresolved.
    pub p: f64,
    /// Adjusted by Benjamini and Hochberg over the pairings of this measure: the share of false flags at this level.
    pub q: f64,
    /// Adjusted by Holm: the chance of any false flag.
    pub p_holm: f64,
    /// Whether q is at most 0.05.
    pub flag: bool,
}

/// Up to which share of false ones pairings are flagged.
pub const FALSE_DISCOVERY: f64 = 0.05;

/// What all pairings together show of one measure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Together {
    /// The measure's word.
    pub measure: &'static str,
    /// The mean of the distribution of true rates.
    pub mean: f64,
    /// How well that mean is known.
    pub mean_low: f64,
    /// As above.
    pub mean_high: f64,
    /// How much it weighs, in shots: pairings with fewer are drawn more than halfway. The median.
    pub strength: f64,
    /// How well that is known.
    pub strength_low: f64,
    /// As above.
    pub strength_high: f64,
}

fn effective(rate: &Rate, if_igniter: bool) -> (f64, f64) {
    let effect = rate.design_effect();
    let (failures, shots) = counts(rate, if_igniter);
    (failures as f64 / effect, shots as f64 / effect)
}

fn counts(rate: &Rate, if_igniter: bool) -> (u64, u64) {
    if if_igniter {
        (rate.failures + rate.unresolved, rate.shots)
    } else {
        (rate.failures, rate.shots - rate.unresolved)
    }
}

/// Returns every rate as all of them show it, and what they show of themselves; none without a rate.
///
/// Failures and shots are divided by the design effect first.
pub(super) fn together(
    measure: &'static str,
    rates: &[Rate],
    tolerable: f64,
    level: f64,
) -> Result<Option<(Together, Vec<ShrunkFigures>)>, ShrinkageError> {
    if rates.is_empty() {
        return Ok(None);
    }
    let shrink = |if_igniter: bool| {
        let groups: Vec<GroupCounts> = rates
            .iter()
            .map(|rate| {
                let (failures, trials) = effective(rate, if_igniter);
                GroupCounts { failures, trials }
            })
            .collect();
        shrink_rates(&groups, HyperPrior::UniformShrinkage, tolerable, level)
    };
    let circuit = shrink(false)?;
    let igniter = if rates.iter().all(|r| r.unresolved == 0) { circuit.clone() } else { shrink(true)? };
    let figures = circuit.rates.iter().zip(&igniter.rates).map(|(c, i)| ShrunkFigures {
        rate: c.mean,
        rate_if_igniter: i.mean,
        low: c.interval.low.min(i.interval.low),
        high: c.interval.high.max(i.interval.high),
        probability_above: c.probability_above,
        probability_above_if_igniter: i.probability_above,
    });
    let together = Together {
        measure,
        mean: circuit.prior_mean,
        mean_low: circuit.prior_mean_interval.low,
        mean_high: circuit.prior_mean_interval.high,
        strength: circuit.prior_strength,
        strength_low: circuit.prior_strength_low,
        strength_high: circuit.prior_strength_high,
    };
    Ok(Some((together, figures.collect())))
}

/// Returns for every rate whether it is worse than all others together.
///
/// Fisher's exact test, one-sided, on counts divided by the design effect (failures rounded down, shots rounded), in both
/// readings of what is unresolved; the larger p counts. Untried pairings and a pairing alone have p = 1.
///
/// # Source
/// Effective counts: Rao & Scott, Biometrics 48 (1992) 577–585.
pub(super) fn worse_than_rest(rates: &[Rate]) -> Result<Vec<WorseThanRest>, StatsError> {
    let mut p = vec![0.0_f64; rates.len()];
    for if_igniter in [false, true] {
        let whole = |rate: &Rate| {
            let (failures, shots) = effective(rate, if_igniter);
            let failures = failures.floor() as u64;
            (failures, (shots.round() as u64).max(failures))
        };
        let all: Vec<(u64, u64)> = rates.iter().map(whole).collect();
        let (failures, shots) = all.iter().fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
        for (p, (x, n)) in p.iter_mut().zip(&all) {
            let is_telling = *n > 0 && shots > *n && *x > 0;
            let table = TwoByTwo::new(*x, *n, failures - x, shots - n)?;
            let here = if is_telling { fisher_exact(&table)?.first_higher } else { 1.0 };
            *p = p.max(here.clamp(0.0, 1.0));
        }
    }
    let (q, holm) = (benjamini_hochberg(&p)?, holm(&p)?);
    let all = p.into_iter().zip(q).zip(holm);
    Ok(all.map(|((p, q), p_holm)| WorseThanRest { p, q, p_holm, flag: q <= FALSE_DISCOVERY }).collect())
}
