//! The cumulative sum that notices when shots begin to fail more often than they did.
//!
//! Not for accepting or rejecting a lot: see `sequential`. It says that something changed, not when or why.

use crate::error::{StatsError, check_rate};
use crate::sequential::SequentialTest;

/// The largest weight and limit: the chain of the run length takes their product in steps.
const MOST: u64 = 10_000;

/// Holds a Bernoulli cumulative sum: a failure adds `weight` − 1, a good shot takes 1 away, never below 0; it signals
/// when the sum is `limit` or more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BernoulliCusum {
    weight: u64,
    limit: u64,
}

impl BernoulliCusum {
    /// Returns the sum in which a failure weighs as much as `weight` shots, with its limit.
    ///
    /// `weight` from 2 and `limit` from 1, both up to 10 000.
    ///
    /// # Errors
    /// [`StatsError::BadCusum`].
    ///
    /// # Source
    /// Reynolds & Stoumbos, J. Qual. Technol. 31 (1999) 87–108.
    pub fn new(weight: u64, limit: u64) -> Result<Self, StatsError> {
        if (2..=MOST).contains(&weight) && (1..=MOST).contains(&limit) {
            Ok(Self { weight, limit })
        } else {
            Err(StatsError::BadCusum { weight, limit, most: MOST })
        }
    }

    /// Returns the sum that is the quickest to notice a change from the rate `good` to `bad`, with the smallest limit
    /// that signals falsely once in `run` shots or more seldom, on average, at the good rate.
    ///
    /// 0 < `good` < `bad` < 1. The weight is 1/s to the next whole number, s the slope of the sequential test of the
    /// two rates.
    ///
    /// # Errors
    /// [`StatsError::RatesNotApart`]; [`StatsError::BadRun`] for a `run` that is not a finite number from 1 up;
    /// [`StatsError::BadCusum`] where weight or limit would be above 10 000.
    pub fn for_rates(good: f64, bad: f64, run: f64) -> Result<Self, StatsError> {
        // The risks move the lines and not the slope.
        let slope = SequentialTest::new(good, bad, 0.25, 0.25)?.slope();
        if !(run >= 1.0 && run.is_finite()) {
            return Err(StatsError::BadRun { run });
        }
        let weight = (1.0 / slope).round().max(2.0) as u64;
        let is_enough =
            |limit| Self::new(weight, limit).and_then(|cusum| cusum.average_run(good)).map(|shots| shots >= run);
        // The run length rises with the limit.
        let mut high = 1;
        while !is_enough(high)? {
            if high == MOST {
                return Err(StatsError::BadCusum { weight, limit: MOST + 1, most: MOST });
            }
            high = (high * 2).min(MOST);
        }
        let mut low = high / 2;
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if is_enough(middle)? {
                high = middle;
            } else {
                low = middle;
            }
        }
        Self::new(weight, high)
    }

    /// Returns how many shots a failure weighs.
    #[must_use]
    pub fn weight(&self) -> u64 {
        self.weight
    }

    /// Returns the sum from which on it signals.
    #[must_use]
    pub fn limit(&self) -> u64 {
        self.limit
    }

    /// Returns the sum after one more shot.
    #[must_use]
    pub fn next(&self, sum: u64, has_failed: bool) -> u64 {
        if has_failed { sum.saturating_add(self.weight - 1) } else { sum.saturating_sub(1) }
    }

    /// Says whether the sum signals.
    #[must_use]
    pub fn signals(&self, sum: u64) -> bool {
        sum >= self.limit
    }

    /// Returns the average number of shots from a sum of 0 to a signal, if each fails with probability `rate`.
    ///
    /// `rate` from 0 to 1; infinite at 0, and where it is beyond any f64. Exact but for rounding, which has nothing to cancel: relative error below
    /// 1e-10.
    ///
    /// # Errors
    /// [`StatsError::BadRate`].
    ///
    /// # Source
    /// The Markov chain of the sums 0 to limit − 1 (Brook & Evans, Biometrika 59 (1972) 539–549):
    /// L(i) = 1 + p L(i+weight−1) + (1−p) L(max(i−1, 0)), with L = 0 from the limit on.
    pub fn average_run(&self, rate: f64) -> Result<f64, StatsError> {
        check_rate(rate)?;
        if rate == 0.0 {
            return Ok(f64::INFINITY);
        }
        let (jump, limit) = (self.weight as usize - 1, self.limit as usize);
        // From the top down each L(i) = shots[i] + stays[i] · L(i−1), with 1 − stays kept beside it as leaves[i], so
        // that the long run, where 1 − stays is tiny, is not a difference.
        let mut shots = vec![0.0; limit];
        let mut stays = vec![0.0; limit];
        let mut leaves = vec![1.0; limit];
        for i in (1..limit).rev() {
            let from_above = chained(i, jump, &shots, &stays, &leaves);
            let bottom = 1.0 - rate * from_above.stays;
            if let (Some(s), Some(b), Some(g)) = (shots.get_mut(i), stays.get_mut(i), leaves.get_mut(i)) {
                *s = (1.0 + rate * from_above.shots) / bottom;
                *b = (1.0 - rate) / bottom;
                *g = rate * from_above.leaves / bottom;
            }
        }
        let from_above = chained(0, jump, &shots, &stays, &leaves);
        Ok((1.0 + rate * from_above.shots) / (rate * from_above.leaves))
    }
}

/// L(i + jump) in terms of L(i).
struct Chained {
    shots: f64,
    stays: f64,
    leaves: f64,
}

fn chained(i: usize, jump: usize, shots: &[f64], stays: &[f64], leaves: &[f64]) -> Chained {
    // At the limit or beyond it has signalled.
    if i + jump >= shots.len() {
        return Chained { shots: 0.0, stays: 0.0, leaves: 1.0 };
    }
    let mut sum = Chained { shots: 0.0, stays: 1.0, leaves: 0.0 };
    let range = i + 1..=i + jump;
    let parts = [shots, stays, leaves].map(|part| part.get(range.clone()).unwrap_or_default());
    for ((shots, stays), leaves) in parts[0].iter().zip(parts[1]).zip(parts[2]).rev() {
        sum.shots += sum.stays * shots;
        sum.leaves += sum.stays * leaves;
        sum.stays *= stays;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limit_of_one_waits_for_the_first_failure() {
        let cusum = BernoulliCusum::new(25, 1).unwrap();
        assert!((cusum.average_run(0.01).unwrap() - 100.0).abs() < 1e-10);
        assert_eq!(cusum.average_run(1.0), Ok(1.0));
        assert_eq!(cusum.average_run(0.0), Ok(f64::INFINITY));
    }

    #[test]
    fn run_length_agrees_with_iterating_the_chain() {
        for (weight, limit, rate) in [(5, 9, 0.1), (2, 4, 0.3), (7, 6, 0.05), (4, 12, 0.4)] {
            let cusum = BernoulliCusum::new(weight, limit).unwrap();
            let mut at = vec![0.0; limit as usize];
            at[0] = 1.0;
            let mut want = 0.0;
            for _ in 0..200_000 {
                want += at.iter().sum::<f64>();
                let mut next = vec![0.0; limit as usize];
                for (sum, share) in (0..).zip(&at) {
                    for (failed, chance) in [(true, rate), (false, 1.0 - rate)] {
                        let to = cusum.next(sum, failed);
                        if !cusum.signals(to) {
                            next[to as usize] += share * chance;
                        }
                    }
                }
                at = next;
            }
            let got = cusum.average_run(rate).unwrap();
            assert!((got / want - 1.0).abs() < 1e-9, "{weight} {limit} {rate}: {got}, not {want}");
        }
    }

    #[test]
    fn limit_for_a_run_is_the_smallest() {
        let cusum = BernoulliCusum::for_rates(0.01, 0.10, 1000.0).unwrap();
        assert_eq!(cusum.weight(), 25);
        assert!(cusum.average_run(0.01).unwrap() >= 1000.0);
        let smaller = BernoulliCusum::new(25, cusum.limit() - 1).unwrap();
        assert!(smaller.average_run(0.01).unwrap() < 1000.0);
    }

    #[test]
    fn what_is_out_of_range_is_refused_by_name() {
        for (weight, limit) in [(1, 5), (0, 5), (5, 0), (20_000, 5), (5, 20_000)] {
            assert!(matches!(BernoulliCusum::new(weight, limit), Err(StatsError::BadCusum { .. })));
        }
        assert!(BernoulliCusum::new(5, 5).unwrap().average_run(f64::NAN).is_err());
        for run in [0.0, f64::NAN, f64::INFINITY] {
            assert!(matches!(BernoulliCusum::for_rates(0.01, 0.02, run), Err(StatsError::BadRun { .. })));
        }
        assert!(matches!(BernoulliCusum::for_rates(1e-6, 2e-6, 1e3), Err(StatsError::BadCusum { .. })));
    }
}
