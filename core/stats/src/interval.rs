//! Intervals for a failure probability from failures counted in trials.
//!
//! Not for comparing two rates, and not for trials whose rate drifts: all of these assume independent
//! trials of one rate.

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

use crate::error::{StatsError, check_confidence, check_counts};
use crate::special::{beta_quantile, beta_upper_quantile, normal_upper_quantile};

/// Holds the two ends of an interval for a probability, `0 ≤ low ≤ high ≤ 1`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// The lower end, a probability.
    pub low: f64,
    /// The upper end, a probability.
    pub high: f64,
}

impl Interval {
    /// The whole range from 0 to 1: what is known before the first trial.
    pub const WHOLE: Interval = Interval { low: 0.0, high: 1.0 };

    /// INVARIANT: `low ≤ high`, also where the confidence is so small that only rounding parts the ends.
    fn of(low: f64, high: f64) -> Interval {
        Interval { low, high: high.max(low) }
    }

    /// Returns the distance between the ends, from 0 to 1.
    #[must_use]
    pub fn width(&self) -> f64 {
        self.high - self.low
    }

    /// Says whether `rate` lies in the interval, ends included.
    #[must_use]
    pub fn contains(&self, rate: f64) -> bool {
        self.low <= rate && rate <= self.high
    }
}

/// Names the methods for an interval. The text form is the name in lower case.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum IntervalMethod {
    /// Clopper–Pearson, see [`clopper_pearson`]; the default, because it never promises too much.
    #[default]
    Exact,
    /// Wilson's score interval, see [`wilson`].
    Wilson,
    /// The Jeffreys interval, see [`jeffreys`].
    Jeffreys,
}

impl IntervalMethod {
    /// All methods, in the order in which to offer them.
    pub const ALL: [IntervalMethod; 3] = [Self::Exact, Self::Wilson, Self::Jeffreys];

    /// Returns the name, which [`FromStr`] reads back.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Exact => "exact",
            Self::Wilson => "wilson",
            Self::Jeffreys => "jeffreys",
        }
    }
}

impl fmt::Display for IntervalMethod {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// Says that a text names no interval method.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("the interval methods are exact, wilson and jeffreys")]
pub struct UnknownIntervalMethod;

impl FromStr for IntervalMethod {
    type Err = UnknownIntervalMethod;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::ALL.into_iter().find(|method| method.name() == text).ok_or(UnknownIntervalMethod)
    }
}

/// Returns the interval for a failure probability by the method given.
///
/// Arguments and result as for [`clopper_pearson`]; with no trials it is `[0, 1]` by every method.
///
/// # Errors
/// Those of [`clopper_pearson`], whichever the method.
pub fn binomial_interval(
    method: IntervalMethod,
    failures: u64,
    trials: u64,
    confidence: f64,
) -> Result<Interval, StatsError> {
    match method {
        IntervalMethod::Exact => clopper_pearson(failures, trials, confidence),
        IntervalMethod::Wilson => wilson(failures, trials, confidence),
        IntervalMethod::Jeffreys => jeffreys(failures, trials, confidence),
    }
}

/// Returns the exact (Clopper–Pearson) interval for a failure probability.
///
/// `failures` ≤ `trials` ≤ [`MAX_TRIALS`](crate::MAX_TRIALS), both counts; `confidence` in (0, 1), e.g.
/// 0.95, half of the rest beyond each end. With no failures `low` is exactly 0, with nothing but failures
/// `high` is exactly 1, with no trials it is `[0, 1]`. Covers at least `confidence` for every true rate,
/// so it is wider than [`wilson`]. Each end has a relative error below 1e-12.
///
/// # Errors
/// [`StatsError::MoreFailuresThanTrials`], [`StatsError::TooManyTrials`], [`StatsError::BadConfidence`].
///
/// # Source
/// Clopper & Pearson, Biometrika 26 (1934) 404–413; checked against `tests/fixtures/binomial.csv`.
///
/// ```
/// use embertally_stats::clopper_pearson;
///
/// let interval = clopper_pearson(4, 20, 0.90)?;
/// assert!((interval.low - 0.0713539).abs() < 5e-8 && (interval.high - 0.4010281).abs() < 5e-8);
/// # Ok::<(), embertally_stats::StatsError>(())
/// ```
pub fn clopper_pearson(failures: u64, trials: u64, confidence: f64) -> Result<Interval, StatsError> {
    check_counts(failures, trials)?;
    check_confidence(confidence)?;
    let tail = (1.0 - confidence) / 2.0;
    let low = exact_low(failures, trials, tail);
    let high = exact_high(failures, trials, tail);
    Ok(Interval::of(low, high))
}

/// Returns the exact one-sided upper limit of a failure probability.
///
/// Arguments and errors as for [`clopper_pearson`], but all of 1 − `confidence` lies beyond the one limit:
/// it is the upper end of the two-sided interval of confidence 2 · `confidence` − 1. With no trials it is 1.
///
/// # Errors
/// Those of [`clopper_pearson`].
pub fn clopper_pearson_upper(failures: u64, trials: u64, confidence: f64) -> Result<f64, StatsError> {
    check_counts(failures, trials)?;
    check_confidence(confidence)?;
    Ok(exact_high(failures, trials, 1.0 - confidence))
}

/// Returns the Wilson score interval for a failure probability.
///
/// Arguments, ends and errors as for [`clopper_pearson`]. Covers `confidence` on average over the rates,
/// so for some rates less: shorter than the exact one, and no guarantee. No continuity correction.
///
/// # Errors
/// Those of [`clopper_pearson`].
///
/// # Source
/// Wilson, J. Am. Stat. Assoc. 22 (1927) 209–212; Newcombe, Stat. Med. 17 (1998) 857–872, method 3.
pub fn wilson(failures: u64, trials: u64, confidence: f64) -> Result<Interval, StatsError> {
    check_counts(failures, trials)?;
    check_confidence(confidence)?;
    if trials == 0 {
        return Ok(Interval::WHOLE);
    }
    let (x, n) = (failures as f64, trials as f64);
    let z = normal_upper_quantile((1.0 - confidence) / 2.0);
    let z2 = z * z;
    let root = z * (x * ((n - x) / n) + z2 / 4.0).sqrt();
    let sum = x + z2 / 2.0 + root;
    // The ends are the roots of one quadratic: the lower one from their product, so that nothing cancels.
    // At no failures and a confidence so small that z is 0, that would be 0/0.
    let low = if failures == 0 { 0.0 } else { x * (x / n) / sum };
    let high = if failures == trials { 1.0 } else { sum / (n + z2) };
    Ok(Interval::of(low, high))
}

/// Returns the Jeffreys interval for a failure probability: the middle of the posterior under the prior
/// Beta(½, ½).
///
/// Arguments and errors as for [`clopper_pearson`]. With no failures `low` is 0 and with nothing but
/// failures `high` is 1, the end rule of the source; with no trials it is `[0, 1]`. Never wider than the
/// exact interval.
///
/// # Errors
/// Those of [`clopper_pearson`].
///
/// # Source
/// Brown, Cai & DasGupta, Stat. Sci. 16 (2001) 101–133, section 3.1.2.
pub fn jeffreys(failures: u64, trials: u64, confidence: f64) -> Result<Interval, StatsError> {
    check_counts(failures, trials)?;
    check_confidence(confidence)?;
    let tail = (1.0 - confidence) / 2.0;
    let a = failures as f64 + 0.5;
    let b = (trials - failures) as f64 + 0.5;
    let low = if failures == 0 { 0.0 } else { beta_quantile(a, b, tail) };
    let high = if failures == trials { 1.0 } else { beta_upper_quantile(a, b, tail) };
    Ok(Interval::of(low, high))
}

fn exact_low(failures: u64, trials: u64, tail: f64) -> f64 {
    match failures {
        0 => 0.0,
        // The quantile of Beta(n, 1) in closed form.
        _ if failures == trials => (tail.ln() / trials as f64).exp(),
        _ => beta_quantile(failures as f64, (trials - failures + 1) as f64, tail),
    }
}

/// `tail` may be above ½ here: a one-sided limit of low confidence.
fn exact_high(failures: u64, trials: u64, tail: f64) -> f64 {
    if failures == trials {
        return 1.0;
    }
    if failures == 0 {
        return (tail.ln() / trials as f64).exp_m1().abs();
    }
    beta_upper_quantile((failures + 1) as f64, (trials - failures) as f64, tail)
}

/// Returns the interval by the method given for counts that need not be whole: failures and trials over a design effect.
///
/// `0 ≤ failures ≤ trials`, `trials` > 0. Below half a failure the quantile of the beta distribution is asked for at a
/// shape below ½: right to 1e-9 of itself down to shapes of 0.005, and to 1e-300 where an end is smaller still; checked below
/// on the shares themselves.
pub(crate) fn interval_of_shares(method: IntervalMethod, failures: f64, trials: f64, confidence: f64) -> Interval {
    let (tail, clean) = ((1.0 - confidence) / 2.0, trials - failures);
    let (low, high) = match method {
        IntervalMethod::Exact => (
            if failures <= 0.0 { 0.0 } else { beta_quantile(failures, clean + 1.0, tail) },
            if clean <= 0.0 { 1.0 } else { beta_upper_quantile(failures + 1.0, clean, tail) },
        ),
        IntervalMethod::Jeffreys => (
            if failures <= 0.0 { 0.0 } else { beta_quantile(failures + 0.5, clean + 0.5, tail) },
            if clean <= 0.0 { 1.0 } else { beta_upper_quantile(failures + 0.5, clean + 0.5, tail) },
        ),
        IntervalMethod::Wilson => {
            let z2 = normal_upper_quantile(tail).powi(2);
            let sum = failures + z2 / 2.0 + (z2 * (failures * (clean / trials) + z2 / 4.0)).sqrt();
            (
                if failures <= 0.0 { 0.0 } else { failures * (failures / trials) / sum },
                if clean <= 0.0 { 1.0 } else { sum / (trials + z2) },
            )
        }
    };
    Interval::of(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SciPy's quantiles for 400 shares of trials, see `tests/fixtures/make_models.py`.
    const SHARES: &str = include_str!("../tests/fixtures/widened.csv");

    #[test]
    fn ends_for_counts_that_are_not_whole_are_those_of_scipy() {
        let mut seen = 0;
        for line in SHARES.lines().skip(1) {
            let row: Vec<f64> = line.split(',').map(|field| field.parse().unwrap()).collect();
            let [failures, trials, ends @ ..] = row.as_slice() else { panic!("{line}") };
            for (method, wanted) in [IntervalMethod::Exact, IntervalMethod::Jeffreys].into_iter().zip(ends.chunks(2)) {
                let got = interval_of_shares(method, *failures, *trials, 0.95);
                for (got, want) in [got.low, got.high].iter().zip(wanted) {
                    let off = (got - want).abs() / want.max(1e-300);
                    assert!(off <= 1e-9, "{method}, {failures} of {trials}: {got:e}, not {want:e}");
                }
            }
            seen += 1;
        }
        assert!(seen > 300, "{seen}");
    }

    #[test]
    fn nothing_is_known_before_the_first_trial() {
        for method in IntervalMethod::ALL {
            assert_eq!(binomial_interval(method, 0, 0, 0.95), Ok(Interval::WHOLE), "{method}");
        }
        assert_eq!(clopper_pearson_upper(0, 0, 0.95), Ok(1.0));
    }

    #[test]
    fn ends_are_exact_at_no_failures_and_at_nothing_but_failures() {
        for method in IntervalMethod::ALL {
            for trials in [1, 9, 1_000_000] {
                let none = binomial_interval(method, 0, trials, 0.95).unwrap();
                let all = binomial_interval(method, trials, trials, 0.95).unwrap();
                assert_eq!((none.low, all.high), (0.0, 1.0), "{method} of {trials}");
                assert!(none.high < 1.0 && all.low > 0.0, "{method} of {trials}");
            }
        }
    }

    #[test]
    fn impossible_counts_and_confidences_are_refused_by_name() {
        for method in IntervalMethod::ALL {
            assert_eq!(
                binomial_interval(method, 3, 2, 0.95),
                Err(StatsError::MoreFailuresThanTrials { failures: 3, trials: 2 })
            );
            assert!(matches!(binomial_interval(method, 0, u64::MAX, 0.95), Err(StatsError::TooManyTrials { .. })));
            for confidence in [0.0, 1.0, -0.1, 95.0, f64::NAN, f64::INFINITY] {
                assert!(matches!(binomial_interval(method, 1, 2, confidence), Err(StatsError::BadConfidence { .. })));
            }
        }
    }

    #[test]
    fn one_sided_limit_is_the_upper_end_of_the_wider_two_sided_interval() {
        let two_sided = clopper_pearson(2, 40, 0.90).unwrap().high;
        let one_sided = clopper_pearson_upper(2, 40, 0.95).unwrap();
        assert!((two_sided - one_sided).abs() < 1e-15);
        assert!(clopper_pearson_upper(2, 40, 0.01).unwrap() < 0.05);
    }

    #[test]
    fn method_names_are_read_back() {
        for method in IntervalMethod::ALL {
            assert_eq!(method.to_string().parse(), Ok(method));
        }
        assert_eq!("Exact".parse::<IntervalMethod>(), Err(UnknownIntervalMethod));
        assert_eq!(format!("{:>8}", IntervalMethod::Wilson), "  wilson");
    }
}
