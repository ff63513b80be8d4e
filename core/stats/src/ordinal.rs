//! Grades on a scale, such as strength from 1 to 5: whether one group has the higher ones, and how much so.
//!
//! Only the order of the grades counts, not how far they are apart. Not for more than two groups. All are taken as
//! independent.

use thiserror::Error;

use crate::error::{StatsError, check_confidence};
use crate::normal::upper;
use crate::special::normal_upper_quantile;
use crate::two_by_two::Estimate;

/// Up to how many grades of both groups together the p-value is exact.
pub const MOST_EXACT_GRADES: u64 = 100;

/// The most grades of both groups together.
pub const MOST_GRADES: u64 = 10_000_000;

/// Says what makes a comparison of grades unanswerable.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum OrdinalError {
    /// A group without grades.
    #[error("a group without grades cannot be compared")]
    EmptyGroup,
    /// The two groups have different scales.
    #[error("one group is counted on {first} grades and the other on {second}")]
    ScalesDiffer {
        /// The first group's.
        first: usize,
        /// The second's.
        second: usize,
    },
    /// Too many.
    #[error("{given} grades are more than the {most} this is made for")]
    TooMany {
        /// The grades given.
        given: u64,
        /// The most that is taken.
        most: u64,
    },
    /// The confidence is out of range.
    #[error(transparent)]
    Stats(#[from] StatsError),
}

/// Holds the comparison of the grades of two groups.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannWhitney {
    /// How often a grade of the first group is above one of the second, of all pairs, a tie as ½.
    pub u: f64,
    /// The two-sided p-value.
    pub p_value: f64,
    /// Whether it is exact: that of all ways to deal out these grades.
    pub is_exact: bool,
    /// The probability that one of the first group is above one of the second, a tie as ½: U/(n₁n₂).
    pub superiority: Estimate,
    /// Cliff's delta, above less below: 2 · superiority − 1, from −1 to 1.
    pub delta: Estimate,
}

/// Returns the Mann–Whitney test with ties, and the effect size with its interval.
///
/// `first` and `second` hold how often each grade was given, from the lowest up, on one scale. Exact up to
/// [`MOST_EXACT_GRADES`] together: the probability, over all ways to deal out the grades that were given, of a U as far
/// from its mean or farther. Beyond, the normal law with the variance corrected for ties and ½ for continuity. If all
/// grades are the same, p is 1.
///
/// # Errors
/// [`OrdinalError`].
///
/// # Source
/// Mann & Whitney, Ann. Math. Stat. 18 (1947) 50–60; ties: Lehmann, *Nonparametrics* (1975) § 1.4. Interval: method 5 of
/// Newcombe, Stat. Med. 25 (2006) 559–573, the θ with |θ̂ − θ| = z √V(θ), V(θ) = θ(1−θ)[1 + (n̄−1)((1−θ)/(2−θ) +
/// θ/(1+θ))]/(n₁n₂) and n̄ = (n₁+n₂)/2; it leaves the ties out of account, which makes it a little wide. Checked against
/// `tests/fixtures/grades.csv`.
///
/// ```
/// use embertally_stats::mann_whitney;
///
/// // Strengths 1 to 5 of two lots.
/// let found = mann_whitney(&[0, 1, 2, 5, 4], &[3, 4, 4, 1, 0], 0.95)?;
/// assert!(found.is_exact && found.p_value < 0.001 && found.superiority.low > 0.5);
/// # Ok::<(), embertally_stats::OrdinalError>(())
/// ```
pub fn mann_whitney(first: &[u64], second: &[u64], confidence: f64) -> Result<MannWhitney, OrdinalError> {
    check_confidence(confidence)?;
    if first.len() != second.len() {
        return Err(OrdinalError::ScalesDiffer { first: first.len(), second: second.len() });
    }
    let sum = |counts: &[u64]| counts.iter().fold(0_u64, |sum, n| sum.saturating_add(*n));
    let (n1, n2) = (sum(first), sum(second));
    let all = n1.saturating_add(n2);
    if all > MOST_GRADES {
        return Err(OrdinalError::TooMany { given: all, most: MOST_GRADES });
    }
    if n1 == 0 || n2 == 0 {
        return Err(OrdinalError::EmptyGroup);
    }
    // Twice U is a whole number: two for each pair above, one for each tie.
    let mut below = 0_u64;
    let mut twice_u = 0_u64;
    for (a, b) in first.iter().zip(second) {
        twice_u += a * (2 * below + b);
        below += b;
    }
    let ties: Vec<u64> = first.iter().zip(second).map(|(a, b)| a + b).filter(|t| *t > 0).collect();
    let is_exact = all <= MOST_EXACT_GRADES || ties.len() == 1;
    let p_value = if ties.len() == 1 {
        1.0
    } else if is_exact {
        exact(&ties, n1, n2, twice_u)
    } else {
        approximate(&ties, n1, n2, twice_u)
    };
    let pairs = n1 as f64 * n2 as f64;
    let superiority = newcombe(twice_u as f64 / 2.0 / pairs, n1 as f64, n2 as f64, confidence);
    let delta = Estimate {
        value: 2.0 * superiority.value - 1.0,
        low: 2.0 * superiority.low - 1.0,
        high: 2.0 * superiority.high - 1.0,
    };
    Ok(MannWhitney { u: twice_u as f64 / 2.0, p_value, is_exact, superiority, delta })
}

/// The probability of a U as far from its mean as this one, over all ways to deal out the grades.
///
/// Grade by grade: how many of the first group were dealt so far, and what twice U has come to. A grade of which x of
/// t go to the first group adds x (2 · those of the second group below + t − x).
fn exact(ties: &[u64], n1: u64, n2: u64, twice_u: u64) -> f64 {
    let width = 2 * (n1 * n2) as usize + 1;
    // By how many of the first group; probabilities of the way so far, so that nothing overflows.
    let mut dealt: Vec<Option<Vec<f64>>> = vec![None; n1 as usize + 1];
    if let Some(none) = dealt.first_mut() {
        let mut start = vec![0.0; width];
        if let Some(zero) = start.first_mut() {
            *zero = 1.0;
        }
        *none = Some(start);
    }
    let mut before = 0;
    let total = n1 + n2;
    for &tie in ties {
        let mut next: Vec<Option<Vec<f64>>> = vec![None; n1 as usize + 1];
        for (had, sums) in (0..).zip(&dealt) {
            let Some(sums) = sums else { continue };
            let rest = total - before;
            for x in 0..=tie.min(n1 - had) {
                // The second group has room for the others.
                if before - had + tie - x > n2 {
                    continue;
                }
                let chance = crate::hypergeometric::ln_point(x, rest, n1 - had, tie).exp();
                let shift = (x * (2 * (before - had) + tie - x)) as usize;
                let Some(slot) = next.get_mut((had + x) as usize) else { continue };
                let to = slot.get_or_insert_with(|| vec![0.0; width]);
                for (t, s) in to.iter_mut().skip(shift).zip(sums) {
                    *t += s * chance;
                }
            }
        }
        dealt = next;
        before += tie;
    }
    let mean = n1 * n2;
    let far = twice_u.abs_diff(mean);
    let last = dealt.pop().flatten().unwrap_or_default();
    let sum: f64 = (0..).zip(&last).filter(|(u, _)| mean.abs_diff(*u) >= far).map(|(_, p)| p).sum();
    sum.min(1.0)
}

fn approximate(ties: &[u64], n1: u64, n2: u64, twice_u: u64) -> f64 {
    let (n1, n2) = (n1 as f64, n2 as f64);
    let n = n1 + n2;
    let cubes: f64 = ties.iter().map(|t| *t as f64).map(|t| t * (t * t - 1.0)).sum();
    let variance = n1 * n2 / 12.0 * ((n + 1.0) - cubes / (n * (n - 1.0)));
    let off = (twice_u as f64 / 2.0 - n1 * n2 / 2.0).abs();
    let z = (off - 0.5).max(0.0) / variance.sqrt();
    (2.0 * upper(z)).min(1.0)
}

/// Newcombe's method 5: both ends by halves; the deviation over its error falls on the way out.
fn newcombe(value: f64, n1: f64, n2: f64, confidence: f64) -> Estimate {
    let z = normal_upper_quantile((1.0 - confidence) / 2.0);
    let spare = (n1 + n2) / 2.0 - 1.0;
    let reaches = |theta: f64| {
        let form = 1.0 + spare * ((1.0 - theta) / (2.0 - theta) + theta / (1.0 + theta));
        (value - theta).abs() <= z * (theta * (1.0 - theta) * form / (n1 * n2)).sqrt()
    };
    let end = |outer: f64| {
        let (mut inside, mut outside) = (value, outer);
        if inside == outside {
            return outer;
        }
        for _ in 0..200 {
            let middle = 0.5 * (inside + outside);
            if reaches(middle) { inside = middle } else { outside = middle }
        }
        inside
    };
    Estimate { value, low: end(0.0), high: end(1.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_grades_agree_with_dealing_them_out_by_hand() {
        // 1, 1, 2 against 2, 3. Twice U of the ten ways: {1,1,2} 1 twice, {1,1,3} 4, {1,2,2} 5 twice, {1,2,3} 8 four
        // times, {2,2,3} 12. Its mean is 6, so three are as far from it as 1.
        let found = mann_whitney(&[2, 1, 0], &[0, 1, 1], 0.95).unwrap();
        assert_eq!(found.u, 0.5);
        assert!((found.p_value - 0.3).abs() < 1e-14, "{found:?}");
    }

    #[test]
    fn one_grade_for_all_is_no_evidence_and_odd_input_is_named() {
        let found = mann_whitney(&[0, 7, 0], &[0, 400, 0], 0.95).unwrap();
        assert_eq!((found.p_value, found.superiority.value, found.delta.value), (1.0, 0.5, 0.0));
        assert_eq!(mann_whitney(&[0, 0], &[1, 0], 0.95), Err(OrdinalError::EmptyGroup));
        assert!(matches!(mann_whitney(&[1], &[1, 0], 0.95), Err(OrdinalError::ScalesDiffer { .. })));
        assert!(matches!(mann_whitney(&[u64::MAX, 1], &[1, 0], 0.95), Err(OrdinalError::TooMany { .. })));
        assert!(mann_whitney(&[1, 0], &[1, 0], f64::NAN).is_err());
    }

    #[test]
    fn groups_apart_have_an_interval_up_to_the_end() {
        let found = mann_whitney(&[0, 0, 8], &[6, 0, 0], 0.95).unwrap();
        assert_eq!((found.superiority.value, found.superiority.high), (1.0, 1.0));
        assert!(found.superiority.low > 0.5 && found.superiority.low < 0.9);
        // One of C(14, 6) = 3003 ways: the other way round, two of the eight tie with the six.
        assert!((found.p_value - 1.0 / 3003.0).abs() < 1e-15);
    }
}
