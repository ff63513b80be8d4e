//! The commands and their options, one subject a file.

mod crew;
mod field;
mod files;
mod link;
mod people;
mod plan;
mod rates;
mod register;

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

pub(crate) use crew::*;
pub(crate) use field::*;
pub(crate) use files::*;
pub(crate) use link::*;
pub(crate) use people::*;
pub(crate) use plan::*;
pub(crate) use rates::*;
pub(crate) use register::*;

/// A crew's log of electric igniter shots: written offline, merged without loss, read as failure rates.
///
/// It records and reckons; it never fires anything, and no number here is a permission.
#[derive(Debug, Parser)]
#[command(name = "embertally", version, propagate_version = true, max_term_width = 100)]
pub(crate) struct Cli {
    /// Folder of the log [default: embertally in the user's data folder]
    #[arg(long, global = true, env = "EMBERTALLY_LOG", value_name = "DIR", hide_env_values = true)]
    pub(crate) log: Option<PathBuf>,
    /// Print one JSON object instead of a table
    #[arg(long, global = true)]
    pub(crate) json: bool,
    #[command(subcommand)]
    pub(crate) command: Command,
}

#[derive(Debug, Subcommand)]
#[expect(clippy::large_enum_variant, reason = "made once, from the command line")]
pub(crate) enum Command {
    /// Tell the whole story on invented data, in a log of its own
    Demo(DemoArgs),
    /// List the members and devices of the crew, add one, or say what a device may do
    Crew(CrewArgs),
    /// Show what is kept apart: entries that do not count, and why
    Apart,
    /// Close an outing: what counts in it now is fixed under the chief's signature
    Seal(SealArgs),
    /// Check every signature and seal of this log, of a carry file, or of a report
    Verify(VerifyArgs),
    /// Show all that the log holds about one person; with --json, to hand it over
    Person(PersonArgs),
    /// Forget a person's name, for good, on every device
    Forget(ForgetArgs),
    /// List igniter types, or add one
    Type(TypeArgs),
    /// List lots, or add or describe one
    Lot(LotArgs),
    /// List fuses, or add one
    Fuse(FuseArgs),
    /// List firing modules, or add one
    Module(ModuleArgs),
    /// List outings, begin one, or go to one
    Outing(OutingArgs),
    /// Log one volley: one pulse on one channel
    Volley(VolleyArgs),
    /// Add what somebody else saw of a volley that is in the log
    Sight(SightArgs),
    /// Decide a dispute, a cause, or whether two volleys are one
    Rule(RuleArgs),
    /// Log a reading of a failed shot's bridge, taken afterwards
    Bridge(crate::commands::BridgeArgs),
    /// Take back a fact; it stays visible and no longer counts
    Withdraw(WithdrawArgs),
    /// Log a weather reading, or a file of them
    Weather(WeatherArgs),
    /// Say that shots on the live list were made safe
    Safe(SafeArgs),
    /// Take in a CSV or JSON lines file of shots
    Import(ImportArgs),
    /// Write all shots to a file
    Export(ExportArgs),
    /// Show failure rates with intervals
    Rates(RatesArgs),
    /// Show pairings of lot and fuse, worst first, each with a verdict
    Pairings(PairingsArgs),
    /// Set two lots, fuses or others side by side: difference, exact test, strata
    Compare(crate::commands::CompareArgs),
    /// Show which of lot, fuse, weather, age and wiring failures go with, and what to expect
    Model(crate::commands::ModelArgs),
    /// Test a lot shot by shot: accept, reject or go on, and whether it is going bad
    Watch(crate::commands::WatchArgs),
    /// Show delays: how they are spread, how many are slower than a limit, bounds, two lots side by side
    Delays(crate::commands::DelaysArgs),
    /// Show the strengths of those that fired, or two lots' side by side
    Strength(crate::commands::StrengthArgs),
    /// Strings: will this one fire, how long may one be, why did this one break
    String(crate::commands::StringArgs),
    /// Threshold tests: mean, spread, all-fire and no-fire level, and the next level to try
    Threshold(crate::commands::ThresholdArgs),
    /// Show what the crew disagrees about, and what is proposed to be one
    Disputes,
    /// Show what is still live on the field
    Live(LiveArgs),
    /// Work out how many to test: proofs, sampling plans, power
    Plan(PlanArgs),
    /// Write a self-contained page with tables and charts
    Report(ReportArgs),
    /// Write everything this device knows to a carry file
    Carry(CarryArgs),
    /// Take in a carry file from another device
    Absorb(AbsorbArgs),
    /// Run the server where crews' logs meet
    Serve(ServeArgs),
    /// Meet the crew's server: give what it lacks, take what is new
    Sync(SyncArgs),
    /// Meet the crew's other devices on this network, with no server
    Nearby(NearbyArgs),
    /// Print a completion script for a shell
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Print the manual page
    Man,
}

#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    /// Keep the demo's log in this folder, which must be new or empty [default: a temporary one, removed again]
    #[arg(long, value_name = "DIR")]
    pub(crate) keep: Option<PathBuf>,
    /// Open the season in the web shell: serve it on this machine alone, until Ctrl-C
    #[arg(long)]
    pub(crate) serve: bool,
    /// The port to serve it on [default: a free one]
    #[arg(long, default_value_t = 0, hide_default_value = true, requires = "serve")]
    pub(crate) port: u16,
}
