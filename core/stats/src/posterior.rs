//! The probability that a failure rate is above what can be tolerated.
//!
//! A design choice, not a law of nature: it needs a prior. The one taken is the Jeffreys prior Beta(½, ½),
//! because it is the one that does not depend on the scale the rate is written in, it weighs as much as a
//! single shot, and the Jeffreys interval rests on it too. Not for a claim to others: that is `prove`,
//! which needs no prior.
//! Source: Jeffreys, Proc. R. Soc. A 186 (1946) 453–461; Brown, Cai & DasGupta, Stat. Sci. 16 (2001) 101–133.

use crate::error::{MAX_TRIALS, StatsError, check_counts, check_probability, check_rate};
use crate::special::beta_tails;

/// The most further shots that [`clean_shots_needed`] looks for.
pub const MOST_CLEAN_SHOTS: u64 = 1_000_000;

/// Returns the posterior probability that the failure rate is above `tolerable`.
///
/// `failures` ≤ `trials` ≤ [`MAX_TRIALS`](crate::MAX_TRIALS), both counts; `tolerable` a rate from 0 to 1.
/// The prior is Beta(½, ½), so the posterior is Beta(failures + ½, trials − failures + ½). With no trials
/// it is the prior's own answer. Small probabilities keep their digits: relative error below 1e-11 down
/// to 1e-290.
///
/// # Errors
/// [`StatsError::MoreFailuresThanTrials`], [`StatsError::TooManyTrials`], [`StatsError::BadRate`].
///
/// ```
/// use embertally_stats::probability_rate_above;
///
/// // Before the first shot a rate above one half is as likely as one below.
/// assert!((probability_rate_above(0, 0, 0.5)? - 0.5).abs() < 1e-12);
/// assert!(probability_rate_above(0, 59, 0.05)? < 0.02);
/// # Ok::<(), embertally_stats::StatsError>(())
/// ```
pub fn probability_rate_above(failures: u64, trials: u64, tolerable: f64) -> Result<f64, StatsError> {
    check_counts(failures, trials)?;
    check_rate(tolerable)?;
    Ok(above(failures as f64, (trials - failures) as f64, tolerable))
}

/// Returns the same for counts that need not be whole: failures and trials over a design effect.
///
/// `0 ≤ failures ≤ trials`, finite.
///
/// # Errors
/// [`StatsError::BadScore`] for counts that are none, [`StatsError::BadRate`].
pub fn effective_probability_rate_above(failures: f64, trials: f64, tolerable: f64) -> Result<f64, StatsError> {
    check_rate(tolerable)?;
    let clean = effective_clean(failures, trials)?;
    Ok(above(failures, clean, tolerable))
}

/// Returns the trials that did not fail, if the counts are some.
fn effective_clean(failures: f64, trials: f64) -> Result<f64, StatsError> {
    // Written so that NaN is refused too.
    if 0.0 <= failures && failures <= trials && trials <= MAX_TRIALS as f64 {
        Ok(trials - failures)
    } else {
        Err(StatsError::BadScore { score: failures })
    }
}

/// Returns the fewest further shots, none of them failing, after which the probability that the failure
/// rate is above `tolerable` is at most `probability`.
///
/// Counts and `tolerable` as for [`probability_rate_above`], `probability` in (0, 1). 0 if that is so
/// already; `None` if more than [`MOST_CLEAN_SHOTS`] would be needed.
///
/// # Errors
/// Those of [`probability_rate_above`], and [`StatsError::BadProbability`].
pub fn clean_shots_needed(
    failures: u64,
    trials: u64,
    tolerable: f64,
    probability: f64,
) -> Result<Option<u64>, StatsError> {
    check_counts(failures, trials)?;
    effective_clean_shots_needed(failures as f64, trials as f64, tolerable, probability)
}

/// Returns the same for counts that need not be whole; each further shot counts whole, as shots do that are fired one at
/// a time.
///
/// # Errors
/// Those of [`effective_probability_rate_above`], and [`StatsError::BadProbability`].
pub fn effective_clean_shots_needed(
    failures: f64,
    trials: f64,
    tolerable: f64,
    probability: f64,
) -> Result<Option<u64>, StatsError> {
    check_rate(tolerable)?;
    check_probability(probability)?;
    let clean = effective_clean(failures, trials)?;
    let enough = |more: u64| above(failures, clean + more as f64, tolerable) <= probability;
    // More clean shots only lower the probability, so halving the range finds the first that is enough.
    if !enough(MOST_CLEAN_SHOTS) {
        return Ok(None);
    }
    let (mut fewest, mut known) = (0, MOST_CLEAN_SHOTS);
    while fewest < known {
        let middle = fewest + (known - fewest) / 2;
        if enough(middle) {
            known = middle;
        } else {
            fewest = middle + 1;
        }
    }
    Ok(Some(known))
}

fn above(failures: f64, clean: f64, tolerable: f64) -> f64 {
    let (a, b) = (failures + 0.5, clean + 0.5);
    beta_tails(a, b, tolerable, 1.0 - tolerable).upper
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_rate_is_above_one_and_every_rate_is_above_none() {
        assert_eq!(probability_rate_above(1, 3, 1.0), Ok(0.0));
        assert_eq!(probability_rate_above(1, 3, 0.0), Ok(1.0));
    }

    #[test]
    fn clean_shots_are_the_fewest_that_do() {
        for (failures, trials, tolerable, probability) in [(0, 0, 0.05, 0.05), (1, 30, 0.05, 0.1), (3, 12, 0.01, 0.5)] {
            let more = clean_shots_needed(failures, trials, tolerable, probability).unwrap().unwrap();
            assert!(more > 0);
            let after = |shots| probability_rate_above(failures, trials + shots, tolerable).unwrap();
            assert!(after(more) <= probability && after(more - 1) > probability);
        }
    }

    #[test]
    fn clean_shots_are_none_when_already_there_and_unsaid_when_out_of_reach() {
        assert_eq!(clean_shots_needed(0, 1000, 0.05, 0.05), Ok(Some(0)));
        assert_eq!(clean_shots_needed(0, 0, 1e-9, 0.05), Ok(None));
        assert_eq!(clean_shots_needed(0, 0, 0.0, 0.05), Ok(None));
    }

    #[test]
    fn impossible_arguments_are_refused_by_name() {
        assert!(matches!(probability_rate_above(2, 1, 0.1), Err(StatsError::MoreFailuresThanTrials { .. })));
        assert!(matches!(probability_rate_above(1, 2, f64::NAN), Err(StatsError::BadRate { .. })));
        assert!(matches!(clean_shots_needed(1, 2, 0.1, 1.0), Err(StatsError::BadProbability { .. })));
    }
}
