//! Single sampling plans and their operating characteristic: with which probability a lot of a quality is accepted.

use super::SamplingError;
use crate::error::{MAX_TRIALS, StatsError, check_probability, check_rate, check_size};
use crate::hypergeometric::at_most;
use crate::special::{beta_tails, beta_upper_quantile};

/// Failures allowed beyond which no plan is looked for.
const MOST_ALLOWED: u64 = 2_000;

/// A single sampling plan: fire so many, accept with at most so many failures.
///
/// INVARIANT: `shots` from 1 to [`MAX_TRIALS`], `accept` below `shots`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct AcceptancePlan {
    shots: u64,
    accept: u64,
}

impl AcceptancePlan {
    /// Returns the plan.
    ///
    /// # Errors
    /// [`SamplingError::EmptySample`], [`SamplingError::AcceptsAll`], [`StatsError::TooManyTrials`].
    pub fn new(shots: u64, accept: u64) -> Result<Self, SamplingError> {
        check_size(shots)?;
        if shots == 0 {
            return Err(SamplingError::EmptySample);
        }
        if accept >= shots {
            return Err(SamplingError::AcceptsAll { shots, accept });
        }
        Ok(Self { shots, accept })
    }

    /// Returns how many are fired.
    #[must_use]
    pub const fn shots(self) -> u64 {
        self.shots
    }

    /// Returns with how many failures at most the lot is accepted.
    #[must_use]
    pub const fn accept(self) -> u64 {
        self.accept
    }

    /// Returns the probability of accepting a supply of failure rate `rate`, without end: binomial.
    ///
    /// # Errors
    /// [`StatsError::BadRate`].
    ///
    /// # Source
    /// P(X ≤ c | n, p): NIST/SEMATECH e-Handbook 6.2.3.2.
    pub fn accepts(self, rate: f64) -> Result<f64, SamplingError> {
        check_rate(rate)?;
        let (a, b) = self.shapes();
        Ok(beta_tails(a, b, rate, 1.0 - rate).upper)
    }

    /// Returns the probability of accepting a lot of `lot_size` that has `bad`: hypergeometric.
    ///
    /// # Errors
    /// [`StatsError::MoreShotsThanLot`], [`StatsError::MoreFailuresThanTrials`] for more bad ones than the lot has,
    /// [`StatsError::TooManyTrials`].
    pub fn accepts_lot(self, lot_size: u64, bad: u64) -> Result<f64, SamplingError> {
        check_size(lot_size)?;
        if self.shots > lot_size {
            return Err(StatsError::MoreShotsThanLot { shots: self.shots, lot_size }.into());
        }
        if bad > lot_size {
            return Err(StatsError::MoreFailuresThanTrials { failures: bad, trials: lot_size }.into());
        }
        Ok(at_most(self.accept, lot_size, bad, self.shots))
    }

    /// Returns the failure rate that is accepted with a probability, in (0, 1): 0.95 gives the quality that a maker
    /// may count on, 0.10 the one that the crew is protected from. Binomial.
    ///
    /// # Errors
    /// [`StatsError::BadProbability`].
    pub fn rate_accepted_with(self, probability: f64) -> Result<f64, SamplingError> {
        check_probability(probability)?;
        let (a, b) = self.shapes();
        Ok(beta_upper_quantile(a, b, probability))
    }

    fn shapes(self) -> (f64, f64) {
        ((self.accept + 1) as f64, (self.shots - self.accept) as f64)
    }
}

/// Returns the plan of the fewest shots that accepts the rate `good` with probability 1 − `alpha` at least, and the
/// rate `bad` with `beta` at most. Binomial.
///
/// # Errors
/// [`StatsError::RatesNotApart`], [`StatsError::BadRisks`], [`SamplingError::NoPlan`].
///
/// # Source
/// NIST/SEMATECH e-Handbook 6.2.3.1, by search in place of the nomograph; checked against `find.plan` of Kiermeier, J.
/// Stat. Softw. 26(6) (2008).
pub fn plan_for_risks(good: f64, alpha: f64, bad: f64, beta: f64) -> Result<AcceptancePlan, SamplingError> {
    if !(0.0 < good && good < bad && bad < 1.0) {
        return Err(StatsError::RatesNotApart { good, bad }.into());
    }
    if !(alpha > 0.0 && beta > 0.0 && alpha + beta < 1.0) {
        return Err(StatsError::BadRisks { alpha, beta }.into());
    }
    for accept in 0..=MOST_ALLOWED {
        // The fewest shots that keep the crew's risk, by the same search as a proof.
        let shots = match crate::shots_to_prove(1.0 - bad, 1.0 - beta, accept) {
            Ok(shots) => shots,
            Err(StatsError::CannotBeProved { most }) => return Err(SamplingError::NoPlan { most }),
            Err(other) => return Err(other.into()),
        };
        let plan = AcceptancePlan::new(shots, accept)?;
        if plan.accepts(good)? >= (1.0 - alpha) * (1.0 - 1e-12) {
            return Ok(plan);
        }
    }
    Err(SamplingError::NoPlan { most: MAX_TRIALS })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plan_that_is_none_is_refused_by_name() {
        assert_eq!(AcceptancePlan::new(0, 0), Err(SamplingError::EmptySample));
        assert_eq!(AcceptancePlan::new(3, 3), Err(SamplingError::AcceptsAll { shots: 3, accept: 3 }));
        let plan = AcceptancePlan::new(10, 1).unwrap();
        assert_eq!((plan.accepts(0.0), plan.accepts(1.0)), (Ok(1.0), Ok(0.0)));
        assert!(
            plan.accepts(f64::NAN).is_err() && plan.accepts_lot(9, 0).is_err() && plan.accepts_lot(20, 21).is_err()
        );
        assert!(plan_for_risks(0.1, 0.05, 0.1, 0.1).is_err() && plan_for_risks(0.01, 0.5, 0.1, 0.5).is_err());
        // So near that thousands of failures would have to be allowed.
        assert!(matches!(plan_for_risks(0.1, 0.01, 0.101, 0.01), Err(SamplingError::NoPlan { .. })));
    }

    #[test]
    fn rate_of_a_probability_leads_back_to_it() {
        for (shots, accept) in [(1, 0), (13, 0), (125, 3), (2_000, 21)] {
            let plan = AcceptancePlan::new(shots, accept).unwrap();
            for probability in [0.99, 0.95, 0.5, 0.1, 0.01] {
                let rate = plan.rate_accepted_with(probability).unwrap();
                assert!((plan.accepts(rate).unwrap() / probability - 1.0).abs() < 1e-11);
            }
        }
    }

    #[test]
    fn whole_lot_fired_is_accepted_or_not_for_sure() {
        let plan = AcceptancePlan::new(20, 2).unwrap();
        assert_eq!((plan.accepts_lot(20, 2), plan.accepts_lot(20, 3)), (Ok(1.0), Ok(0.0)));
    }
}
