//! What one table says when its margins are taken as given: Fisher's test and the conditional odds ratio.
//!
//! Not for tests that leave the number of failures open: see `unconditional`.

use crate::error::{StatsError, check_confidence};
use crate::hypergeometric::{at_most, ln_point};
use crate::two_by_two::TwoByTwo;

/// How far above the probability of the table another one may lie and still count as no more probable: tables that
/// are equally probable differ in the last digits. The number is that of R's `fisher.test`.
const TIE: f64 = 1e-7;

/// Stops a search that would not end; the most seen is 60.
const MOST_STEPS: u32 = 400;

/// Holds the p-values of Fisher's exact test, each from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FisherExact {
    /// That the first group would fail as seldom or more so, if the two were alike.
    pub first_lower: f64,
    /// That it would fail as often or more so.
    pub first_higher: f64,
    /// That a table as improbable or more so would come out, in either direction.
    pub two_sided: f64,
}

/// Returns the p-values of Fisher's exact test.
///
/// The two-sided one adds up the tables of the same margins that are no more probable than the one given (the
/// point-probability method), not twice a tail. A table that could have come out in one way only gives 1 for all.
/// Relative error below 1e-9 unless it underflows.
///
/// # Errors
/// [`StatsError::EmptyGroup`].
///
/// # Source
/// Fisher, *Statistical Methods for Research Workers*, § 21.02; P(X = x) = C(n₁,x) C(n₂,m−x) / C(n₁+n₂,m).
///
/// ```
/// use embertally_stats::{TwoByTwo, fisher_exact};
///
/// let tea = fisher_exact(&TwoByTwo::new(3, 4, 1, 4)?)?;
/// assert!((tea.first_higher - 17.0 / 70.0).abs() < 1e-15 && (tea.two_sided - 34.0 / 70.0).abs() < 1e-15);
/// # Ok::<(), embertally_stats::StatsError>(())
/// ```
pub fn fisher_exact(table: &TwoByTwo) -> Result<FisherExact, StatsError> {
    table.check_both_tried()?;
    let (x, n1) = table.first();
    let (y, n2) = table.second();
    let (all, bad) = (table.trials(), table.failures());
    let first_lower = at_most(x, all, bad, n1);
    let first_higher = at_most(y, all, bad, n2);
    let two_sided = match no_more_probable_beyond(x, all, bad, n1) {
        Beyond::Below(Some(other)) => first_higher + at_most(other, all, bad, n1),
        Beyond::Above(Some(other)) => first_lower + at_most(bad - other, all, bad, n2),
        Beyond::Below(None) => first_higher,
        Beyond::Above(None) => first_lower,
    };
    Ok(FisherExact { first_lower, first_higher, two_sided: two_sided.min(1.0) })
}

/// Where on the far side of the most probable table the ones begin that are no more probable than the one given.
enum Beyond {
    /// At this number and below; none if there are none.
    Below(Option<u64>),
    /// At this number and above.
    Above(Option<u64>),
}

fn no_more_probable_beyond(x: u64, all: u64, bad: u64, n1: u64) -> Beyond {
    let (fewest, most) = (bad.saturating_sub(all - n1), bad.min(n1));
    let limit = ln_point(x, all, bad, n1) + TIE.ln_1p();
    let is_no_more_probable = |other| ln_point(other, all, bad, n1) <= limit;
    let peak = u128::from(n1 + 1) * u128::from(bad + 1) / u128::from(all + 2);
    let peak = u64::try_from(peak).unwrap_or(most).clamp(fewest, most);
    // Probabilities rise up to the peak and fall from it, so each side is searched by halves.
    if x >= peak {
        let found = last_true(fewest, x, is_no_more_probable);
        Beyond::Below(found)
    } else {
        let found = last_true(0, most - x, |back| is_no_more_probable(most - back));
        Beyond::Above(found.map(|back| most - back))
    }
}

/// The last number from `from` to below `end` for which `holds`, which is true up to it and false from there on.
fn last_true(from: u64, end: u64, holds: impl Fn(u64) -> bool) -> Option<u64> {
    let (mut low, mut high) = (from, end);
    while low < high {
        let middle = low + (high - low) / 2;
        if holds(middle) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    (low > from).then(|| low - 1)
}

/// Holds the odds ratio of a table, first group over second, with its exact interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OddsRatio {
    /// a d / (b c), from 0 to infinity; none where the table is not informative (0/0).
    pub sample: Option<f64>,
    /// The conditional maximum-likelihood estimate: nearer to 1 than the sample's; none where the other is.
    pub conditional: Option<f64>,
    /// The lower end of the exact conditional interval, 0 or more.
    pub low: f64,
    /// The upper end, which may be infinite.
    pub high: f64,
}

/// Returns the odds ratio with its exact conditional interval.
///
/// `confidence` in (0, 1), half of the rest beyond each end: the low end is the ψ at which as many failures of the
/// first group or more have probability (1 − confidence)/2, the high end likewise for as many or fewer. Covers at
/// least `confidence`. Where the margins allow one table only, nothing is known: `[0, ∞]`. Relative error of
/// estimate and ends below 1e-9.
///
/// # Errors
/// [`StatsError::EmptyGroup`], [`StatsError::BadConfidence`].
///
/// # Source
/// Cornfield, J. Natl. Cancer Inst. 11 (1951) 1269–1275; Fisher's non-central hypergeometric distribution,
/// P(X = x) ∝ C(n₁,x) C(n₂,m−x) ψˣ. Checked against `tests/fixtures/two_by_two.csv`.
pub fn odds_ratio(table: &TwoByTwo, confidence: f64) -> Result<OddsRatio, StatsError> {
    check_confidence(confidence)?;
    table.check_both_tried()?;
    if !table.is_informative() {
        return Ok(OddsRatio { sample: None, conditional: None, low: 0.0, high: f64::INFINITY });
    }
    let law = Conditional::of(table);
    let [a, b, c, d] = table.cells();
    let sample = if b * c == 0.0 { f64::INFINITY } else { (a / b) * (d / c) };
    let tail = (1.0 - confidence) / 2.0;
    let start = ((a + 0.5) * (d + 0.5) / ((b + 0.5) * (c + 0.5))).ln();
    let at_low_end = law.seen == law.fewest;
    let at_high_end = law.seen == law.most;
    let conditional = if at_low_end {
        0.0
    } else if at_high_end {
        f64::INFINITY
    } else {
        // The estimate is the ψ whose mean is what was seen.
        root(start, |t| law.at(t).mean - law.seen as f64, |t| law.at(t).variance).exp()
    };
    // (1 − confidence)/2 can round to 0.
    let ln_tail = tail.max(f64::MIN_POSITIVE).ln();
    let low = if at_low_end {
        0.0
    } else {
        root(start, |t| law.at(t).upper.ln() - ln_tail, |t| law.at(t).upper_slope()).exp()
    };
    let high = if at_high_end {
        f64::INFINITY
    } else {
        root(start, |t| ln_tail - law.at(t).lower.ln(), |t| law.at(t).lower_slope()).exp()
    };
    Ok(OddsRatio { sample: Some(sample), conditional: Some(conditional), low, high })
}

/// The distribution of the first group's failures, all margins given.
struct Conditional {
    first: u64,
    failures: u64,
    /// Trials of the second group less the failures of both; may be negative.
    spare: i64,
    fewest: u64,
    most: u64,
    seen: u64,
}

/// Its moments and tails at one odds ratio.
struct Moments {
    mean: f64,
    variance: f64,
    /// P(X ≥ seen), and the mean there.
    upper: f64,
    upper_mean: f64,
    /// P(X ≤ seen), and the mean there.
    lower: f64,
    lower_mean: f64,
}

impl Moments {
    /// The slope of ln P(X ≥ seen) in ln ψ.
    fn upper_slope(&self) -> f64 {
        self.upper_mean - self.mean
    }

    /// The slope of −ln P(X ≤ seen) in ln ψ.
    fn lower_slope(&self) -> f64 {
        self.mean - self.lower_mean
    }
}

impl Conditional {
    fn of(table: &TwoByTwo) -> Self {
        let (seen, first) = table.first();
        let (second, failures) = (table.second().1, table.failures());
        Self {
            first,
            failures,
            // Both are at most MAX_TRIALS.
            spare: second as i64 - failures as i64,
            fewest: failures.saturating_sub(second),
            most: first.min(failures),
            seen,
        }
    }

    /// P(x + 1) / P(x) at ψ = 1.
    fn step(&self, x: u64) -> f64 {
        let up = (self.first - x) as f64 * (self.failures - x) as f64;
        up / ((x + 1) as f64 * (self.spare + x as i64 + 1) as f64)
    }

    /// The most probable number at ψ: the ratio of neighbours falls, so it is found by halves.
    fn peak(&self, odds: f64) -> u64 {
        last_true(self.fewest, self.most, |x| self.step(x) * odds >= 1.0).map_or(self.fewest, |x| x + 1)
    }

    fn at(&self, ln_odds: f64) -> Moments {
        let odds = ln_odds.exp();
        let peak = self.peak(odds);
        // Weights relative to the peak; distances are from what was seen, so that the tails lose nothing.
        let mut below = [0.0; 2];
        let mut above = [0.0; 2];
        let mut here = 0.0;
        let mut total = 0.0;
        let mut add = |x: u64, weight: f64| {
            let distance = x as f64 - self.seen as f64;
            total += weight;
            match x.cmp(&self.seen) {
                std::cmp::Ordering::Less => below = [below[0] + weight, below[1] + weight * distance],
                std::cmp::Ordering::Equal => here = weight,
                std::cmp::Ordering::Greater => above = [above[0] + weight, above[1] + weight * distance],
            }
            weight >= total * 1e-25
        };
        add(peak, 1.0);
        let mut weight = 1.0;
        for x in (self.fewest..peak).rev() {
            weight /= self.step(x) * odds;
            if !add(x, weight) {
                break;
            }
        }
        weight = 1.0;
        for x in peak..self.most {
            weight *= self.step(x) * odds;
            if !add(x + 1, weight) {
                break;
            }
        }
        let shift = (below[1] + above[1]) / total;
        let upper = here + above[0];
        let lower = here + below[0];
        let seen = self.seen as f64;
        let inside = |sum: f64, part: f64| if part > 0.0 { sum / part } else { 0.0 };
        Moments {
            mean: seen + shift,
            variance: self.variance(odds, peak, shift),
            upper: upper / total,
            upper_mean: seen + inside(above[1], upper),
            lower: lower / total,
            lower_mean: seen + inside(below[1], lower),
        }
    }

    /// The variance; only steers the search, so a second pass with the mean known is exact enough.
    fn variance(&self, odds: f64, peak: u64, shift: f64) -> f64 {
        let mean = self.seen as f64 + shift;
        let mut sum = (peak as f64 - mean).powi(2);
        let mut total = 1.0;
        let mut weight = 1.0;
        for x in (self.fewest..peak).rev() {
            weight /= self.step(x) * odds;
            sum += weight * (x as f64 - mean).powi(2);
            total += weight;
            if weight < total * 1e-18 {
                break;
            }
        }
        weight = 1.0;
        for x in peak..self.most {
            weight *= self.step(x) * odds;
            sum += weight * ((x + 1) as f64 - mean).powi(2);
            total += weight;
            if weight < total * 1e-18 {
                break;
            }
        }
        sum / total
    }
}

/// The root of a rising function of ln ψ: Newton's steps, held between ends that close in by halves.
fn root(start: f64, value: impl Fn(f64) -> f64, slope: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (start - 1.0, start + 1.0);
    let mut reach = 2.0;
    // ln ψ beyond 700 is no f64; the ends of a search stay inside.
    while value(low) > 0.0 && low > -700.0 {
        low = (low - reach).max(-700.0);
        reach *= 2.0;
    }
    reach = 2.0;
    while value(high) < 0.0 && high < 700.0 {
        high = (high + reach).min(700.0);
        reach *= 2.0;
    }
    let mut t = start.clamp(low, high);
    for _ in 0..MOST_STEPS {
        let off = value(t);
        if off > 0.0 {
            high = t;
        } else {
            low = t;
        }
        let newton = t - off / slope(t);
        // Written so that a step that is no number is not taken.
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        let moved = (next - t).abs();
        t = next;
        if moved <= 1e-13 * t.abs().max(1.0) {
            break;
        }
    }
    t
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(a: u64, n1: u64, c: u64, n2: u64) -> TwoByTwo {
        TwoByTwo::new(a, n1, c, n2).unwrap()
    }

    #[test]
    fn one_possible_table_says_nothing() {
        for t in [table(0, 12, 0, 40), table(12, 12, 40, 40)] {
            let p = fisher_exact(&t).unwrap();
            assert_eq!((p.first_lower, p.first_higher, p.two_sided), (1.0, 1.0, 1.0));
            let got = odds_ratio(&t, 0.95).unwrap();
            assert_eq!((got.sample, got.conditional, got.low, got.high), (None, None, 0.0, f64::INFINITY));
        }
        assert_eq!(fisher_exact(&table(0, 0, 1, 2)), Err(StatsError::EmptyGroup));
        assert_eq!(odds_ratio(&table(0, 0, 1, 2), 0.95), Err(StatsError::EmptyGroup));
    }

    #[test]
    fn one_empty_cell_leaves_one_end_open() {
        let got = odds_ratio(&table(0, 16, 15, 72), 0.95).unwrap();
        assert!(got.conditional == Some(0.0) && got.low == 0.0 && got.high > 1.0 && got.high < 2.0, "{got:?}");
        let got = odds_ratio(&table(3, 12, 0, 40), 0.95).unwrap();
        assert!(got.conditional == Some(f64::INFINITY) && got.high == f64::INFINITY && got.low > 1.0, "{got:?}");
    }

    #[test]
    fn exchanging_the_groups_turns_everything_round() {
        let one = odds_ratio(&table(7, 34, 1, 34), 0.95).unwrap();
        let two = odds_ratio(&table(1, 34, 7, 34), 0.95).unwrap();
        assert!((one.low * two.high - 1.0).abs() < 1e-12 && (one.high * two.low - 1.0).abs() < 1e-12);
        let (p, q) = (fisher_exact(&table(7, 34, 1, 34)).unwrap(), fisher_exact(&table(1, 34, 7, 34)).unwrap());
        assert!((p.two_sided - q.two_sided).abs() < 1e-15);
    }

    #[test]
    fn a_large_table_is_answered() {
        let t = table(50_000, 5_000_000, 52_000, 5_000_000);
        let got = odds_ratio(&t, 0.95).unwrap();
        assert!(got.low < got.conditional.unwrap() && got.conditional.unwrap() < got.high && got.high < 1.0);
        let p = fisher_exact(&t).unwrap();
        assert!(p.two_sided > 0.0 && p.two_sided < 1e-9);
    }

    #[test]
    fn extreme_confidence_gives_numbers() {
        for confidence in [1e-12, 0.5, 1.0 - 1e-16] {
            let got = odds_ratio(&table(3, 10, 5, 12), confidence).unwrap();
            assert!(got.low.is_finite() && got.high.is_finite() && got.low <= got.high, "{confidence}: {got:?}");
        }
    }
}
