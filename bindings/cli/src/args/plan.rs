//! Options for planning tests.

use clap::{Args, Subcommand};

#[derive(Debug, Args)]
pub(crate) struct PlanArgs {
    #[command(subcommand)]
    pub(crate) action: PlanAction,
}

#[derive(Debug, Subcommand)]
pub(crate) enum PlanAction {
    /// How many shots prove a reliability with a confidence
    Prove {
        /// Reliability to prove, such as 0.95
        #[arg(long)]
        reliability: f64,
        /// Confidence, such as 0.95
        #[arg(long)]
        confidence: f64,
        /// Failures allowed among them
        #[arg(long, default_value_t = 0)]
        failures: u64,
        /// Size of the lot, if the shots are a sample of it
        #[arg(long, value_name = "N")]
        lot_size: Option<u64>,
    },
    /// What the shots of a lot that are in the log have proved, and how many more it takes
    Record {
        /// The lot
        #[arg(long)]
        lot: String,
        /// Reliability to prove, such as 0.95
        #[arg(long)]
        reliability: f64,
        /// Confidence, such as 0.95
        #[arg(long)]
        confidence: f64,
        /// Size of the lot before the first shot, if the answer is to be the lot's own
        #[arg(long, value_name = "N")]
        lot_size: Option<u64>,
        /// ignition, slow, transfer or end-to-end
        #[arg(long, default_value = "ignition")]
        measure: String,
        /// Only shots of this group, such as fuse=cord (again for more)
        #[arg(long = "where", value_name = "KEY=VALUE")]
        only: Vec<String>,
    },
    /// The single sampling plan of MIL-STD-105E for a lot, and what it lets through
    Sample {
        /// Size of the lot
        #[arg(long, value_name = "N")]
        lot_size: u64,
        /// Acceptable quality level in percent: 0.01, 0.015, 0.025 … 1, 1.5, 2.5, 4, 6.5 or 10
        #[arg(long, value_name = "PERCENT")]
        aql: f64,
        /// Inspection level: I, II, III, S-1, S-2, S-3 or S-4
        #[arg(long, default_value = "II")]
        level: String,
        /// normal, tightened or reduced
        #[arg(long, default_value = "normal")]
        inspection: String,
    },
    /// With which probability a sampling plan accepts lots of any quality
    Oc {
        /// How many are fired
        #[arg(long, value_name = "N")]
        shots: u64,
        /// With how many failures at most the lot is accepted
        #[arg(long, value_name = "C")]
        accept: u64,
        /// Size of the lot, if the shots are a sample of it
        #[arg(long, value_name = "N")]
        lot_size: Option<u64>,
    },
    /// The sampling plan of the fewest shots for two qualities and two risks
    Design {
        /// Failure rate that should be accepted
        #[arg(long, value_name = "RATE")]
        good: f64,
        /// Failure rate that should be rejected
        #[arg(long, value_name = "RATE")]
        bad: f64,
        /// Risk of rejecting the good one
        #[arg(long, default_value_t = 0.05, value_name = "P")]
        alpha: f64,
        /// Risk of accepting the bad one
        #[arg(long, default_value_t = 0.10, value_name = "P")]
        beta: f64,
        /// Size of the lot, for its own curve
        #[arg(long, value_name = "N")]
        lot_size: Option<u64>,
    },
    /// How many shots of each of two lots tell their failure rates apart
    Power {
        /// Failure rate of the one
        #[arg(long, value_name = "RATE")]
        first: f64,
        /// Failure rate of the other
        #[arg(long, value_name = "RATE")]
        second: f64,
        /// Probability of finding the difference
        #[arg(long, default_value_t = 0.8, value_name = "P")]
        power: f64,
        /// Shots of each lot, to ask for the power instead: N, or N,M
        #[arg(long, value_name = "N", value_delimiter = ',', num_args = 1, conflicts_with = "power")]
        shots: Vec<u64>,
        /// Level of the two-sided test
        #[arg(long, default_value_t = 0.05, value_name = "P")]
        alpha: f64,
        /// boschloo or fisher
        #[arg(long, default_value = "boschloo")]
        test: String,
    },
}
