//! Comparisons of groups whose trials come in clusters: counts are divided by each group's design effect and put into the
//! formulas for independent trials.
//!
//! Large-sample tests: with few failures they may be too sharp, so callers set them beside an exact test and take the
//! larger p. Not for groups that share clusters (two lots in one volley): those are alike across the groups too, and what
//! is said here is then on the careful side.

use crate::error::{StatsError, check_confidence, check_counts, check_size};
use crate::gamma::chi_square_upper;
use crate::interval::{Interval, IntervalMethod, interval_of_shares};
use crate::strata::MantelHaenszel;
use crate::two_by_two::Estimate;

/// Failures of trials, each divided by a design effect.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EffectiveCounts {
    failures: f64,
    trials: f64,
}

impl EffectiveCounts {
    /// Divides counts by a design effect, at least 1.
    ///
    /// # Errors
    /// [`StatsError::MoreFailuresThanTrials`], [`StatsError::TooManyTrials`], [`StatsError::BadScore`] for a design effect
    /// below 1 or not finite.
    ///
    /// # Source
    /// Rao & Scott, *A simple method for the analysis of clustered binary data*, Biometrics 48 (1992) 577–585.
    pub fn new(failures: u64, trials: u64, design_effect: f64) -> Result<Self, StatsError> {
        check_counts(failures, trials)?;
        check_size(trials)?;
        if !(1.0..=f64::MAX).contains(&design_effect) {
            return Err(StatsError::BadScore { score: design_effect });
        }
        Ok(Self { failures: failures as f64 / design_effect, trials: trials as f64 / design_effect })
    }

    fn rate(self) -> f64 {
        self.failures / self.trials
    }

    fn clean(self) -> f64 {
        self.trials - self.failures
    }

    fn wilson(self, confidence: f64) -> Interval {
        interval_of_shares(IntervalMethod::Wilson, self.failures, self.trials, confidence)
    }
}

/// Holds a test on effective counts: a chi-square of one degree of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AdjustedTest {
    /// The statistic.
    pub statistic: f64,
    /// Its upper tail.
    pub p: f64,
    /// The upper tail with |Σ(a − E)| made smaller by half an effective trial, but not below 0: near the exact test's where
    /// little failed.
    pub p_corrected: f64,
}

/// Returns the difference of two failure rates, first minus second, with Newcombe's hybrid interval of the effective counts.
///
/// `confidence` in (0, 1).
///
/// # Errors
/// [`StatsError::EmptyGroup`], [`StatsError::BadConfidence`].
///
/// # Source
/// Newcombe, Stat. Med. 17 (1998) 873–890, method 10, with the counts of Rao & Scott (1992).
pub fn adjusted_difference(
    first: EffectiveCounts,
    second: EffectiveCounts,
    confidence: f64,
) -> Result<Estimate, StatsError> {
    check_confidence(confidence)?;
    if first.trials <= 0.0 || second.trials <= 0.0 {
        return Err(StatsError::EmptyGroup);
    }
    let (p1, p2) = (first.rate(), second.rate());
    let (one, two) = (first.wilson(confidence), second.wilson(confidence));
    let value = p1 - p2;
    let below = (p1 - one.low).max(0.0).hypot((two.high - p2).max(0.0));
    let above = (one.high - p1).max(0.0).hypot((p2 - two.low).max(0.0));
    Ok(Estimate { value, low: (value - below).max(-1.0), high: (value + above).min(1.0) })
}

/// Those of some strata that say anything: both groups tried, something failed and something did not.
fn informative(strata: &[[EffectiveCounts; 2]]) -> Result<Vec<[EffectiveCounts; 2]>, StatsError> {
    let says = |[a, b]: &&[EffectiveCounts; 2]| {
        a.trials > 0.0 && b.trials > 0.0 && a.failures + b.failures > 0.0 && a.clean() + b.clean() > 0.0
    };
    let used: Vec<_> = strata.iter().filter(says).copied().collect();
    if used.is_empty() { Err(StatsError::NoInformativeStratum) } else { Ok(used) }
}

/// Returns the test that two groups fail alike in every stratum, on effective counts, with and without continuity
/// correction; of one stratum it is Pearson's chi-square, and Yates' with the correction.
///
/// In a stratum of N effective trials with n₁ and n₂ of the groups and m failures: Σ(a − n₁m/N) squared over
/// Σn₁n₂m(N−m)/N³. The variance is Cochran's, without the N − 1 of Mantel & Haenszel, which effective counts near 1 cannot
/// bear.
///
/// # Errors
/// [`StatsError::NoInformativeStratum`].
///
/// # Source
/// Cochran, Biometrics 10 (1954) 417–451, with the counts of Rao & Scott (1992), section 4; the same idea: Donald & Donner,
/// Stat. Med. 6 (1987) 491–499.
pub fn adjusted_stratified_test(strata: &[[EffectiveCounts; 2]]) -> Result<AdjustedTest, StatsError> {
    let (mut off, mut variance) = (0.0, 0.0);
    for [first, second] in informative(strata)? {
        let n = first.trials + second.trials;
        off += (first.failures * second.clean() - first.clean() * second.failures) / n;
        let (failed, clean) = (first.failures + second.failures, first.clean() + second.clean());
        variance += (first.trials / n) * (second.trials / n) * failed * (clean / n);
    }
    let statistic = off * off / variance;
    let corrected = (off.abs() - 0.5).max(0.0).powi(2) / variance;
    Ok(AdjustedTest { statistic, p: chi_square_upper(statistic, 1), p_corrected: chi_square_upper(corrected, 1) })
}

/// Returns the Mantel–Haenszel odds ratio of effective counts with the interval of Robins, Breslow and Greenland.
///
/// `confidence` in (0, 1).
///
/// # Errors
/// [`StatsError::NoInformativeStratum`], [`StatsError::BadConfidence`].
///
/// # Source
/// Robins, Breslow & Greenland, Biometrics 42 (1986) 311–323, with the counts of Rao & Scott (1992).
pub fn adjusted_odds_ratio(strata: &[[EffectiveCounts; 2]], confidence: f64) -> Result<MantelHaenszel, StatsError> {
    check_confidence(confidence)?;
    let cells =
        |[first, second]: &[EffectiveCounts; 2]| [first.failures, first.clean(), second.failures, second.clean()];
    Ok(crate::strata::odds_of_cells(informative(strata)?.iter().map(cells), confidence))
}

/// Returns the Cochran–Armitage test for trend on effective counts, each group with its score: the statistic Z, above 0
/// where failures rise with the score, and its two-sided p-value.
///
/// # Errors
/// [`StatsError::BadScore`], [`StatsError::NothingVaries`].
///
/// # Source
/// Armitage, Biometrics 11 (1955) 375–386, with the counts of Rao & Scott (1992), section 4.
pub fn adjusted_trend(groups: &[(EffectiveCounts, f64)]) -> Result<(f64, f64), StatsError> {
    if let Some((_, score)) = groups.iter().find(|(_, score)| !score.is_finite()) {
        return Err(StatsError::BadScore { score: *score });
    }
    let tried = || groups.iter().filter(|(c, _)| c.trials > 0.0);
    let n: f64 = tried().map(|(c, _)| c.trials).sum();
    let failures: f64 = tried().map(|(c, _)| c.failures).sum();
    let clean: f64 = tried().map(|(c, _)| c.clean()).sum();
    let largest = tried().map(|(_, s)| s.abs()).fold(0.0, f64::max);
    let first = tried().next().map_or(0.0, |(_, s)| *s);
    if failures <= 0.0 || clean <= 0.0 || largest == 0.0 || tried().all(|(_, s)| *s == first) {
        return Err(StatsError::NothingVaries);
    }
    let mean: f64 = tried().map(|(c, s)| s / largest * (c.trials / n)).sum();
    let spread: f64 = tried().map(|(c, s)| c.trials * (s / largest - mean).powi(2)).sum();
    if spread == 0.0 {
        return Err(StatsError::NothingVaries);
    }
    let excess: f64 = tried().map(|(c, s)| c.failures * (s / largest - mean)).sum();
    let z = excess / ((failures / n) * (clean / n) * spread).sqrt();
    Ok((z, chi_square_upper(z * z, 1)))
}

/// Returns the p-value of a statistic of so many degrees of freedom divided by a design effect, at least 1.
///
/// # Source
/// Rao & Scott, Annals of Statistics 12 (1984) 46–60, the first-order correction; for quasi-likelihood: McCullagh & Nelder,
/// *Generalized Linear Models* (2nd ed. 1989), section 9.2.
#[must_use]
pub fn p_over_design_effect(statistic: f64, degrees: usize, design_effect: f64) -> f64 {
    chi_square_upper(statistic.max(0.0) / design_effect.max(1.0), degrees)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{ScoredGroup, TwoByTwo, cochran_armitage, mantel_haenszel, newcombe_difference};

    fn counts(failures: u64, trials: u64, effect: f64) -> EffectiveCounts {
        EffectiveCounts::new(failures, trials, effect).unwrap()
    }

    #[test]
    fn without_an_effect_they_are_the_formulas_for_independent_trials() {
        let (a, b) = (counts(56, 70, 1.0), counts(48, 80, 1.0));
        let (got, want) = (
            adjusted_difference(a, b, 0.95).unwrap(),
            newcombe_difference(&TwoByTwo::new(56, 70, 48, 80).unwrap(), 0.95).unwrap(),
        );
        assert!((got.low - want.low).abs() < 1e-14 && (got.high - want.high).abs() < 1e-14);
        let tables = [TwoByTwo::new(3, 10, 9, 12).unwrap(), TwoByTwo::new(2, 20, 5, 9).unwrap()];
        let strata = [[counts(3, 10, 1.0), counts(9, 12, 1.0)], [counts(2, 20, 1.0), counts(5, 9, 1.0)]];
        assert_eq!(adjusted_odds_ratio(&strata, 0.9).unwrap(), mantel_haenszel(&tables, 0.9).unwrap());
        let scored = [(1, 20, 1.0), (3, 30, 2.0), (9, 25, 3.0)];
        let plain = scored.map(|(failures, trials, score)| ScoredGroup { failures, trials, score });
        let adjusted = scored.map(|(x, n, s)| (counts(x, n, 1.0), s));
        let (z, p) = adjusted_trend(&adjusted).unwrap();
        let want = cochran_armitage(&plain).unwrap();
        assert!((z - want.z).abs() < 1e-12 && (p / want.p - 1.0).abs() < 1e-11);
    }

    #[test]
    fn one_effect_for_all_divides_the_statistics_by_it() {
        let of = |d| adjusted_stratified_test(&[[counts(30, 100, d), counts(12, 90, d)]]).unwrap().statistic;
        assert!((of(3.0) - of(1.0) / 3.0).abs() < 1e-12);
        // Yates, J. R. Stat. Soc. Suppl. 1 (1934): n(|ad − bc| − n/2)² over the margins.
        let yates = adjusted_stratified_test(&[[counts(30, 60, 10.0), counts(0, 60, 10.0)]]).unwrap();
        let by_hand = 12.0 * (18.0_f64 - 6.0).powi(2) / (6.0 * 6.0 * 3.0 * 9.0);
        assert!(
            (yates.statistic - 4.0).abs() < 1e-12 && (yates.p_corrected - chi_square_upper(by_hand, 1)).abs() < 1e-12
        );
        let trend = |d| adjusted_trend(&[(counts(1, 20, d), 1.0), (counts(9, 25, d), 3.0)]).unwrap().0;
        assert!((trend(4.0) - trend(1.0) / 2.0).abs() < 1e-12);
        let plain = adjusted_stratified_test(&[[counts(30, 100, 1.0), counts(12, 90, 1.0)]]).unwrap();
        assert!((p_over_design_effect(plain.statistic, 1, 3.0) - chi_square_upper(of(3.0), 1)).abs() < 1e-14);
    }

    #[test]
    fn what_says_nothing_is_refused_by_name() {
        assert!(matches!(EffectiveCounts::new(1, 2, 0.5), Err(StatsError::BadScore { .. })));
        assert!(matches!(EffectiveCounts::new(1, 2, f64::NAN), Err(StatsError::BadScore { .. })));
        assert!(EffectiveCounts::new(3, 2, 1.0).is_err());
        let (none, clean) = (counts(0, 0, 1.0), counts(0, 9, 2.0));
        assert_eq!(adjusted_difference(none, clean, 0.95), Err(StatsError::EmptyGroup));
        assert_eq!(adjusted_stratified_test(&[[clean, clean], [none, clean]]), Err(StatsError::NoInformativeStratum));
        assert_eq!(adjusted_trend(&[(clean, 1.0), (clean, 2.0)]), Err(StatsError::NothingVaries));
        assert!(adjusted_difference(clean, clean, 1.0).is_err());
    }
}
