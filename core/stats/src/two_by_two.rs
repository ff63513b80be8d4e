//! Failures of two groups side by side: difference, ratio and the table that the other methods take.
//!
//! Not for tests: see `fisher` and `unconditional`; not for tables that differ in a third thing: see `strata`. All
//! shots are taken as independent, also those of one volley.

use crate::error::{StatsError, check_confidence, check_counts, check_size};
use crate::interval::wilson;
use crate::special::normal_upper_quantile;

/// Holds the failures and trials of two groups. `[[a, b], [c, d]]` in books: a and b are the failures and the good
/// ones of the first group, c and d those of the second.
///
/// INVARIANT: no group has more failures than trials, and both together have at most
/// [`MAX_TRIALS`](crate::MAX_TRIALS).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct TwoByTwo {
    first: (u64, u64),
    second: (u64, u64),
}

/// Holds an estimate with the two ends of its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The estimate.
    pub value: f64,
    /// The lower end.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

/// Holds the ratio of two failure rates with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RiskRatio {
    /// The first rate over the second, from 0 to infinity; none where both are 0.
    pub value: Option<f64>,
    /// The lower end; 0 where the first group has no failures.
    pub low: f64,
    /// The upper end; infinite where the second group has no failures.
    pub high: f64,
    /// Whether the ends come from the table with ½ added to each cell.
    pub is_adjusted: bool,
}

impl TwoByTwo {
    /// Returns the table of two groups, each as failures and trials.
    ///
    /// Groups without trials are taken; what cannot be said of them is refused by the method that is asked.
    ///
    /// # Errors
    /// [`StatsError::MoreFailuresThanTrials`], [`StatsError::TooManyTrials`].
    pub fn new(
        first_failures: u64,
        first_trials: u64,
        second_failures: u64,
        second_trials: u64,
    ) -> Result<Self, StatsError> {
        check_counts(first_failures, first_trials)?;
        check_counts(second_failures, second_trials)?;
        check_size(first_trials + second_trials)?;
        Ok(Self { first: (first_failures, first_trials), second: (second_failures, second_trials) })
    }

    /// Returns the failures and the trials of the first group.
    #[must_use]
    pub fn first(&self) -> (u64, u64) {
        self.first
    }

    /// Returns the failures and the trials of the second group.
    #[must_use]
    pub fn second(&self) -> (u64, u64) {
        self.second
    }

    /// Returns the trials of both groups.
    #[must_use]
    pub fn trials(&self) -> u64 {
        self.first.1 + self.second.1
    }

    /// Returns the failures of both groups.
    #[must_use]
    pub fn failures(&self) -> u64 {
        self.first.0 + self.second.0
    }

    /// Says whether the table, its margins given, could have come out in more than one way: both groups were tried,
    /// something failed and something did not. Only such a table says something of an odds ratio.
    #[must_use]
    pub fn is_informative(&self) -> bool {
        self.first.1 > 0 && self.second.1 > 0 && self.failures() > 0 && self.failures() < self.trials()
    }

    /// The four cells a, b, c, d.
    pub(crate) fn cells(&self) -> [f64; 4] {
        let [(a, first), (c, second)] = [self.first, self.second];
        [a, first - a, c, second - c].map(|cell| cell as f64)
    }

    pub(crate) fn check_both_tried(&self) -> Result<(), StatsError> {
        if self.first.1 > 0 && self.second.1 > 0 { Ok(()) } else { Err(StatsError::EmptyGroup) }
    }
}

/// Returns the difference of the two failure rates, first minus second, with Newcombe's hybrid score interval.
///
/// `confidence` in (0, 1). All three numbers lie from −1 to 1. With d the difference, l and u the Wilson ends of each
/// rate: low = d − √((p₁−l₁)² + (u₂−p₂)²), high = d + √((u₁−p₁)² + (p₂−l₂)²). Not degenerate at 0 or 1, and covers
/// about `confidence` on average, not at least.
///
/// # Errors
/// [`StatsError::EmptyGroup`], [`StatsError::BadConfidence`].
///
/// # Source
/// Newcombe, Stat. Med. 17 (1998) 873–890, method 10; checked against `tests/fixtures/two_by_two.csv`.
///
/// ```
/// use embertally_stats::{TwoByTwo, newcombe_difference};
///
/// let got = newcombe_difference(&TwoByTwo::new(56, 70, 48, 80)?, 0.95)?;
/// assert!((got.low - 0.0524).abs() < 5e-5 && (got.high - 0.3339).abs() < 5e-5);
/// # Ok::<(), embertally_stats::StatsError>(())
/// ```
pub fn newcombe_difference(table: &TwoByTwo, confidence: f64) -> Result<Estimate, StatsError> {
    check_confidence(confidence)?;
    table.check_both_tried()?;
    let (x1, n1) = table.first;
    let (x2, n2) = table.second;
    let (p1, p2) = (x1 as f64 / n1 as f64, x2 as f64 / n2 as f64);
    let one = wilson(x1, n1, confidence)?;
    let two = wilson(x2, n2, confidence)?;
    // One division of whole numbers, so that equal rates differ by exactly 0.
    let value = (i128::from(x1) * i128::from(n2) - i128::from(x2) * i128::from(n1)) as f64 / (n1 as f64 * n2 as f64);
    // Rounding may leave a Wilson end a hair inside the rate; a square hides the sign.
    let below = (p1 - one.low).max(0.0).hypot((two.high - p2).max(0.0));
    let above = (one.high - p1).max(0.0).hypot((p2 - two.low).max(0.0));
    Ok(Estimate { value, low: (value - below).max(-1.0), high: (value + above).min(1.0) })
}

/// Returns the ratio of the two failure rates, first over second, with Katz's logarithmic interval.
///
/// `confidence` in (0, 1). Ends: ln(p₁/p₂) ± z √(1/a − 1/n₁ + 1/c − 1/n₂). Where a group has no failures, or neither
/// has anything else, that does not exist or has no width; by our rule ½ is then added to each of the four cells,
/// the end towards 0 is 0 if the first group has no failures, and the end towards infinity is infinite if the second
/// has none.
///
/// # Errors
/// [`StatsError::EmptyGroup`], [`StatsError::BadConfidence`].
///
/// # Source
/// Katz, Baptista, Azen & Pike, Biometrics 34 (1978) 469–474; the ½ of Gart & Nam, Biometrics 44 (1988) 323–338,
/// there for one method among others.
pub fn risk_ratio(table: &TwoByTwo, confidence: f64) -> Result<RiskRatio, StatsError> {
    check_confidence(confidence)?;
    table.check_both_tried()?;
    let [a, b, c, d] = table.cells();
    let z = normal_upper_quantile((1.0 - confidence) / 2.0);
    let is_adjusted = a == 0.0 || c == 0.0 || (b == 0.0 && d == 0.0);
    let half = if is_adjusted { 0.5 } else { 0.0 };
    let [a_, b_, c_, d_] = [a, b, c, d].map(|cell| cell + half);
    let (n1, n2) = (a_ + b_, c_ + d_);
    // 1/a − 1/n as b/(a n): nothing cancels.
    let width = z * (b_ / (a_ * n1) + d_ / (c_ * n2)).sqrt();
    let middle = (a_ * n2) / (c_ * n1);
    let value = match (a > 0.0, c > 0.0) {
        (false, false) => None,
        (true, false) => Some(f64::INFINITY),
        _ => Some(a * (c + d) / (c * (a + b))),
    };
    Ok(RiskRatio {
        value,
        low: if a == 0.0 { 0.0 } else { middle * (-width).exp() },
        high: if c == 0.0 { f64::INFINITY } else { middle * width.exp() },
        is_adjusted,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_rates_differ_by_exactly_nothing() {
        let got = newcombe_difference(&TwoByTwo::new(1, 3, 7, 21).unwrap(), 0.95).unwrap();
        assert_eq!(got.value, 0.0);
        assert!(got.low < 0.0 && got.high > 0.0);
    }

    #[test]
    fn twelve_clean_against_forty_clean_still_allow_a_difference() {
        let got = newcombe_difference(&TwoByTwo::new(0, 12, 0, 40).unwrap(), 0.95).unwrap();
        assert!(got.value == 0.0 && got.low < -0.08 && got.high > 0.24, "{got:?}");
    }

    #[test]
    fn nothing_but_failures_against_none_differ_by_at_most_one() {
        let got = newcombe_difference(&TwoByTwo::new(5, 5, 0, 5).unwrap(), 0.95).unwrap();
        assert!(got.value == 1.0 && got.high == 1.0 && got.low > 0.3);
    }

    #[test]
    fn ratio_without_failures_keeps_its_open_end() {
        let ratio = |a, n1, c, n2| risk_ratio(&TwoByTwo::new(a, n1, c, n2).unwrap(), 0.95).unwrap();
        let none_first = ratio(0, 12, 3, 40);
        assert!(none_first.value == Some(0.0) && none_first.low == 0.0 && none_first.high.is_finite());
        let none_second = ratio(3, 12, 0, 40);
        assert!(none_second.value == Some(f64::INFINITY) && none_second.low > 0.0);
        assert_eq!(none_second.high, f64::INFINITY);
        let none = ratio(0, 12, 0, 40);
        assert_eq!((none.value, none.low, none.high), (None, 0.0, f64::INFINITY));
        let all = ratio(5, 5, 9, 9);
        assert!(all.value == Some(1.0) && all.low < 1.0 && all.high > 1.0 && all.is_adjusted);
    }

    #[test]
    fn an_untried_group_is_refused_by_name() {
        for table in [TwoByTwo::new(0, 0, 1, 2), TwoByTwo::new(1, 2, 0, 0)] {
            let table = table.unwrap();
            assert_eq!(newcombe_difference(&table, 0.95), Err(StatsError::EmptyGroup));
            assert_eq!(risk_ratio(&table, 0.95), Err(StatsError::EmptyGroup));
            assert!(!table.is_informative());
        }
        assert!(TwoByTwo::new(3, 2, 0, 0).is_err());
        assert!(TwoByTwo::new(0, u64::MAX, 0, u64::MAX).is_err());
        assert!(risk_ratio(&TwoByTwo::new(1, 2, 1, 2).unwrap(), f64::NAN).is_err());
    }
}
