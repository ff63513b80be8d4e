//! What can be wrong with a question about failures in trials. Not for agreement tables: see `agreement`.

use thiserror::Error;

/// The largest number of trials, and the largest lot, that the exact methods take.
///
/// The accuracy is checked up to here (`tests/fixtures/binomial.csv`), and here the continued fraction takes
/// up to a thousand terms. Beyond, it takes more with the cube root of the trials, and nobody has checked.
pub const MAX_TRIALS: u64 = 10_000_000;

/// Says which argument makes a question about failures in trials unanswerable.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum StatsError {
    /// More failures than trials were given.
    #[error("there are {failures} failures in only {trials} trials")]
    MoreFailuresThanTrials {
        /// The failures given.
        failures: u64,
        /// The trials given.
        trials: u64,
    },
    /// More trials, or a larger lot, than [`MAX_TRIALS`].
    #[error("{trials} trials are more than the {most} this is made for")]
    TooManyTrials {
        /// The trials given.
        trials: u64,
        /// The most that is taken.
        most: u64,
    },
    /// The confidence is not strictly between 0 and 1.
    #[error("a confidence lies between 0 and 1, and {confidence} does not")]
    BadConfidence {
        /// The confidence given.
        confidence: f64,
    },
    /// The reliability is not strictly between 0 and 1.
    #[error("a reliability to prove lies between 0 and 1, and {reliability} does not")]
    BadReliability {
        /// The reliability given.
        reliability: f64,
    },
    /// The failure rate is not in [0, 1].
    #[error("a failure rate lies from 0 to 1, and {rate} does not")]
    BadRate {
        /// The rate given.
        rate: f64,
    },
    /// The probability is not strictly between 0 and 1.
    #[error("a probability to reach lies between 0 and 1, and {probability} does not")]
    BadProbability {
        /// The probability given.
        probability: f64,
    },
    /// The lot is empty.
    #[error("a lot of no pieces cannot be judged")]
    EmptyLot,
    /// More pieces were shot than the lot has.
    #[error("{shots} pieces cannot be shot from a lot of {lot_size}")]
    MoreShotsThanLot {
        /// The pieces shot.
        shots: u64,
        /// The pieces in the lot.
        lot_size: u64,
    },
    /// No number of shots that may be fired proves the claim.
    #[error("no number of shots up to {most} proves this")]
    CannotBeProved {
        /// The most shots that were considered.
        most: u64,
    },
    /// One of the groups to compare was never tried.
    #[error("a group without trials cannot be compared")]
    EmptyGroup,
    /// No stratum, its margins given, could have come out in more than one way.
    #[error("no stratum says anything: each lacks a group, or failures, or anything but failures")]
    NoInformativeStratum,
    /// Too few strata say something to ask whether they say the same.
    #[error("to ask whether strata are alike takes two that say something; there are {informative}")]
    TooFewStrata {
        /// The strata that say something.
        informative: usize,
    },
    /// The common odds ratio is 0 or infinite, so nothing can be expected from it.
    #[error("all failures that could be compared are in one group, so the strata cannot be told apart")]
    OneSidedStrata,
    /// There is no trend in what never varies: nothing failed, or everything, or all scores are the same.
    #[error("a trend takes failures, others that did not fail, and scores that differ")]
    NothingVaries,
    /// A score is not a finite number.
    #[error("a score is a finite number, and {score} is not")]
    BadScore {
        /// The score given.
        score: f64,
    },
    /// A p-value is not in [0, 1].
    #[error("a p-value lies from 0 to 1, and {p} does not")]
    BadPValue {
        /// The p-value given.
        p: f64,
    },
    /// The two rates of a sequential test are not 0 < good < bad < 1.
    #[error("a good rate of {good} and a bad one of {bad} are not 0 < good < bad < 1")]
    RatesNotApart {
        /// The good rate given.
        good: f64,
        /// The bad rate given.
        bad: f64,
    },
    /// The two risks of a sequential test are not above 0 and below 1 together.
    #[error("risks of {alpha} and {beta} are not both above 0 and together below 1")]
    BadRisks {
        /// The risk of rejecting what is good.
        alpha: f64,
        /// The risk of accepting what is bad.
        beta: f64,
    },
    /// The number of shots between two false alarms is no number from 1 up.
    #[error("shots between false alarms are a finite number from 1 up, and {run} is not")]
    BadRun {
        /// The number given.
        run: f64,
    },
    /// The weight or the limit of a cumulative sum is out of range.
    #[error("a failure weighs from 2 to {most} and the limit lies from 1 to {most}; {weight} and {limit} do not")]
    BadCusum {
        /// The weight given.
        weight: u64,
        /// The limit given.
        limit: u64,
        /// The most that either may be.
        most: u64,
    },
}

pub(crate) fn check_counts(failures: u64, trials: u64) -> Result<(), StatsError> {
    if failures > trials {
        return Err(StatsError::MoreFailuresThanTrials { failures, trials });
    }
    check_size(trials)
}

pub(crate) fn check_size(trials: u64) -> Result<(), StatsError> {
    if trials > MAX_TRIALS {
        return Err(StatsError::TooManyTrials { trials, most: MAX_TRIALS });
    }
    Ok(())
}

pub(crate) fn check_confidence(confidence: f64) -> Result<(), StatsError> {
    if inside_unit(confidence) { Ok(()) } else { Err(StatsError::BadConfidence { confidence }) }
}

pub(crate) fn check_reliability(reliability: f64) -> Result<(), StatsError> {
    if inside_unit(reliability) { Ok(()) } else { Err(StatsError::BadReliability { reliability }) }
}

pub(crate) fn check_rate(rate: f64) -> Result<(), StatsError> {
    // Written so that NaN is refused too.
    if (0.0..=1.0).contains(&rate) { Ok(()) } else { Err(StatsError::BadRate { rate }) }
}

pub(crate) fn check_probability(probability: f64) -> Result<(), StatsError> {
    if inside_unit(probability) { Ok(()) } else { Err(StatsError::BadProbability { probability }) }
}

fn inside_unit(value: f64) -> bool {
    value > 0.0 && value < 1.0
}
