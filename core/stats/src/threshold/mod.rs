//! Threshold tests: at what level (a current, a voltage, an energy) does a piece fire, and how does that level spread?
//!
//! A piece is tried once, at one level, and fires or does not. The share that fires at level x is taken to be
//! F((x − mean) / spread), with F normal (probit) or logistic (logit).
//!
//! | question | answer |
//! | --- | --- |
//! | mean and spread by maximum likelihood, from any plan | [`fit_threshold`] |
//! | the level at which a share fires, with a confidence limit | [`ThresholdFit::level`] |
//! | the same by hand from an up-and-down test | [`dixon_mood`] |
//! | at which level to try the next piece | [`next_up_down`], [`next_langlie`], [`next_d_optimal`] |
//!
//! **All-fire and no-fire level**: here the level at which at least 0.999 (at most 0.001) fire, with 95 % confidence,
//! unless the caller names other numbers. 0.999 at 95 % is the reliability of 14 CFR part 417, appendix D, D417.5(a);
//! "usually defined as the level to cause 99.9 % of the specimens to fire (some seek 99.99 or 99.9999 %)": Neyer,
//! Technometrics 36 (1994) 61–70, p. 61. Both lie far outside what a few dozen shots reach: they rest on the shape of F.

mod d_optimal;
mod fit;
mod langlie;
mod level;
mod link;
mod up_down;

use thiserror::Error;

pub use d_optimal::{DOptimalGuess, NextLevel, SearchPhase, next_d_optimal};
pub use fit::{ThresholdFit, fit_threshold};
pub use langlie::next_langlie;
pub use level::LevelLimits;
pub use link::{Link, normal_tail};
pub use up_down::{DixonMood, dixon_mood, next_up_down};

/// What was tried at one level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trials {
    /// The level.
    pub level: f64,
    /// How many fired.
    pub fired: u64,
    /// How many were tried.
    pub tried: u64,
}

impl Trials {
    /// One piece.
    #[must_use]
    pub fn one(level: f64, fired: bool) -> Self {
        Self { level, fired: u64::from(fired), tried: 1 }
    }

    fn failed(&self) -> u64 {
        self.tried.saturating_sub(self.fired)
    }
}

/// What makes a question about a threshold unanswerable.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum ThresholdError {
    /// Nothing was tried.
    #[error("nothing was tried")]
    NothingTried,
    /// A level is not a finite number.
    #[error("a level is a finite number, and {level} is not")]
    BadLevel {
        /// The level given.
        level: f64,
    },
    /// More fired than were tried.
    #[error("{fired} fired of only {tried}")]
    MoreFiredThanTried {
        /// Those that fired.
        fired: u64,
        /// Those tried.
        tried: u64,
    },
    /// All fired, or none.
    #[error("all that was tried {what}: there is no level between; try {where_to} levels", what = if *.all_fired { "fired" } else { "failed" }, where_to = if *.all_fired { "lower" } else { "higher" })]
    OneOutcome {
        /// Whether all fired.
        all_fired: bool,
    },
    /// No failure at or above a level at which another fired: any spread down to nothing fits, so none is best.
    #[error(
        "there is no overlap: everything up to {highest_failure} failed and everything from {lowest_fire} fired. The \
         threshold lies between, and the spread cannot be told; try more pieces between the two"
    )]
    NoOverlap {
        /// The highest level at which one failed.
        highest_failure: f64,
        /// The lowest level at which one fired.
        lowest_fire: f64,
    },
    /// More fire at low levels than at high ones.
    #[error("the share that fires does not rise with the level, so there is no threshold in these data")]
    NotRising,
    /// The estimate ran away.
    #[error("the likelihood has no maximum that could be found")]
    NotFound,
    /// A share or a confidence is not between 0 and 1.
    #[error("a share and a confidence lie between 0 and 1, and {value} does not")]
    BadShare {
        /// The value given.
        value: f64,
    },
    /// A step is not above 0.
    #[error("a step is a number above 0, and {step} is not")]
    BadStep {
        /// The step given.
        step: f64,
    },
    /// Limits are not in order.
    #[error("the limits {low} and {high} are not two numbers in rising order")]
    BadLimits {
        /// The lower one.
        low: f64,
        /// The upper one.
        high: f64,
    },
    /// The levels are not the steps of one ladder.
    #[error("{level} is not on the ladder of steps of {step} that the other levels stand on")]
    OffLadder {
        /// The level.
        level: f64,
        /// The step.
        step: f64,
    },
}

/// Checks trials and leaves out levels at which nothing was tried.
fn checked(trials: &[Trials]) -> Result<Vec<Trials>, ThresholdError> {
    for t in trials {
        if !t.level.is_finite() {
            return Err(ThresholdError::BadLevel { level: t.level });
        }
        if t.fired > t.tried {
            return Err(ThresholdError::MoreFiredThanTried { fired: t.fired, tried: t.tried });
        }
    }
    let tried: Vec<Trials> = trials.iter().copied().filter(|t| t.tried > 0).collect();
    if tried.is_empty() { Err(ThresholdError::NothingTried) } else { Ok(tried) }
}

/// Returns the highest level with a failure and the lowest with a fire.
fn extremes(trials: &[Trials]) -> Result<(f64, f64), ThresholdError> {
    let failures = trials.iter().filter(|t| t.failed() > 0).map(|t| t.level);
    let fires = trials.iter().filter(|t| t.fired > 0).map(|t| t.level);
    match (failures.reduce(f64::max), fires.reduce(f64::min)) {
        (Some(failure), Some(fire)) => Ok((failure, fire)),
        (failure, _) => Err(ThresholdError::OneOutcome { all_fired: failure.is_none() }),
    }
}
