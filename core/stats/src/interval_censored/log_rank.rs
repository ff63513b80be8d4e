//! Whether two lots have one distribution of times, whatever its shape: a rank test by permutation.

use super::turnbull::{Cover, search};
use super::{CensoredSample, CensoredTime, TimesError};
use crate::normal::upper;

/// Up to how many ways of dealing out the times are all gone through.
pub const MOST_ARRANGEMENTS: u64 = 200_000;

/// Sums nearer to each other than this part are one.
const TIE: f64 = 1e-9;

/// Holds the log-rank test for intervals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LogRank {
    /// The sum of the scores of the first group: negative where its times are the longer ones.
    pub score: f64,
    /// It over its deviation under permutation; 0 where the times cannot be told apart.
    pub z: f64,
    /// The two-sided p-value, from 0 to 1.
    pub p_value: f64,
    /// Whether all arrangements were gone through; else the p-value is that of the normal law of `z`.
    pub is_exact: bool,
}

/// Returns the log-rank test (Finkelstein's, for grouped proportional hazards) of two groups of times.
///
/// The scores come from Turnbull's estimate of both groups together; the p-value is that of dealing out the times
/// anew, by going through all ways up to [`MOST_ARRANGEMENTS`], else by the central limit theorem for permutations.
/// It takes both groups to have been measured in the same way: where one was timed by hand and the other by frames,
/// the intervals themselves differ, and the test may show that.
///
/// # Errors
/// [`TimesError::NoTimes`] for an empty group, [`TimesError::NotSettled`].
///
/// # Source
/// Finkelstein, Biometrics 42 (1986) 845–854; cᵢ = [S(L) ln S(L) − S(R) ln S(R)] / [S(L) − S(R)], variance
/// n₁n₂ Σ(c − c̄)² / (n(n − 1)): Fay & Shaw, J. Stat. Softw. 36(2) (2010).
pub fn log_rank(first: &[CensoredTime], second: &[CensoredTime]) -> Result<LogRank, TimesError> {
    if first.is_empty() || second.is_empty() {
        return Err(TimesError::NoTimes);
    }
    let both = CensoredSample::new(&[first, second].concat())?;
    let cover = Cover::new(&both);
    let (masses, _, _) = search(&cover, both.len() as f64)?;
    let sums = Cover::cumulated(&masses);
    let entropy = |sum: f64| {
        let survival = (1.0 - sum).clamp(0.0, 1.0);
        // The last sum misses 1 by a rounding.
        if survival < 1e-14 { 0.0 } else { survival * survival.ln() }
    };
    let scored = cover.rows.iter().map(|(from, end, _)| {
        let (a, b) = (sums[*from], sums[*end]);
        (entropy(a) - entropy(b)) / (b - a)
    });
    let scores: Vec<(CensoredTime, f64)> = both.distinct().map(|(t, _)| t).zip(scored).collect();
    let of = |time: &CensoredTime| {
        let at = scores.partition_point(|(t, _)| (t.low(), t.high()) < (time.low(), time.high()));
        scores.get(at).map_or(0.0, |(_, score)| *score)
    };
    let mut all: Vec<f64> = first.iter().chain(second).map(of).collect();
    let (n, n1) = (all.len() as f64, first.len() as f64);
    // The scores of all sum to 0; what is left is rounding.
    let mean = all.iter().sum::<f64>() / n;
    all.iter_mut().for_each(|s| *s -= mean);
    let score: f64 = all.iter().take(first.len()).sum();
    let squares: f64 = all.iter().map(|s| s * s).sum();
    if squares <= 1e-20 * n {
        return Ok(LogRank { score: 0.0, z: 0.0, p_value: 1.0, is_exact: true });
    }
    let z = score / (squares * n1 * (n - n1) / (n * (n - 1.0))).sqrt();
    let exact = arrangements(all.len() as u64, first.len() as u64).map(|ways| {
        let limit = score.abs() * (1.0 - TIE) - TIE * squares.sqrt();
        extreme(&all, first.len(), limit) as f64 / ways as f64
    });
    let p_value = exact.unwrap_or(2.0 * upper(z.abs())).min(1.0);
    Ok(LogRank { score, z, p_value, is_exact: exact.is_some() })
}

/// How many ways there are to pick the first group, where they are few enough.
fn arrangements(n: u64, first: u64) -> Option<u64> {
    let picked = first.min(n - first);
    let mut ways = 1_u64;
    for k in 0..picked {
        ways = ways.checked_mul(n - k)? / (k + 1);
        if ways > MOST_ARRANGEMENTS {
            return None;
        }
    }
    Some(ways)
}

/// How many ways to pick `left` scores sum to `limit` or more in size.
fn extreme(scores: &[f64], left: usize, limit: f64) -> u64 {
    fn deal(rest: &[f64], left: usize, sum: f64, limit: f64) -> u64 {
        match rest.split_first() {
            _ if left == 0 => u64::from(sum.abs() >= limit),
            Some((score, others)) if rest.len() >= left => {
                deal(others, left - 1, sum + score, limit) + deal(others, left, sum, limit)
            }
            _ => 0,
        }
    }
    // The rest sums to the opposite, so the smaller group will do.
    let left = left.min(scores.len() - left);
    deal(scores, left, 0.0, limit)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn times(all: &[(f64, f64)]) -> Vec<CensoredTime> {
        all.iter().map(|(a, b)| CensoredTime::new(*a, *b).unwrap()).collect()
    }

    #[test]
    fn three_quick_ones_against_three_slow_ones_come_once_in_ten() {
        let quick = times(&[(1.0, 2.0), (2.0, 3.0), (3.0, 4.0)]);
        let slow = times(&[(5.0, 6.0), (6.0, 7.0), (7.0, 8.0)]);
        let found = log_rank(&quick, &slow).unwrap();
        // Of 20 arrangements this one and its mirror image: 2/20, if no other has a score as large.
        assert!(found.is_exact && (found.p_value - 0.1).abs() < 1e-12, "{found:?}");
        assert!(found.score > 0.0);
        assert!((log_rank(&slow, &quick).unwrap().score + found.score).abs() < 1e-12);
    }

    #[test]
    fn what_cannot_be_told_apart_is_no_evidence() {
        let one = times(&[(1.0, 9.0); 4]);
        assert_eq!(log_rank(&one, &one[..2]).unwrap().p_value, 1.0);
        assert_eq!(log_rank(&one, &[]), Err(TimesError::NoTimes));
    }
}
