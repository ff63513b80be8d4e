//! Turnbull's estimate: the distribution that makes the intervals most likely, whatever its shape.
//!
//! The search is EMICM (the iterative convex minorant with an EM step in between), then Newton's method on the masses
//! that are left; it stops when the likelihood is proved to be within [`LARGEST_GAP`] of the largest there is.

use super::{CensoredSample, CensoredTime, TimesError, newton};

/// By how much the log-likelihood may still lie below the largest one, for each time of the sample.
pub const LARGEST_GAP: f64 = 1e-11;

/// Rounds of the search before it is given up.
const MOST_ROUNDS: u32 = 2_000;

/// Halvings of a step that does not rise.
const MOST_HALVINGS: u32 = 40;

/// Holds one interval of the estimate and how much of the distribution lies in it; where in it, the times do not say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mass {
    /// Its low end, not included; included where both ends are the same.
    pub low: f64,
    /// Its high end; infinite where the longest times have no end.
    pub high: f64,
    /// Its share, above 0.
    pub mass: f64,
}

/// Holds Turnbull's estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct Turnbull {
    /// The intervals that hold something, in order; the shares add up to 1.
    pub masses: Vec<Mass>,
    /// The logarithm of the likelihood.
    pub ln_likelihood: f64,
    /// By how much at most a better distribution could be more likely, in the logarithm.
    pub gap: f64,
    /// How many rounds of the search it took.
    pub rounds: u32,
}

impl Turnbull {
    /// Returns the least and the largest share of times above `limit` that the estimate leaves open.
    ///
    /// # Errors
    /// [`TimesError::BadLimit`].
    pub fn slower_than(&self, limit: f64) -> Result<(f64, f64), TimesError> {
        super::check_limit(limit)?;
        let sum = |holds: &dyn Fn(&Mass) -> bool| self.masses.iter().filter(|m| holds(m)).map(|m| m.mass).sum::<f64>();
        // An exact time at the limit is not above it.
        let surely = sum(&|m| m.low > limit || (m.low == limit && m.high > limit));
        Ok((surely.min(1.0), sum(&|m| m.high > limit).min(1.0)))
    }

    /// Returns the interval in which the time lies that a share of them does not exceed; `share` in (0, 1).
    ///
    /// # Errors
    /// [`TimesError::Stats`] for a share out of range.
    pub fn quantile(&self, share: f64) -> Result<(f64, f64), TimesError> {
        crate::error::check_probability(share)?;
        let mut sum = 0.0;
        for mass in &self.masses {
            sum += mass.mass;
            // The masses are good to about 1e-9.
            if sum >= share - 1e-9 {
                return Ok((mass.low, mass.high));
            }
        }
        Ok(self.masses.last().map_or((0.0, f64::INFINITY), |m| (m.low, m.high)))
    }
}

/// A place on the axis: a value, and whether it stands just before it (−1), at it (0) or just after it (1).
type Place = (f64, i8);

fn left(time: CensoredTime) -> Place {
    (time.low, if time.is_exact() { -1 } else { 1 })
}

fn right(time: CensoredTime) -> Place {
    (time.high, 0)
}

fn before(a: &Place, b: &Place) -> bool {
    a.0 < b.0 || (a.0 == b.0 && a.1 < b.1)
}

/// The intervals that can hold something, and which of them each time covers.
pub(super) struct Cover {
    /// From and to, in order, none overlapping.
    pub(super) inner: Vec<(Place, Place)>,
    /// For each different time, from which inner interval on and before which one it holds them, and how often it came.
    pub(super) rows: Vec<(usize, usize, f64)>,
}

impl Cover {
    /// The inner intervals are those from a low end to a high end with no other end between.
    pub(super) fn new(sample: &CensoredSample) -> Self {
        let mut ends: Vec<(Place, bool)> = sample.distinct().map(|(t, _)| (left(t), true)).collect();
        ends.extend(sample.distinct().map(|(t, _)| (right(t), false)));
        ends.sort_unstable_by(|(a, _), (b, _)| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let inner: Vec<(Place, Place)> = ends
            .windows(2)
            .filter_map(|pair| match pair {
                [(from, true), (to, false)] => Some((*from, *to)),
                _ => None,
            })
            .collect();
        let rows = sample.distinct().map(|(time, count)| {
            let from = inner.partition_point(|(start, _)| before(start, &left(time)));
            let end = inner.partition_point(|(_, stop)| !before(&right(time), stop));
            (from, end, count)
        });
        let rows = rows.collect();
        Self { inner, rows }
    }

    /// The distribution function between the inner intervals, beginning with 0.
    pub(super) fn cumulated(masses: &[f64]) -> Vec<f64> {
        let mut sums = Vec::with_capacity(masses.len() + 1);
        let mut sum = 0.0;
        sums.push(sum);
        for mass in masses {
            sum += mass;
            sums.push(sum);
        }
        sums
    }

    fn ln_likelihood(&self, sums: &[f64]) -> f64 {
        self.rows.iter().map(|(from, end, count)| count * (sums[*end] - sums[*from]).ln()).sum()
    }

    /// Σ count / probability over the times that cover each inner interval: the derivative by its mass.
    fn slopes(&self, sums: &[f64]) -> Vec<f64> {
        let mut steps = vec![0.0; self.inner.len() + 1];
        for (from, end, count) in &self.rows {
            let share = count / (sums[*end] - sums[*from]);
            steps[*from] += share;
            steps[*end] -= share;
        }
        let mut sum = 0.0;
        steps.pop();
        for step in &mut steps {
            sum += *step;
            *step = sum;
        }
        steps
    }
}

/// Returns Turnbull's estimate of the distribution of times.
///
/// Any number of times; those of one length cost nothing more. Unique in the probability of each interval that was
/// given; how it is shared out among overlapping ones may not be. Likelihood within [`LARGEST_GAP`] a time of the
/// largest.
///
/// # Errors
/// [`TimesError::NotSettled`].
///
/// # Source
/// Turnbull, J. R. Stat. Soc. B 38 (1976) 290–295. Search: Wellner & Zhan, J. Am. Stat. Assoc. 92 (1997) 945–959.
/// Stop: by concavity ℓ(q) − ℓ(p) ≤ max_j d_j − n, where d_j is the derivative of ℓ by the mass j (Lindsay, Ann. Stat.
/// 11 (1983) 86–94); 0 exactly where the conditions of Karush, Kuhn and Tucker hold. Checked against the cosmesis data
/// of Finkelstein & Wolfe (1985).
pub fn turnbull(sample: &CensoredSample) -> Result<Turnbull, TimesError> {
    let cover = Cover::new(sample);
    let (masses, gap, rounds) = search(&cover, sample.len() as f64)?;
    let sums = Cover::cumulated(&masses);
    let held = cover.inner.iter().zip(&masses).filter(|(_, mass)| **mass > 0.0);
    Ok(Turnbull {
        ln_likelihood: cover.ln_likelihood(&sums),
        masses: held.map(|((from, to), mass)| Mass { low: from.0, high: to.0, mass: *mass }).collect(),
        gap,
        rounds,
    })
}

/// The masses, how far they may be from the best, and the rounds.
pub(super) fn search(cover: &Cover, n: f64) -> Result<(Vec<f64>, f64, u32), TimesError> {
    let size = cover.inner.len();
    let mut masses = vec![1.0 / size as f64; size];
    let mut best_gap = f64::INFINITY;
    for round in 0..MOST_ROUNDS {
        let sums = Cover::cumulated(&masses);
        let slopes = cover.slopes(&sums);
        let gap = (slopes.iter().copied().fold(0.0, f64::max) - n).max(0.0);
        if gap <= LARGEST_GAP * n {
            return Ok((masses, gap, round));
        }
        best_gap = best_gap.min(gap);
        // EM: no mass that is 0 comes back by it, so it is not used alone.
        for (mass, slope) in masses.iter_mut().zip(&slopes) {
            *mass *= slope / n;
        }
        normalise(&mut masses);
        masses = convex_minorant(cover, &masses);
        if gap <= 1e-2 * n {
            masses = newton::climb(cover, &masses);
        }
    }
    Err(TimesError::NotSettled { steps: MOST_ROUNDS })
}

fn normalise(masses: &mut [f64]) {
    let sum: f64 = masses.iter().sum();
    for mass in masses {
        *mass /= sum;
    }
}

/// One step of the iterative convex minorant: a Newton step for each point of the distribution function by itself,
/// made to rise by isotonic regression, then shortened until the likelihood rises (Jongbloed 1998).
fn convex_minorant(cover: &Cover, masses: &[f64]) -> Vec<f64> {
    let sums = Cover::cumulated(masses);
    let mut slope = vec![0.0; sums.len()];
    let mut bend = vec![0.0; sums.len()];
    for (from, end, count) in &cover.rows {
        let p = sums[*end] - sums[*from];
        let share = count / p;
        slope[*end] += share;
        slope[*from] -= share;
        bend[*end] += share / p;
        bend[*from] += share / p;
    }
    let inside = 1..sums.len().saturating_sub(1);
    let wanted: Vec<(f64, f64)> = inside
        .map(|k| {
            let weight = bend[k].max(f64::MIN_POSITIVE.sqrt());
            (sums[k] + slope[k] / weight, weight)
        })
        .collect();
    let risen = isotonic(&wanted);
    let mut target: Vec<f64> = Vec::with_capacity(masses.len());
    let mut last = 0.0;
    for value in risen.into_iter().map(|v| v.clamp(0.0, 1.0)).chain([1.0]) {
        target.push(value - last);
        last = value;
    }
    rise(cover, masses, &target)
}

/// The furthest point on the way from one set of masses to another, by halves, that is at least as likely.
pub(super) fn rise(cover: &Cover, masses: &[f64], target: &[f64]) -> Vec<f64> {
    let now = cover.ln_likelihood(&Cover::cumulated(masses));
    let mut part = 1.0;
    for _ in 0..MOST_HALVINGS {
        let tried: Vec<f64> = masses.iter().zip(target).map(|(m, t)| m + part * (t - m)).collect();
        // An impossible interval gives −∞, a broken one no number: both are not larger.
        if cover.ln_likelihood(&Cover::cumulated(&tried)) > now {
            return tried;
        }
        part *= 0.5;
    }
    masses.to_vec()
}

/// Weighted isotonic regression by pooling adjacent violators.
fn isotonic(points: &[(f64, f64)]) -> Vec<f64> {
    let mut pools: Vec<(f64, f64, usize)> = Vec::new();
    for (value, weight) in points {
        let mut pool = (*value, *weight, 1);
        while let Some(last) = pools.pop_if(|last| last.0 >= pool.0) {
            let weight = last.1 + pool.1;
            pool = ((last.0 * last.1 + pool.0 * pool.1) / weight, weight, last.2 + pool.2);
        }
        pools.push(pool);
    }
    pools.into_iter().flat_map(|(value, _, count)| std::iter::repeat_n(value, count)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(times: &[(f64, f64)]) -> CensoredSample {
        let times: Vec<CensoredTime> = times.iter().map(|(a, b)| CensoredTime::new(*a, *b).unwrap()).collect();
        CensoredSample::new(&times).unwrap()
    }

    #[test]
    fn exact_times_give_their_own_shares() {
        let found = turnbull(&sample(&[(3.0, 3.0), (1.0, 1.0), (3.0, 3.0), (7.0, 7.0)])).unwrap();
        let shares: Vec<(f64, f64)> = found.masses.iter().map(|m| (m.high, (m.mass * 1e9).round() / 1e9)).collect();
        assert_eq!(shares, [(1.0, 0.25), (3.0, 0.5), (7.0, 0.25)]);
        assert_eq!(found.quantile(0.5).unwrap(), (3.0, 3.0));
        let (low, high) = found.slower_than(3.0).unwrap();
        assert!((low - 0.25).abs() < 1e-9 && (high - 0.25).abs() < 1e-9);
    }

    #[test]
    fn one_interval_holds_all_and_says_no_more() {
        let found = turnbull(&sample(&[(2.0, 5.0), (3.0, f64::INFINITY)])).unwrap();
        assert_eq!(found.masses, [Mass { low: 3.0, high: 5.0, mass: 1.0 }]);
        assert_eq!(found.slower_than(4.0).unwrap(), (0.0, 1.0));
        assert_eq!(found.slower_than(3.0).unwrap(), (1.0, 1.0));
        assert_eq!(found.ln_likelihood, 0.0);
    }

    #[test]
    fn pools_rise() {
        assert_eq!(isotonic(&[(1.0, 1.0), (3.0, 1.0), (2.0, 3.0), (5.0, 1.0)]), [1.0, 2.25, 2.25, 5.0]);
    }
}
