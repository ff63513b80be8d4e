//! Exact tests that leave the number of failures open: Barnard's and Boschloo's.
//!
//! The groups are binomial with one unknown rate π in common, and the p-value is the largest over all π. Both are more
//! powerful than Fisher's in small samples, Boschloo's never less. Not for large ones: see
//! [`MAX_UNCONDITIONAL_TRIALS`].

use std::f64::consts::FRAC_PI_2;

use crate::error::StatsError;
use crate::hypergeometric::at_most;
use crate::saddle::ln_binomial_point;
use crate::two_by_two::TwoByTwo;

/// The most trials of both groups together that the unconditional tests take: there they take some tenths of a
/// second, and differ from Fisher's by a few per cent of p.
pub const MAX_UNCONDITIONAL_TRIALS: u64 = 4_000;

/// Fisher's p-values nearer to each other than this are one.
const TIE: f64 = 1e-10;

/// Holds the p-values of an unconditional exact test, each from 0 to 1; those below 1e-50 come out too small.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnconditionalExact {
    /// That the first group would fail as seldom or more so, if the two were alike.
    pub first_lower: f64,
    /// That it would fail as often or more so.
    pub first_higher: f64,
    /// Either way; each test says what that means.
    pub two_sided: f64,
}

/// Returns the p-values of Boschloo's test: tables are ordered by Fisher's one-sided p.
///
/// Two-sided is twice the smaller one-sided p, at most 1. Other programs order by Fisher's two-sided p instead and
/// get other numbers for the same table.
///
/// # Errors
/// [`StatsError::EmptyGroup`], [`StatsError::TooManyTrials`] above [`MAX_UNCONDITIONAL_TRIALS`].
///
/// # Source
/// Boschloo, Statistica Neerlandica 24 (1970) 1–35; p = max over π of Σ b(x; n₁, π) b(y; n₂, π) over the tables whose
/// Fisher p is at most the one seen.
pub fn boschloo_exact(table: &TwoByTwo) -> Result<UnconditionalExact, StatsError> {
    let sizes = check(table)?;
    let seen = cell(table);
    let lower = Region::lower(sizes, {
        let limit = fisher_lower(seen, sizes) * (1.0 + TIE);
        move |at| fisher_lower(at, sizes) <= limit
    });
    let higher = Region::higher(sizes, {
        let limit = fisher_higher(seen, sizes) * (1.0 + TIE);
        move |at| fisher_higher(at, sizes) <= limit
    });
    let (first_lower, first_higher) = (lower.largest(), higher.largest());
    Ok(UnconditionalExact { first_lower, first_higher, two_sided: (2.0 * first_lower.min(first_higher)).min(1.0) })
}

/// Returns the p-values of Barnard's test: tables are ordered by the score statistic with pooled variance,
/// Z = (p₁ − p₂) / √(p(1−p)(1/n₁ + 1/n₂)), 0 where nothing or everything failed.
///
/// Two-sided takes the tables with |Z| at least the one seen. Ties are found in whole numbers.
///
/// # Errors
/// [`StatsError::EmptyGroup`], [`StatsError::TooManyTrials`] above [`MAX_UNCONDITIONAL_TRIALS`].
///
/// # Source
/// Barnard, Biometrika 34 (1947) 123–138, with the statistic of Suissa & Shuster, J. R. Stat. Soc. A 148 (1985)
/// 317–327.
pub fn barnard_exact(table: &TwoByTwo) -> Result<UnconditionalExact, StatsError> {
    let sizes = check(table)?;
    let seen = score(cell(table), sizes);
    let lower = Region::lower(sizes, |at| !score(at, sizes).is_above(&seen));
    let higher = Region::higher(sizes, |at| !seen.is_above(&score(at, sizes)));
    let size = seen.size();
    let both = Region {
        sizes,
        at_most: Region::higher(sizes, |at| !size.is_above(&score(at, sizes))).at_most,
        at_least: Region::lower(sizes, |at| !score(at, sizes).is_above(&size.negated())).at_least,
    };
    // Z = 0 is reached from both sides, and a table must not be counted twice.
    let two_sided = if seen.signed_square == 0 { 1.0 } else { both.largest() };
    Ok(UnconditionalExact { first_lower: lower.largest(), first_higher: higher.largest(), two_sided })
}

fn check(table: &TwoByTwo) -> Result<(u64, u64), StatsError> {
    table.check_both_tried()?;
    if table.trials() > MAX_UNCONDITIONAL_TRIALS {
        return Err(StatsError::TooManyTrials { trials: table.trials(), most: MAX_UNCONDITIONAL_TRIALS });
    }
    Ok((table.first().1, table.second().1))
}

fn cell(table: &TwoByTwo) -> (u64, u64) {
    (table.first().0, table.second().0)
}

fn fisher_lower((x, y): (u64, u64), (n1, n2): (u64, u64)) -> f64 {
    at_most(x, n1 + n2, x + y, n1)
}

fn fisher_higher((x, y): (u64, u64), (n1, n2): (u64, u64)) -> f64 {
    at_most(y, n1 + n2, x + y, n2)
}

/// The pooled score as a fraction of whole numbers: the sign times D² over s (N − s), with D = x n₂ − y n₁ and s the
/// failures. The factor left out is the same for all tables.
#[derive(Clone, Copy)]
struct Score {
    signed_square: i128,
    below: i128,
}

fn score((x, y): (u64, u64), (n1, n2): (u64, u64)) -> Score {
    let [x, y, n1, n2] = [x, y, n1, n2].map(i128::from);
    let d = x * n2 - y * n1;
    let s = x + y;
    Score { signed_square: d * d.abs(), below: (s * (n1 + n2 - s)).max(1) }
}

impl Score {
    fn is_above(&self, other: &Self) -> bool {
        // At most (4e3)⁴ · (4e3)² = 4e21.
        self.signed_square * other.below > other.signed_square * self.below
    }

    fn size(self) -> Self {
        Self { signed_square: self.signed_square.abs(), ..self }
    }

    fn negated(self) -> Self {
        Self { signed_square: -self.signed_square, ..self }
    }
}

/// The tables that count: for each number of failures of the first group, those of the second up to one number and
/// from another on.
pub(crate) struct Region {
    sizes: (u64, u64),
    /// One more than the number up to which they count; 0 for none.
    at_most: Vec<u64>,
    /// The number from which on they count; n₂ + 1 for none.
    at_least: Vec<u64>,
}

impl Region {
    /// The tables in which the first group failed seldom. INVARIANT (Barnard's convexity): where a table counts, so
    /// do those with more failures of the second group or fewer of the first; so one walk up the stairs finds all.
    pub(crate) fn lower(sizes: (u64, u64), counts: impl Fn((u64, u64)) -> bool) -> Self {
        let mut y = 0;
        let at_least = (0..=sizes.0).map(|x| {
            while y <= sizes.1 && !counts((x, y)) {
                y += 1;
            }
            y
        });
        let at_least = at_least.collect();
        Self { sizes, at_most: vec![0; sizes.0 as usize + 1], at_least }
    }

    /// The tables in which the first group failed often.
    pub(crate) fn higher(sizes: (u64, u64), counts: impl Fn((u64, u64)) -> bool) -> Self {
        let mut end = 0;
        let at_most = (0..=sizes.0).map(|x| {
            while end <= sizes.1 && counts((x, end)) {
                end += 1;
            }
            end
        });
        let at_most = at_most.collect();
        Self { sizes, at_most, at_least: vec![sizes.1 + 1; sizes.0 as usize + 1] }
    }

    /// The tables of a larger region of the same kind that this one does not have.
    pub(crate) fn missing_from<'a>(&'a self, larger: &'a Self) -> impl Iterator<Item = (u64, u64)> + 'a {
        let ends = self.at_most.iter().zip(&larger.at_most);
        let starts = self.at_least.iter().zip(&larger.at_least);
        (0..).zip(ends.zip(starts)).flat_map(|(x, ((end, later), (start, earlier)))| {
            (*end..*later).chain(*earlier..*start).map(move |y| (x, y))
        })
    }

    /// The probability of the region at the common rate sin²θ.
    fn probability(&self, theta: f64) -> f64 {
        let (p, q) = (theta.sin().powi(2), theta.cos().powi(2));
        self.probability_of(&points(self.sizes.0, p, q), &points(self.sizes.1, p, q))
    }

    /// The probability of the region where the groups have these binomial points.
    pub(crate) fn probability_of(&self, first: &[f64], second: &[f64]) -> f64 {
        let mut up_to = vec![0.0];
        for point in second {
            up_to.push(up_to.last().copied().unwrap_or(0.0) + point);
        }
        let mut from = vec![0.0];
        for point in second.iter().rev() {
            from.push(from.last().copied().unwrap_or(0.0) + point);
        }
        let stairs = self.at_most.iter().zip(&self.at_least);
        let sum: f64 = first
            .iter()
            .zip(stairs)
            .filter(|(point, _)| **point > 0.0)
            .map(|(point, (at_most, at_least))| {
                let tail = (self.sizes.1 + 1).saturating_sub(*at_least);
                let sum_of = |sums: &[f64], n: u64| sums.get(n as usize).copied().unwrap_or(0.0);
                point * (sum_of(&up_to, *at_most) + sum_of(&from, tail))
            })
            .sum();
        sum.min(1.0)
    }

    /// The largest probability over all common rates.
    ///
    /// In the angle θ the curve has no feature narrower than about 1/(2√N); twenty points to a width of 1/√N find
    /// each hill, and the highest eight are climbed.
    pub(crate) fn largest(&self) -> f64 {
        let all = (self.sizes.0 + self.sizes.1) as f64;
        let steps = (32.0 * all.sqrt()).ceil().max(200.0) as usize;
        let width = FRAC_PI_2 / steps as f64;
        let heights: Vec<f64> = (0..=steps).map(|i| self.probability(i as f64 * width)).collect();
        let mut hills: Vec<(usize, f64)> = heights
            .windows(3)
            .enumerate()
            .filter_map(|(i, w)| match w {
                [left, top, right] if top >= left && top >= right => Some((i + 1, *top)),
                _ => None,
            })
            .collect();
        hills.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        let ends = heights.first().copied().unwrap_or(0.0).max(heights.last().copied().unwrap_or(0.0));
        let climbed = hills.iter().take(8).map(|(i, top)| {
            let middle = *i as f64 * width;
            self.climb(middle - width, middle + width).max(*top)
        });
        climbed.fold(ends, f64::max)
    }

    /// The top of one hill by golden section. At a top the curve is flat, so 1e-8 of θ is 1e-16 of height.
    fn climb(&self, mut low: f64, mut high: f64) -> f64 {
        const GOLDEN: f64 = 0.618_033_988_749_894_8;
        let mut left = high - GOLDEN * (high - low);
        let mut right = low + GOLDEN * (high - low);
        let (mut at_left, mut at_right) = (self.probability(left), self.probability(right));
        while high - low > 1e-8 {
            if at_left < at_right {
                low = left;
                (left, at_left) = (right, at_right);
                right = low + GOLDEN * (high - low);
                at_right = self.probability(right);
            } else {
                high = right;
                (right, at_right) = (left, at_left);
                left = high - GOLDEN * (high - low);
                at_left = self.probability(left);
            }
        }
        at_left.max(at_right)
    }
}

/// Points this small beside the most probable one are taken as 0: most of them are, and slow where they underflow.
const TOO_SMALL: f64 = 1e-60;

/// The binomial points 0 to n, from the most probable one outwards.
pub(crate) fn points(n: u64, p: f64, q: f64) -> Vec<f64> {
    let mut all = vec![0.0; n as usize + 1];
    if p <= 0.0 || q <= 0.0 {
        // The rate is 0 or 1: one outcome there is.
        let sure = if p <= 0.0 { all.first_mut() } else { all.last_mut() };
        if let Some(sure) = sure {
            *sure = 1.0;
        }
        return all;
    }
    let peak = (((n + 1) as f64 * p) as u64).min(n);
    let top = ln_binomial_point(peak as f64, n as f64, p, q).exp();
    let (below, above) = all.split_at_mut(peak as usize);
    let mut point = top;
    for (x, slot) in (0..peak).rev().zip(below.iter_mut().rev()) {
        point *= (x + 1) as f64 / (n - x) as f64 * (q / p);
        if point < TOO_SMALL * top {
            break;
        }
        *slot = point;
    }
    point = top;
    for (x, slot) in (peak..).zip(above.iter_mut()) {
        if x > peak {
            point *= (n - x + 1) as f64 / x as f64 * (p / q);
        }
        if point < TOO_SMALL * top {
            break;
        }
        *slot = point;
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(a: u64, n1: u64, c: u64, n2: u64) -> TwoByTwo {
        TwoByTwo::new(a, n1, c, n2).unwrap()
    }

    #[test]
    fn equal_rates_give_no_evidence() {
        for t in [table(0, 12, 0, 40), table(3, 9, 5, 15), table(7, 7, 3, 3)] {
            assert_eq!(barnard_exact(&t).unwrap().two_sided, 1.0);
            assert_eq!(boschloo_exact(&t).unwrap().two_sided, 1.0);
        }
    }

    #[test]
    fn boschloo_is_never_above_fisher() {
        for n1 in 1..=7 {
            for n2 in 1..=5 {
                for (x, y) in (0..=n1).flat_map(|x| (0..=n2).map(move |y| (x, y))) {
                    let got = boschloo_exact(&table(x, n1, y, n2)).unwrap();
                    let fisher = fisher_lower((x, y), (n1, n2));
                    assert!(got.first_lower <= fisher * (1.0 + 1e-9), "{x}/{n1} {y}/{n2}: {got:?} above {fisher}");
                }
            }
        }
    }

    #[test]
    fn the_walk_finds_every_table_that_counts() {
        let sizes = (7, 9);
        for (x0, y0) in (0..=7).flat_map(|x| (0..=9).map(move |y| (x, y))) {
            let limit = fisher_lower((x0, y0), sizes) * (1.0 + TIE);
            let region = Region::lower(sizes, |at| fisher_lower(at, sizes) <= limit);
            for (x, y) in (0..=7).flat_map(|x| (0..=9).map(move |y| (x, y))) {
                let wanted = fisher_lower((x, y), sizes) <= limit;
                assert_eq!(region.at_least[x as usize] <= y, wanted, "({x0}, {y0}) and ({x}, {y})");
            }
        }
    }

    #[test]
    fn exchanging_the_groups_turns_the_sides_round() {
        let (one, two) = (table(2, 9, 8, 10), table(8, 10, 2, 9));
        for test in [barnard_exact, boschloo_exact] {
            let (one, two) = (test(&one).unwrap(), test(&two).unwrap());
            assert!((one.first_lower - two.first_higher).abs() < 1e-12);
            assert!((one.two_sided - two.two_sided).abs() < 1e-12);
        }
    }

    #[test]
    fn too_much_and_too_little_are_refused_by_name() {
        assert_eq!(barnard_exact(&table(0, 0, 1, 2)), Err(StatsError::EmptyGroup));
        let large = table(1, 3_000, 1, 2_000);
        assert!(matches!(boschloo_exact(&large), Err(StatsError::TooManyTrials { trials: 5_000, .. })));
    }
}
