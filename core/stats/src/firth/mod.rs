//! Logistic regression with Firth's penalty: finite answers where a term parts failures from the rest, which is the
//! normal case with few failures.
//!
//! Not for choosing terms, not for shots that depend on each other within a volley, and not a cause: a term that
//! failures go with. Predictions are drawn a little towards one half, so small rates come out a little too high.

mod design;
mod fit;
mod profile;
mod square;

use thiserror::Error;

pub use design::{BinomialGroup, MAX_TERMS};
pub use fit::{FirthFit, LikelihoodRatio, firth_logistic, firth_logistic_screened};
pub use profile::{ProfileInterval, RatePrediction};

/// Says why there is no model.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum FirthError {
    /// No group has a trial.
    #[error("there is no shot to fit a model to")]
    NoTrials,
    /// More failures than trials in a group.
    #[error("group {group} has more failures than trials")]
    MoreFailuresThanTrials {
        /// The group, counted from 0.
        group: usize,
    },
    /// A group has not as many values as there are terms.
    #[error("group {group} has {found} values and should have {wanted}")]
    WrongLength {
        /// The group, counted from 0.
        group: usize,
        /// The values it has.
        found: usize,
        /// The values it should have.
        wanted: usize,
    },
    /// No terms, or more than [`MAX_TERMS`].
    #[error("a model has from 1 to {most} terms, and {terms} are too many or none")]
    BadTerms {
        /// The terms given.
        terms: usize,
        /// The most that are taken.
        most: usize,
    },
    /// A value is not a finite number.
    #[error("value {term} of group {group} is not a finite number")]
    BadValue {
        /// The group, counted from 0.
        group: usize,
        /// The term, counted from 0.
        term: usize,
    },
    /// A term is a sum of others, or never varies beside the constant.
    #[error("term {term} says nothing that the terms before it do not say already; leave it out")]
    Redundant {
        /// The term, counted from 0.
        term: usize,
    },
    /// The confidence is not strictly between 0 and 1.
    #[error("a confidence lies between 0 and 1, and {confidence} does not")]
    BadConfidence {
        /// The confidence given.
        confidence: f64,
    },
    /// The search did not come to rest.
    #[error("the model did not settle in {steps} steps; leave out terms, or bring values nearer to 1")]
    NotConverged {
        /// The steps taken.
        steps: u32,
    },
}
