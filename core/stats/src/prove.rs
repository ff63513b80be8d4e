//! How many shots it takes to prove a reliability, and what a number of shots has proved.
//!
//! The classical form: n shots with at most c failures prove reliability R with confidence C when a lot
//! of failure rate 1 − R would have come through with probability at most 1 − C. Not the Bayesian form,
//! which needs a prior and gives other numbers (58 in place of 59 for 95 % and 95 %).
//!
//! Not for acceptance between a maker and a buyer either: that weighs two risks, and this only one.

use crate::error::{MAX_TRIALS, StatsError, check_confidence, check_counts, check_reliability, check_size};
use crate::hypergeometric;
use crate::special::beta_tails;

/// A probability this little above the one allowed counts as met.
///
/// 0.9 shot twice is 0.81, yet in f64 it comes out above 1 − 0.19. A decimal that somebody typed must not
/// cost a shot for its last bit; 1e-12 is far above such errors and far below any risk that matters.
const TIE: f64 = 1e-12;

/// Returns the fewest shots that prove `reliability` with `confidence` when at most `allowed_failures`
/// of them fail.
///
/// `reliability` and `confidence` in (0, 1); the answer is more than `allowed_failures` and at most
/// [`MAX_TRIALS`]. Shots are taken as independent, from a supply without end; for a lot see
/// [`shots_to_prove_in_lot`].
///
/// # Errors
/// [`StatsError::BadReliability`], [`StatsError::BadConfidence`], and [`StatsError::CannotBeProved`] where
/// more than [`MAX_TRIALS`] shots would be needed.
///
/// # Source
/// The smallest n with P(X ≤ c | n, 1 − R) ≤ 1 − C; tables in Touw & Hoogduin, *Statistiek voor audit en
/// controlling* (2011), p. 126.
///
/// ```
/// use embertally_stats::shots_to_prove;
///
/// assert_eq!(shots_to_prove(0.95, 0.95, 0)?, 59);
/// assert_eq!(shots_to_prove(0.95, 0.95, 1)?, 93);
/// # Ok::<(), embertally_stats::StatsError>(())
/// ```
pub fn shots_to_prove(reliability: f64, confidence: f64, allowed_failures: u64) -> Result<u64, StatsError> {
    check_reliability(reliability)?;
    check_confidence(confidence)?;
    let risk = allowed_risk(confidence);
    if allowed_failures == 0 {
        // R^n ≤ risk. The conversion saturates, so a number too large to hold is refused below.
        let shots = (risk.ln() / reliability.ln()).ceil().max(1.0) as u64;
        return if shots <= MAX_TRIALS { Ok(shots) } else { Err(StatsError::CannotBeProved { most: MAX_TRIALS }) };
    }
    fewest(allowed_failures, MAX_TRIALS, |shots| passing(allowed_failures, shots, reliability) <= risk)
}

/// Returns the confidence with which `failures` in `trials` prove that the reliability is above
/// `reliability`, from 0 to 1.
///
/// `failures` ≤ `trials` ≤ [`MAX_TRIALS`], both counts; `reliability` in (0, 1). 0 when every shot failed
/// or none was fired. The counterpart of [`shots_to_prove`].
///
/// # Errors
/// [`StatsError::MoreFailuresThanTrials`], [`StatsError::TooManyTrials`], [`StatsError::BadReliability`].
pub fn confidence_proved(failures: u64, trials: u64, reliability: f64) -> Result<f64, StatsError> {
    check_counts(failures, trials)?;
    check_reliability(reliability)?;
    if failures == trials {
        return Ok(0.0);
    }
    let (a, b) = ((failures + 1) as f64, (trials - failures) as f64);
    Ok(beta_tails(a, b, 1.0 - reliability, reliability).lower)
}

/// Returns the fewest bad pieces with which a lot is not of the reliability: the smallest whole number
/// that is at least `lot_size` × (1 − `reliability`), for 5 % of 1 200 pieces 60.
///
/// `lot_size` from 1 to [`MAX_TRIALS`], `reliability` in (0, 1); the answer is from 1 to `lot_size`.
///
/// # Errors
/// [`StatsError::EmptyLot`], [`StatsError::TooManyTrials`], [`StatsError::BadReliability`].
pub fn too_many_bad(lot_size: u64, reliability: f64) -> Result<u64, StatsError> {
    check_lot(lot_size)?;
    check_reliability(reliability)?;
    // In f64, 1 200 × (1 − 0.95) is a little more than 60, and must not become 61.
    let bad = lot_size as f64 * (1.0 - reliability);
    Ok(((bad * (1.0 - TIE)).ceil() as u64).clamp(1, lot_size))
}

/// Returns the fewest shots from a lot of `lot_size` that prove its `reliability` with `confidence` when
/// at most `allowed_failures` of them fail.
///
/// The claim is about the lot as it was before the first shot: that it had fewer than [`too_many_bad`]
/// bad pieces. `lot_size` from 1 to [`MAX_TRIALS`]; `reliability` and `confidence` in (0, 1). Never more
/// than [`shots_to_prove`] would ask for, apart from the rounding of the bad pieces to a whole number.
///
/// # Errors
/// [`StatsError::EmptyLot`], [`StatsError::TooManyTrials`], [`StatsError::BadReliability`],
/// [`StatsError::BadConfidence`], and [`StatsError::CannotBeProved`] where so many failures are allowed
/// that even shooting the whole lot proves nothing.
///
/// # Source
/// The smallest n with P(X ≤ c) ≤ 1 − C, X hypergeometric; worked example in Touw & Hoogduin (2011), p. 123.
pub fn shots_to_prove_in_lot(
    lot_size: u64,
    reliability: f64,
    confidence: f64,
    allowed_failures: u64,
) -> Result<u64, StatsError> {
    let bad = too_many_bad(lot_size, reliability)?;
    check_confidence(confidence)?;
    let risk = allowed_risk(confidence);
    fewest(allowed_failures, lot_size, |shots| hypergeometric::at_most(allowed_failures, lot_size, bad, shots) <= risk)
}

/// Returns the most bad pieces that a lot can be thought to have had, with one-sided `confidence`, after
/// `failures` in `shots` pieces taken from its `lot_size`; the shot ones are counted in.
///
/// `failures` ≤ `shots` ≤ `lot_size` ≤ [`MAX_TRIALS`]; `confidence` in (0, 1). From `failures` to
/// `lot_size` − `shots` + `failures`.
///
/// # Errors
/// [`StatsError::EmptyLot`], [`StatsError::MoreShotsThanLot`], [`StatsError::MoreFailuresThanTrials`],
/// [`StatsError::TooManyTrials`], [`StatsError::BadConfidence`].
///
/// # Source
/// The largest K with P(X ≤ failures | K) > 1 − C; table in Touw & Hoogduin (2011), p. 125.
pub fn most_bad_in_lot(lot_size: u64, failures: u64, shots: u64, confidence: f64) -> Result<u64, StatsError> {
    check_lot(lot_size)?;
    if shots > lot_size {
        return Err(StatsError::MoreShotsThanLot { shots, lot_size });
    }
    check_counts(failures, shots)?;
    check_confidence(confidence)?;
    let risk = allowed_risk(confidence);
    let possible = lot_size - shots + failures;
    let refuted = fewest(failures, possible, |bad| hypergeometric::at_most(failures, lot_size, bad, shots) <= risk);
    Ok(refuted.map_or(possible, |bad| bad - 1))
}

fn check_lot(lot_size: u64) -> Result<(), StatsError> {
    if lot_size == 0 {
        return Err(StatsError::EmptyLot);
    }
    check_size(lot_size)
}

fn allowed_risk(confidence: f64) -> f64 {
    (1.0 - confidence) * (1.0 + TIE)
}

/// The probability of at most `allowed` failures in more than that many shots.
fn passing(allowed: u64, shots: u64, reliability: f64) -> f64 {
    let (a, b) = ((allowed + 1) as f64, (shots - allowed) as f64);
    beta_tails(a, b, 1.0 - reliability, reliability).upper
}

/// The smallest number above `above`, up to `most`, that is `enough`; once enough, always enough.
fn fewest(above: u64, most: u64, enough: impl Fn(u64) -> bool) -> Result<u64, StatsError> {
    // Doubling first: near the answer the tails are cheap, at `most` they are not.
    let mut short = above;
    let mut reach = 1;
    let mut known = loop {
        let next = short.saturating_add(reach).min(most);
        if next <= short {
            return Err(StatsError::CannotBeProved { most });
        }
        if enough(next) {
            break next;
        }
        short = next;
        reach *= 2;
    };
    while known - short > 1 {
        let middle = short + (known - short) / 2;
        if enough(middle) {
            known = middle;
        } else {
            short = middle;
        }
    }
    Ok(known)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_that_is_not_exact_in_binary_costs_no_shot() {
        // 0.9² = 0.81 = 1 − 0.19, 0.1 = 1 − 0.9, 0.5² = 1 − 0.75.
        assert_eq!(shots_to_prove(0.9, 0.19, 0), Ok(2));
        assert_eq!(shots_to_prove(0.1, 0.9, 0), Ok(1));
        assert_eq!(shots_to_prove(0.5, 0.75, 0), Ok(2));
        // And with a failure allowed: P(X ≤ 1 | 2, ½) = ¾, P(X ≤ 1 | 2, 0.1) = 0.99.
        assert_eq!(shots_to_prove(0.5, 0.25, 1), Ok(2));
        assert_eq!(shots_to_prove(0.9, 0.01, 1), Ok(2));
    }

    #[test]
    fn fewest_shots_prove_it_and_one_fewer_does_not() {
        for (reliability, confidence, allowed) in [(0.95, 0.9, 3), (0.999, 0.99, 1), (0.5, 0.6, 20), (0.9999, 0.95, 2)]
        {
            let shots = shots_to_prove(reliability, confidence, allowed).unwrap();
            let proved = |n| confidence_proved(allowed, n, reliability).unwrap();
            assert!(proved(shots) >= confidence && proved(shots - 1) < confidence);
        }
    }

    #[test]
    fn closed_form_and_search_agree_without_failures() {
        for reliability in [0.5, 0.9, 0.95, 0.99, 0.999] {
            for confidence in [0.5, 0.8, 0.9, 0.95, 0.99, 0.999] {
                let closed = shots_to_prove(reliability, confidence, 0);
                let risk = allowed_risk(confidence);
                let searched = fewest(0, MAX_TRIALS, |n| passing(0, n, reliability) <= risk);
                assert_eq!(closed, searched, "{reliability} {confidence}");
            }
        }
    }

    #[test]
    fn claim_out_of_reach_is_refused_and_not_searched_for_ever() {
        let refused = Err(StatsError::CannotBeProved { most: MAX_TRIALS });
        assert_eq!(shots_to_prove(1.0 - 1e-12, 0.95, 0), refused);
        assert_eq!(shots_to_prove(1.0 - 1e-12, 0.95, 2), refused);
        assert_eq!(shots_to_prove(0.9, 0.95, u64::MAX), refused);
    }

    #[test]
    fn lot_with_a_round_share_of_bad_pieces_is_not_rounded_up() {
        assert_eq!(too_many_bad(1200, 0.95), Ok(60));
        assert_eq!(too_many_bad(1210, 0.95), Ok(61));
        assert_eq!(too_many_bad(10, 0.999), Ok(1));
        assert_eq!(too_many_bad(0, 0.9), Err(StatsError::EmptyLot));
    }

    #[test]
    fn small_lot_needs_fewer_shots_and_a_huge_one_as_many_as_no_lot() {
        let endless = shots_to_prove(0.95, 0.9, 1).unwrap();
        assert!(shots_to_prove_in_lot(100, 0.95, 0.9, 1).unwrap() < endless);
        assert_eq!(shots_to_prove_in_lot(MAX_TRIALS, 0.95, 0.9, 1), Ok(endless));
        // All but four good pieces must be seen to know there are fewer than five bad ones.
        assert_eq!(shots_to_prove_in_lot(5, 0.01, 0.99, 0), Ok(1));
        assert_eq!(shots_to_prove_in_lot(20, 0.95, 0.9, 1), Err(StatsError::CannotBeProved { most: 20 }));
    }

    #[test]
    fn whole_lot_shot_leaves_no_doubt() {
        assert_eq!(most_bad_in_lot(12, 3, 12, 0.999), Ok(3));
        assert_eq!(most_bad_in_lot(12, 0, 0, 0.9), Ok(12));
        assert_eq!(most_bad_in_lot(12, 0, 13, 0.9), Err(StatsError::MoreShotsThanLot { shots: 13, lot_size: 12 }));
    }

    #[test]
    fn nothing_is_proved_by_no_shot_or_by_failures_only() {
        assert_eq!(confidence_proved(0, 0, 0.9), Ok(0.0));
        assert_eq!(confidence_proved(4, 4, 0.9), Ok(0.0));
        assert!((confidence_proved(0, 59, 0.95).unwrap() - 0.951_505).abs() < 1e-6);
    }
}
