//! The up-and-down test (Bruceton): a step up after a failure, a step down after a fire.

use super::{ThresholdError, Trials};

/// Mean and spread by the estimators of Dixon & Mood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DixonMood {
    /// The level at which half fire.
    pub mean: f64,
    /// The standard deviation; `None` where M ≤ 0.3 and the formula does not hold.
    pub spread: Option<f64>,
    /// Spread over the square root of the trials used, before the factor G (0.9 to 1.1 for steps of half to twice the
    /// spread, read off a figure of the paper).
    pub mean_error: Option<f64>,
    /// Whether the fires were used (the less frequent outcome) and not the failures.
    pub uses_fires: bool,
    /// How many trials of that outcome there are.
    pub used: u64,
    /// (N ΣI²n − (ΣI n)²) / N²: how far those trials spread over the ladder, in steps squared.
    pub m: f64,
}

fn check_step(step: f64) -> Result<(), ThresholdError> {
    if step > 0.0 && step.is_finite() { Ok(()) } else { Err(ThresholdError::BadStep { step }) }
}

/// Returns the estimators of Dixon & Mood from the trials of an up-and-down test, in any order.
///
/// mean = y₀ + d (A/N ± ½), + for failures; spread = 1.62 d (M + 0.029). Only the less frequent outcome is used, the
/// fires where both are as frequent.
///
/// # Errors
/// [`ThresholdError::OffLadder`] if the levels are not steps of `step` apart, [`ThresholdError::OneOutcome`], and those
/// of arguments.
///
/// # Source
/// Dixon & Mood, J. Am. Stat. Assoc. 43 (1948) 109–126. The formulas are as commonly printed; the paper's own numeric
/// example was not found, see `tests/threshold.rs` for the published data used instead.
pub fn dixon_mood(step: f64, trials: &[Trials]) -> Result<DixonMood, ThresholdError> {
    let fires: u64 = trials.iter().map(|t| t.fired).sum();
    let failures: u64 = trials.iter().map(Trials::failed).sum();
    dixon_mood_of(step, trials, fires <= failures)
}

/// The same from a stated outcome.
pub(super) fn dixon_mood_of(step: f64, trials: &[Trials], uses_fires: bool) -> Result<DixonMood, ThresholdError> {
    check_step(step)?;
    let trials = super::checked(trials)?;
    super::extremes(&trials)?;
    let first = trials.first().map_or(0.0, |t| t.level);
    let rung = |level: f64| -> Result<f64, ThresholdError> {
        let steps = (level - first) / step;
        let whole = steps.round();
        if (steps - whole).abs() > 1e-6 { Err(ThresholdError::OffLadder { level, step }) } else { Ok(whole) }
    };
    let mut counted = Vec::new();
    for t in &trials {
        let count = if uses_fires { t.fired } else { t.failed() };
        let at = rung(t.level)?;
        if count > 0 {
            counted.push((at, count as f64));
        }
    }
    let lowest = counted.iter().map(|(at, _)| *at).fold(f64::INFINITY, f64::min);
    let (mut n, mut a, mut b) = (0.0, 0.0, 0.0);
    for (at, count) in &counted {
        let i = at - lowest;
        (n, a, b) = (n + count, a + i * count, b + i * i * count);
    }
    let side = if uses_fires { -0.5 } else { 0.5 };
    let mean = first + step * (lowest + a / n + side);
    let m = (n * b - a * a) / (n * n);
    let spread = (m > 0.3).then_some(1.62 * step * (m + 0.029));
    Ok(DixonMood { mean, spread, mean_error: spread.map(|s| s / n.sqrt()), uses_fires, used: n as u64, m })
}

/// Returns the next level of an up-and-down test: a step from the last level, up after a failure, down after a fire.
///
/// # Errors
/// [`ThresholdError::NothingTried`] before the first shot (begin at the best guess of the mean, with a step of about the
/// spread), and those of arguments.
pub fn next_up_down(step: f64, shots: &[(f64, bool)]) -> Result<f64, ThresholdError> {
    check_step(step)?;
    let (level, fired) = *shots.last().ok_or(ThresholdError::NothingTried)?;
    if !level.is_finite() {
        return Err(ThresholdError::BadLevel { level });
    }
    Ok(if fired { level - step } else { level + step })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gorla et al. (2017), Table 9, as quoted in the vignette of the R package upndown: load in kN, whether it failed
    /// (there a failure is the event, here a fire).
    const LOADS: [(f64, bool); 15] = [
        (36.0, true),
        (35.0, false),
        (36.0, false),
        (37.0, false),
        (38.0, false),
        (39.0, true),
        (38.0, true),
        (37.0, false),
        (38.0, true),
        (37.0, true),
        (36.0, true),
        (35.0, false),
        (36.0, false),
        (37.0, true),
        (36.0, true),
    ];

    #[test]
    fn the_published_example_uses_the_event_and_the_rule_of_1948_the_rarer_outcome() {
        let trials: Vec<Trials> = LOADS.iter().map(|(level, fired)| Trials::one(*level, *fired)).collect();
        let printed = dixon_mood_of(1.0, &trials, true).unwrap();
        assert!((printed.mean - 36.625).abs() < 1e-12, "printed 36.63: {}", printed.mean);
        assert!((printed.m - 1.109_375).abs() < 1e-12);
        assert!((printed.spread.unwrap() - 1.8442).abs() < 5e-5);
        // The printed error, 0.62, has the factor G of about 0.95.
        assert!((printed.mean_error.unwrap() * 0.95 - 0.62).abs() < 0.005);
        let rule = dixon_mood(1.0, &trials).unwrap();
        assert!(!rule.uses_fires && rule.used == 7);
        assert!((rule.mean - 36.786).abs() < 5e-4 && (rule.spread.unwrap() - 1.7662).abs() < 5e-5);
    }

    #[test]
    fn a_step_goes_against_what_was_seen_last_as_in_the_published_sequence() {
        for pair in LOADS.windows(2) {
            assert_eq!(next_up_down(1.0, &pair[..1]), Ok(pair[1].0));
        }
        assert_eq!(next_up_down(1.0, &[]), Err(ThresholdError::NothingTried));
    }

    #[test]
    fn levels_off_the_ladder_and_a_spread_that_the_formula_does_not_reach_are_said() {
        let off = [Trials::one(1.0, true), Trials::one(1.4, false)];
        assert_eq!(dixon_mood(1.0, &off), Err(ThresholdError::OffLadder { level: 1.4, step: 1.0 }));
        let narrow = [(1.0, false), (2.0, true), (1.0, false), (2.0, true)].map(|(l, f)| Trials::one(l, f));
        let found = dixon_mood(1.0, &narrow).unwrap();
        assert_eq!((found.mean, found.spread, found.mean_error), (1.5, None, None));
        assert!(dixon_mood(f64::NAN, &off).is_err());
    }
}
