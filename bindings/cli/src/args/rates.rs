//! Options for what is worked out: rates, pairings.

use clap::Args;

#[derive(Debug, Args)]
pub(crate) struct IntervalArgs {
    /// exact (Clopper–Pearson), wilson or jeffreys
    #[arg(long, default_value = "exact")]
    pub(crate) interval: String,
    /// Confidence of the interval
    #[arg(long, default_value_t = 0.95)]
    pub(crate) level: f64,
    /// Only shots of this group, such as lot=KB-104 (again for more)
    #[arg(long = "where", value_name = "KEY=VALUE")]
    pub(crate) only: Vec<String>,
}

#[derive(Debug, Args)]
pub(crate) struct RatesArgs {
    /// By what: lot, fuse, type, module, outing, wiring, weather, wet, temperature, humidity, wind
    #[arg(long, value_delimiter = ',', default_value = "lot,fuse,weather")]
    pub(crate) by: Vec<String>,
    /// ignition, slow, transfer, end-to-end or raw (ignition without attribution)
    #[arg(long, default_value = "ignition")]
    pub(crate) measure: String,
    /// What makes up the weather: wet, temperature, humidity, wind
    #[arg(long, value_delimiter = ',', default_value = "wet,temperature")]
    pub(crate) weather_parts: Vec<String>,
    #[command(flatten)]
    pub(crate) interval: IntervalArgs,
}

#[derive(Debug, Args)]
pub(crate) struct RuleNumbers {
    /// Failure rate that the crew tolerates
    #[arg(long, default_value_t = 0.02)]
    pub(crate) tolerable: f64,
    /// Set aside where the chance of being above it is at least this
    #[arg(long, default_value_t = 0.95, value_name = "P")]
    pub(crate) set_aside_from: f64,
    /// Restrict where something failed and that chance is at least this
    #[arg(long, default_value_t = 0.5, value_name = "P")]
    pub(crate) restrict_from: f64,
    /// Use where that chance is at most this
    #[arg(long, default_value_t = 0.05, value_name = "P")]
    pub(crate) use_up_to: f64,
}

#[derive(Debug, Args)]
pub(crate) struct PairingsArgs {
    #[command(flatten)]
    pub(crate) rules: RuleNumbers,
    /// Judge by one measure [default: ignition and transfer side by side]
    #[arg(long)]
    pub(crate) measure: Option<String>,
    #[command(flatten)]
    pub(crate) interval: IntervalArgs,
}
