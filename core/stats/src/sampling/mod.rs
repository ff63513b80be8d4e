//! Samples that decide on a lot: what a plan lets through, the plans of MIL-STD-105E, and the power to tell two apart.
//!
//! Shots use up what they test, so a lot that was not accepted cannot be sorted: average outgoing quality and total
//! inspection, which take that for granted, are not here. Not for proving a reliability: see `prove`.

mod mil_std_105e;
mod oc;
mod power;

use thiserror::Error;

pub use mil_std_105e::{
    AQLS, CODE_LETTERS, Inspection, InspectionLevel, LookedUp, UnknownWord, code_letter, mil_std_105e,
};
pub use oc::{AcceptancePlan, plan_for_risks};
pub use power::{MOST_FOR_POWER, PowerTest, power, shots_for_power};

use crate::error::StatsError;

/// Says what makes a question about sampling unanswerable.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum SamplingError {
    /// A sample of nothing.
    #[error("a sample has at least one piece")]
    EmptySample,
    /// As many failures allowed as pieces.
    #[error("{accept} failures allowed in {shots} shots accept everything")]
    AcceptsAll {
        /// The pieces.
        shots: u64,
        /// The failures allowed.
        accept: u64,
    },
    /// The AQL is not one of the table.
    #[error("the tables have no AQL of {aql} %; they have {}", AqlList)]
    NoSuchAql {
        /// The AQL given, in percent.
        aql: f64,
    },
    /// A lot that the tables do not have.
    #[error("the tables begin with lots of 2; a lot of {lot_size} is tested whole or not at all")]
    LotTooSmall {
        /// The size given.
        lot_size: u64,
    },
    /// No plan that is small enough.
    #[error("no plan of up to {most} shots keeps both risks")]
    NoPlan {
        /// The most shots that were considered.
        most: u64,
    },
    /// Two rates that are the same.
    #[error("rates of {rate} and {rate} cannot be told apart")]
    SameRates {
        /// The rate.
        rate: f64,
    },
    /// A number out of range.
    #[error(transparent)]
    Stats(#[from] StatsError),
}

/// The AQLs of the tables, for a message.
struct AqlList;

impl std::fmt::Display for AqlList {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let all: Vec<String> = AQLS.iter().map(f64::to_string).collect();
        f.write_str(&all.join(", "))
    }
}
