//! Whether failures become more frequent along an ordered quantity: the age of a lot, the temperature.
//!
//! Not for groups without an order, and not proof of a straight line: it finds one direction.

use crate::error::{StatsError, check_counts, check_size};
use crate::gamma::chi_square_upper;

/// One group of a trend: failures of trials at a score.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScoredGroup {
    /// The failures.
    pub failures: u64,
    /// The trials.
    pub trials: u64,
    /// Where the group stands, such as years or degrees.
    pub score: f64,
}

/// Holds the Cochran–Armitage test for trend. Both forms are two-sided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// The statistic with variance denominator N; above 0 where failures rise with the score. Its square is the
    /// chi-square of R's `prop.trend.test`.
    pub z: f64,
    /// Its p-value.
    pub p: f64,
    /// The statistic with denominator N − 1, the form of Mantel; smaller by √((N−1)/N).
    pub z_mantel: f64,
    /// Its p-value.
    pub p_mantel: f64,
    /// The slope of the failure rate by weighted least squares, per unit of the score.
    pub slope: f64,
}

/// Returns the Cochran–Armitage test for trend over groups in any order.
///
/// With s̄ the mean score by trials and p the common rate: T = Σ(s−s̄)x, Z² = T² / (p(1−p)Σn(s−s̄)²); Mantel's form
/// multiplies by (N−1)/N. Groups without trials do not matter.
///
/// # Errors
/// [`StatsError::MoreFailuresThanTrials`], [`StatsError::TooManyTrials`], [`StatsError::BadScore`], and
/// [`StatsError::NothingVaries`] where nothing or everything failed or all scores tried are one.
///
/// # Source
/// Armitage, Biometrics 11 (1955) 375–386; Mantel, J. Am. Stat. Assoc. 58 (1963) 690–700.
pub fn cochran_armitage(groups: &[ScoredGroup]) -> Result<Trend, StatsError> {
    let mut trials = 0_u64;
    let mut failures = 0_u64;
    for group in groups {
        check_counts(group.failures, group.trials)?;
        if !group.score.is_finite() {
            return Err(StatsError::BadScore { score: group.score });
        }
        trials = trials.saturating_add(group.trials);
        failures = failures.saturating_add(group.failures);
    }
    check_size(trials)?;
    let tried = || groups.iter().filter(|g| g.trials > 0);
    let largest = tried().map(|g| g.score.abs()).fold(0.0, f64::max);
    if failures == 0 || failures == trials || largest == 0.0 {
        return Err(StatsError::NothingVaries);
    }
    let n = trials as f64;
    // In units of the largest score, so that no square overflows.
    let mean = tried().map(|g| g.score / largest * (g.trials as f64 / n)).sum::<f64>();
    let from_mean = |g: &ScoredGroup| g.score / largest - mean;
    let spread: f64 = tried().map(|g| g.trials as f64 * from_mean(g).powi(2)).sum();
    let first = tried().next().map_or(0.0, |g| g.score);
    if tried().all(|g| g.score == first) || spread == 0.0 {
        return Err(StatsError::NothingVaries);
    }
    let excess: f64 = tried().map(|g| from_mean(g) * g.failures as f64).sum();
    let rate = failures as f64 / n;
    let rest = (trials - failures) as f64 / n;
    let z = excess / (rate * rest * spread).sqrt();
    let z_mantel = z * ((n - 1.0) / n).sqrt();
    Ok(Trend {
        z,
        p: chi_square_upper(z * z, 1),
        z_mantel,
        p_mantel: chi_square_upper(z_mantel * z_mantel, 1),
        slope: excess / spread / largest,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn groups(list: &[(u64, u64, f64)]) -> Vec<ScoredGroup> {
        list.iter().map(|&(failures, trials, score)| ScoredGroup { failures, trials, score }).collect()
    }

    #[test]
    fn two_groups_give_the_pooled_score_and_the_slope_is_the_difference() {
        let got = cochran_armitage(&groups(&[(3, 10, 0.0), (9, 12, 1.0)])).unwrap();
        let (p1, p2, p) = (0.3, 0.75, 12.0 / 22.0);
        let z = (p2 - p1) / (p * (1.0 - p) * (1.0 / 10.0 + 1.0 / 12.0_f64)).sqrt();
        assert!((got.z - z).abs() < 1e-12 && (got.slope - 0.45).abs() < 1e-12);
        assert!((got.z_mantel - z * (21.0 / 22.0_f64).sqrt()).abs() < 1e-12);
    }

    #[test]
    fn moving_and_stretching_the_scores_changes_nothing_but_the_slope() {
        let one = cochran_armitage(&groups(&[(1, 20, 1.0), (3, 30, 2.0), (9, 25, 3.0)])).unwrap();
        let two = cochran_armitage(&groups(&[(1, 20, 1e200), (3, 30, 2e200), (9, 25, 3e200)])).unwrap();
        assert!((one.z - two.z).abs() < 1e-12 && (one.p / two.p - 1.0).abs() < 1e-11);
    }

    #[test]
    fn what_does_not_vary_has_no_trend() {
        for list in [
            vec![],
            vec![(0, 5, 1.0), (0, 9, 2.0)],
            vec![(5, 5, 1.0), (9, 9, 2.0)],
            vec![(1, 5, 2.0), (3, 9, 2.0)],
            vec![(1, 5, 2.0), (0, 0, 3.0)],
            vec![(1, 5, 0.0), (1, 4, 0.0)],
        ] {
            assert_eq!(cochran_armitage(&groups(&list)), Err(StatsError::NothingVaries), "{list:?}");
        }
        let bad = cochran_armitage(&groups(&[(1, 5, f64::NAN), (1, 4, 0.0)]));
        assert!(matches!(bad, Err(StatsError::BadScore { .. })));
    }
}
