//! With which probability an exact test tells two failure rates apart, and how many shots that takes.

use super::SamplingError;
use crate::error::{MAX_TRIALS, StatsError, check_probability, check_rate};
use crate::hypergeometric::{at_most, ln_point};
use crate::special::normal_upper_quantile;
use crate::unconditional::{Region, points};

/// The most shots of both groups together that a power is worked out for.
pub const MOST_FOR_POWER: u64 = 4_000;

/// With which test two rates are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum PowerTest {
    /// Fisher's, two-sided by point probabilities.
    Fisher,
    /// Boschloo's, two-sided as twice the smaller one-sided p. Never weaker than twice Fisher's smaller tail.
    #[default]
    Boschloo,
}

impl PowerTest {
    /// Returns its word.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Fisher => "fisher",
            Self::Boschloo => "boschloo",
        }
    }
}

impl std::str::FromStr for PowerTest {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let found = [Self::Fisher, Self::Boschloo].into_iter().find(|t| t.name().eq_ignore_ascii_case(text.trim()));
        found.ok_or_else(|| format!("{:?} is no exact test of two rates; use boschloo or fisher", text.trim()))
    }
}

/// Returns the probability that a two-sided exact test of level `alpha` finds a difference between groups of failure
/// rates `rates`, of which `shots` each are fired.
///
/// Exact: the binomial probability of the tables with p ≤ `alpha`. Both directions count. `shots` from 1, together at
/// most [`MOST_FOR_POWER`].
///
/// # Errors
/// [`StatsError::BadRate`], [`StatsError::BadProbability`], [`StatsError::EmptyGroup`], [`StatsError::TooManyTrials`].
///
/// # Source
/// Σ b(x; n₁, p₁) b(y; n₂, p₂) over the tables that are rejected; checked against `tests/fixtures/power.csv`.
pub fn power(rates: [f64; 2], shots: [u64; 2], alpha: f64, test: PowerTest) -> Result<f64, SamplingError> {
    check_rate(rates[0])?;
    check_rate(rates[1])?;
    check_probability(alpha)?;
    let [n1, n2] = shots;
    let all = n1.saturating_add(n2);
    if all > MOST_FOR_POWER {
        return Err(StatsError::TooManyTrials { trials: all, most: MOST_FOR_POWER }.into());
    }
    if n1 == 0 || n2 == 0 {
        return Err(StatsError::EmptyGroup.into());
    }
    let (first, second) = (points(n1, rates[0], 1.0 - rates[0]), points(n2, rates[1], 1.0 - rates[1]));
    let power = match test {
        PowerTest::Fisher => fisher(&first, &second, alpha),
        PowerTest::Boschloo => boschloo((n1, n2), alpha).iter().map(|r| r.probability_of(&first, &second)).sum(),
    };
    Ok(power.min(1.0))
}

/// A decimal that somebody typed must not turn on its last bit.
const TIE: f64 = 1e-9;

/// How far apart two tables may be in probability and still be equally so: as in [`crate::fisher_exact`].
const EQUAL: f64 = 1e-7;

/// Margin by margin: all tables of one margin in the order of their probability, and the sums up to each.
fn fisher(first: &[f64], second: &[f64], alpha: f64) -> f64 {
    let (n1, n2) = (first.len() as u64 - 1, second.len() as u64 - 1);
    let (from, to) = {
        let (a, b) = (span(first), span(second));
        (a.0 + b.0, a.1 + b.1)
    };
    let mut sum = 0.0;
    for bad in from..=to {
        let xs = bad.saturating_sub(n2)..=bad.min(n1);
        let mut tables: Vec<(f64, u64)> = xs.map(|x| (ln_point(x, n1 + n2, bad, n1), x)).collect();
        tables.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        // Those as probable as one, within the last digits, count with it.
        let (mut counted, mut p_value) = (0, 0.0);
        for (ln, x) in &tables {
            while let Some((other, _)) = tables.get(counted).filter(|(other, _)| *other <= ln + EQUAL.ln_1p()) {
                p_value += other.exp();
                counted += 1;
            }
            if p_value > alpha * (1.0 + TIE) {
                break;
            }
            let point = |points: &[f64], at: u64| points.get(at as usize).copied().unwrap_or(0.0);
            sum += point(first, *x) * point(second, bad - x);
        }
    }
    sum
}

/// From where and to where points can change the twelfth digit.
fn span(points: &[f64]) -> (u64, u64) {
    let least = 1e-18 * points.iter().copied().fold(0.0, f64::max);
    let from = points.iter().position(|p| *p > least).unwrap_or(0);
    let to = points.iter().rposition(|p| *p > least).unwrap_or(0);
    (from as u64, to as u64)
}

/// The tables that Boschloo's test rejects: those in which the first group failed seldom, then often.
///
/// A table is rejected where the largest probability of the tables with a Fisher p as small is at most α/2; so there
/// is one Fisher p up to which all are.
fn boschloo(sizes: (u64, u64), alpha: f64) -> [Region; 2] {
    let (n1, n2) = sizes;
    let lower = |(x, y): (u64, u64)| at_most(x, n1 + n2, x + y, n1);
    let higher = |(x, y): (u64, u64)| at_most(y, n1 + n2, x + y, n2);
    [
        largest_region(alpha, lower, |limit| Region::lower(sizes, |at| lower(at) <= limit)),
        largest_region(alpha, higher, |limit| Region::higher(sizes, |at| higher(at) <= limit)),
    ]
}

fn largest_region(alpha: f64, fisher: impl Fn((u64, u64)) -> f64, region: impl Fn(f64) -> Region) -> Region {
    let wanted = alpha / 2.0 * (1.0 + TIE);
    let fits = |limit: f64| region(limit).largest() <= wanted;
    // Fisher's own p never lies below Boschloo's, so α/2 fits.
    let (mut low, mut high) = (wanted, 2.0 * wanted);
    while high < 1.0 && fits(high) {
        (low, high) = (high, 2.0 * high);
    }
    let mut between: Vec<f64> = region(low).missing_from(&region(high.min(1.0))).map(fisher).collect();
    between.sort_unstable_by(f64::total_cmp);
    let fitting = between.partition_point(|limit| fits(limit * (1.0 + TIE)));
    region(fitting.checked_sub(1).and_then(|k| between.get(k)).map_or(low, |limit| limit * (1.0 + TIE)))
}

/// Returns how many shots of each of two groups it takes for a two-sided exact test of level `alpha` to find the
/// difference of `rates` with at least the probability `wanted`, and the power at that number.
///
/// The power of an exact test does not rise with every shot: the number returned and the five after it all reach
/// `wanted`, the one before does not.
///
/// # Errors
/// As [`power`]; [`SamplingError::SameRates`]; [`SamplingError::NoPlan`] where more than [`MOST_FOR_POWER`] would be
/// needed.
pub fn shots_for_power(rates: [f64; 2], wanted: f64, alpha: f64, test: PowerTest) -> Result<(u64, f64), SamplingError> {
    check_rate(rates[0])?;
    check_rate(rates[1])?;
    check_probability(wanted)?;
    check_probability(alpha)?;
    let [p, q] = rates;
    if p == q {
        return Err(SamplingError::SameRates { rate: p });
    }
    let most = MOST_FOR_POWER / 2;
    let at = |n: u64| power(rates, [n, n], alpha, test);
    let reaches = |n: u64| -> Result<bool, SamplingError> {
        for k in n..=(n + 5).min(most) {
            if at(k)? < wanted {
                return Ok(false);
            }
        }
        Ok(true)
    };
    // The normal law's number, as a place to begin.
    let z = normal_upper_quantile(alpha / 2.0) + normal_upper_quantile(1.0 - wanted);
    let about = z * z * (p * (1.0 - p) + q * (1.0 - q)) / ((p - q) * (p - q));
    let start = (about.min(MAX_TRIALS as f64) as u64).clamp(2, most);
    let (mut short, mut enough) = (0, start);
    while !reaches(enough)? {
        short = enough;
        if enough == most {
            return Err(SamplingError::NoPlan { most: MOST_FOR_POWER });
        }
        enough = (enough + enough / 8 + 2).min(most);
    }
    while enough - short > 1 {
        let middle = short + (enough - short) / 2;
        if reaches(middle)? { enough = middle } else { short = middle }
    }
    Ok((enough, at(enough)?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fisher::fisher_exact;
    use crate::two_by_two::TwoByTwo;
    use crate::unconditional::boschloo_exact;

    #[test]
    fn power_is_the_sum_over_the_tables_that_are_rejected() {
        for (n1, n2, rates) in [(6, 7, [0.1, 0.6]), (9, 4, [0.0, 0.5]), (7, 7, [0.3, 0.3]), (1, 1, [0.5, 1.0])] {
            let point = |x, n, p: f64| points(n, p, 1.0 - p)[x as usize];
            for (test, alpha) in [(PowerTest::Fisher, 0.05), (PowerTest::Boschloo, 0.05), (PowerTest::Boschloo, 0.2)] {
                let mut want = 0.0;
                for (x, y) in (0..=n1).flat_map(|x| (0..=n2).map(move |y| (x, y))) {
                    let table = TwoByTwo::new(x, n1, y, n2).unwrap();
                    let p = match test {
                        PowerTest::Fisher => fisher_exact(&table).unwrap().two_sided,
                        PowerTest::Boschloo => boschloo_exact(&table).unwrap().two_sided,
                    };
                    if p <= alpha * (1.0 + TIE) {
                        want += point(x, n1, rates[0]) * point(y, n2, rates[1]);
                    }
                }
                let got = power(rates, [n1, n2], alpha, test).unwrap();
                assert!((got - want).abs() < 1e-12, "{n1} {n2} {test:?}: {got} for {want}");
            }
        }
    }

    #[test]
    fn number_of_shots_reaches_the_power_and_one_fewer_does_not() {
        for test in [PowerTest::Fisher, PowerTest::Boschloo] {
            let (n, found) = shots_for_power([0.02, 0.3], 0.8, 0.05, test).unwrap();
            let at = |n| power([0.02, 0.3], [n, n], 0.05, test).unwrap();
            assert!(found >= 0.8 && at(n - 1) < 0.8 && (n..n + 6).all(|k| at(k) >= 0.8), "{test:?} {n}");
        }
    }

    #[test]
    fn what_cannot_be_is_refused_by_name() {
        let ask = |rates, wanted| shots_for_power(rates, wanted, 0.05, PowerTest::Fisher);
        assert_eq!(ask([0.1, 0.1], 0.8), Err(SamplingError::SameRates { rate: 0.1 }));
        assert_eq!(ask([0.1, 0.100_1], 0.8), Err(SamplingError::NoPlan { most: MOST_FOR_POWER }));
        assert!(ask([0.1, f64::NAN], 0.8).is_err() && ask([0.1, 0.2], 1.0).is_err());
        assert!(power([0.1, 0.2], [0, 5], 0.05, PowerTest::Boschloo).is_err());
        assert!(power([0.1, 0.2], [5_000, 5], 0.05, PowerTest::Boschloo).is_err());
    }
}
