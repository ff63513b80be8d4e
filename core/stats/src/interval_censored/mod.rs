//! Times that are known only to lie between two ends: what was read off frames or by a stopwatch.
//!
//! | question | answer |
//! | --- | --- |
//! | How are the times distributed, whatever their shape? | [`turnbull`] |
//! | And if they are log-normal or Weibull? | [`LogFit`] |
//! | How many are slower than a limit, under which time are 95 % of them? | [`LogFit`], [`order_statistic_bound`], [`log_normal_bound`] |
//! | How far apart are those of one volley? | [`volley_spread`] |
//! | Are two lots alike? | [`log_rank`], [`two_fits`] |
//!
//! Not for times that may be missing because they were long: an end that is not known is given as infinite. All times
//! are taken as independent, also those of one volley, except by [`volley_spread`].

mod law;
mod log_fit;
mod log_rank;
mod newton;
mod spread;
mod tolerance;
mod turnbull;

use thiserror::Error;

pub use law::Law;
pub use log_fit::{Bound, LogFit, TwoFits, two_fits};
pub use log_rank::{LogRank, MOST_ARRANGEMENTS, log_rank};
pub use spread::{VolleySpread, volley_spread};
pub use tolerance::{
    MOST_FOR_FACTOR, fewest_for_order_bound, log_normal_bound, order_statistic_bound, tolerance_factor,
};
pub use turnbull::{LARGEST_GAP, Mass, Turnbull, turnbull};

use crate::error::StatsError;

/// Says what makes a question about times unanswerable.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum TimesError {
    /// The ends of a time are not 0 ≤ low ≤ high with a finite low end.
    #[error("a time from {low} to {high} is none: 0 ≤ low ≤ high, and only the high end may be infinite")]
    BadTime {
        /// The low end given.
        low: f64,
        /// The high end given.
        high: f64,
    },
    /// A time of exactly 0 has no logarithm.
    #[error("a time of exactly 0 is not possible: give it as from 0 to what can be told apart from 0")]
    ExactZero,
    /// No times at all.
    #[error("there are no times")]
    NoTimes,
    /// All intervals have a time in common, so nothing speaks against all times being that one.
    #[error(
        "all intervals have a time in common, from {low} to {high}: they do not show that the times differ at all, so \
         no distribution can be fitted. Measure more finely, or more"
    )]
    NoSpread {
        /// From when on all could be alike.
        low: f64,
        /// To when.
        high: f64,
    },
    /// The likelihood rises without end as the spread grows.
    #[error("the times say nothing of how far they spread: no fit")]
    NoFit,
    /// The search did not come to an end.
    #[error("the search for the best fit did not settle after {steps} steps")]
    NotSettled {
        /// The steps made.
        steps: u32,
    },
    /// A limit is not a finite time above 0.
    #[error("a limit is a finite time above 0, and {limit} is not")]
    BadLimit {
        /// The limit given.
        limit: f64,
    },
    /// A bound that needs times that are known exactly.
    #[error("this bound takes times known exactly; {intervals} are intervals")]
    NotExact {
        /// How many are not exact.
        intervals: usize,
    },
    /// Fewer times than it takes.
    #[error("this takes at least {needed} times, and there are {given}")]
    TooFew {
        /// How many it takes.
        needed: u64,
        /// How many there are.
        given: u64,
    },
    /// More times than it takes.
    #[error("this takes at most {most} times, and there are {given}")]
    TooMany {
        /// The most that is taken.
        most: u64,
        /// How many there are.
        given: u64,
    },
    /// All exact times are the same.
    #[error("all times are the same, so they have no spread")]
    AllAlike,
    /// A confidence or a share is out of range.
    #[error(transparent)]
    Stats(#[from] StatsError),
}

/// Holds one time: more than `low` and at most `high`, or exactly `low` where both are the same.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CensoredTime {
    low: f64,
    high: f64,
}

impl CensoredTime {
    /// Returns the time between two ends, in any unit; `high` may be infinite.
    ///
    /// # Errors
    /// [`TimesError::BadTime`], [`TimesError::ExactZero`].
    pub fn new(low: f64, high: f64) -> Result<Self, TimesError> {
        // Written so that NaN is refused too.
        if !(low >= 0.0 && low.is_finite() && high >= low) {
            return Err(TimesError::BadTime { low, high });
        }
        if high == 0.0 {
            return Err(TimesError::ExactZero);
        }
        Ok(Self { low, high })
    }

    /// Returns the low end.
    #[must_use]
    pub const fn low(self) -> f64 {
        self.low
    }

    /// Returns the high end.
    #[must_use]
    pub const fn high(self) -> f64 {
        self.high
    }

    /// Tells whether the time is known exactly.
    #[must_use]
    pub fn is_exact(self) -> bool {
        self.low == self.high
    }
}

/// Holds times, each different one once with how often it came: from frames, many are the same.
#[derive(Debug, Clone, PartialEq)]
pub struct CensoredSample {
    /// In order of the low ends, then the high ones.
    distinct: Vec<(CensoredTime, f64)>,
    len: u64,
}

impl CensoredSample {
    /// Gathers times; their order does not matter.
    ///
    /// # Errors
    /// [`TimesError::NoTimes`].
    pub fn new(times: &[CensoredTime]) -> Result<Self, TimesError> {
        if times.is_empty() {
            return Err(TimesError::NoTimes);
        }
        let mut sorted = times.to_vec();
        sorted.sort_unstable_by(|a, b| a.low.total_cmp(&b.low).then(a.high.total_cmp(&b.high)));
        let mut distinct: Vec<(CensoredTime, f64)> = Vec::new();
        for time in sorted {
            match distinct.last_mut() {
                Some((last, count)) if *last == time => *count += 1.0,
                _ => distinct.push((time, 1.0)),
            }
        }
        Ok(Self { distinct, len: times.len() as u64 })
    }

    /// Returns how many times there are; never 0.
    #[must_use]
    #[expect(clippy::len_without_is_empty, reason = "a sample is never empty")]
    pub const fn len(&self) -> u64 {
        self.len
    }

    /// Returns the different times with how often each came, in order.
    pub fn distinct(&self) -> impl ExactSizeIterator<Item = (CensoredTime, f64)> + '_ {
        self.distinct.iter().copied()
    }

    /// Returns each time as often as it came, in order.
    pub fn each(&self) -> impl Iterator<Item = CensoredTime> + '_ {
        self.distinct().flat_map(|(time, count)| std::iter::repeat_n(time, count as usize))
    }

    /// Returns the times from which and to which all of them could be alike; nothing if they cannot.
    fn common(&self) -> Option<(f64, f64)> {
        let low = self.distinct().map(|(t, _)| t.low).fold(0.0, f64::max);
        let high = self.distinct().map(|(t, _)| t.high).fold(f64::INFINITY, f64::min);
        (low <= high).then_some((low, high))
    }
}

fn check_limit(limit: f64) -> Result<(), TimesError> {
    if limit > 0.0 && limit.is_finite() { Ok(()) } else { Err(TimesError::BadLimit { limit }) }
}
