//! Options of the register: members, igniter types, lots, fuses, firing modules, outings.

use clap::{Args, Subcommand};

#[derive(Debug, Args)]
pub(crate) struct TypeArgs {
    #[command(subcommand)]
    pub(crate) action: Option<TypeAction>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum TypeAction {
    /// Add an igniter type with its stated values
    Add {
        /// What the crew calls it
        name: String,
        /// Bridge resistance, ohm
        #[arg(long, value_name = "OHM")]
        bridge_ohm: Option<f64>,
        /// Largest current at which it must not fire, ampere
        #[arg(long, value_name = "A")]
        no_fire_a: Option<f64>,
        /// Smallest current at which it must fire, ampere
        #[arg(long, value_name = "A")]
        all_fire_a: Option<f64>,
        /// Smallest current for a series string, ampere
        #[arg(long, value_name = "A")]
        series_a: Option<f64>,
        /// Firing impulse, millijoule an ohm
        #[arg(long, value_name = "MJ/OHM")]
        impulse: Option<f64>,
        /// Standard deviation of the firing impulse, millijoule an ohm
        #[arg(long, value_name = "MJ/OHM")]
        impulse_spread: Option<f64>,
        /// Mean lag from ignition to the opening of the bridge, milliseconds
        #[arg(long, value_name = "MS")]
        lag_ms: Option<f64>,
        /// Standard deviation of the lag, milliseconds
        #[arg(long, value_name = "MS")]
        lag_spread_ms: Option<f64>,
        /// How far a sound bridge may be from --bridge-ohm either way, ohm [default: a quarter of it]
        #[arg(long, value_name = "OHM")]
        bridge_tolerance_ohm: Option<f64>,
        /// Where the values come from
        #[arg(long)]
        source: Option<String>,
    },
}

#[derive(Debug, Args)]
pub(crate) struct LotArgs {
    #[command(subcommand)]
    pub(crate) action: Option<LotAction>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum LotAction {
    /// Add a lot, or state more of one
    Add {
        /// The batch mark on the box
        mark: String,
        /// Its igniter type
        #[arg(long = "type", value_name = "TYPE")]
        igniter_type: Option<String>,
        /// Day it was made, such as 2031-02-28
        #[arg(long, value_name = "DATE")]
        made_on: Option<String>,
        /// Day until which the maker vouches for it
        #[arg(long, value_name = "DATE")]
        use_by: Option<String>,
        /// How many were received
        #[arg(long)]
        count: Option<u32>,
        /// How it is stored
        #[arg(long)]
        storage: Option<String>,
    },
    /// Set a lot's description, which the whole crew can go on editing
    Describe {
        /// The batch mark
        mark: String,
        /// The description
        text: String,
    },
}

#[derive(Debug, Args)]
pub(crate) struct FuseArgs {
    #[command(subcommand)]
    pub(crate) action: Option<FuseAction>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum FuseAction {
    /// Add a fuse
    Add {
        /// What the crew calls it
        name: String,
        /// quickmatch, visco, time-fuse, black-match, lift-charge, none, other [default: other, or what was stated
        /// before]
        #[arg(long)]
        kind: Option<String>,
        /// Its sheath
        #[arg(long)]
        sheath: Option<String>,
        /// How the igniter is coupled to it
        #[arg(long)]
        coupling: Option<String>,
    },
}

#[derive(Debug, Args)]
pub(crate) struct ModuleArgs {
    #[command(subcommand)]
    pub(crate) action: Option<ModuleAction>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum ModuleAction {
    /// Add a firing module
    Add {
        /// What the crew calls it
        name: String,
        /// How many channels it has
        #[arg(long)]
        channels: Option<u16>,
        /// Supply voltage, or that of the charged capacitor, volt
        #[arg(long, value_name = "V")]
        supply_v: Option<f64>,
        /// Source resistance, ohm
        #[arg(long, value_name = "OHM")]
        source_ohm: Option<f64>,
        /// Capacitor, microfarad; without it the source is a steady voltage
        #[arg(long, value_name = "UF")]
        capacitor_uf: Option<f64>,
    },
}

#[derive(Debug, Args)]
pub(crate) struct OutingArgs {
    #[command(subcommand)]
    pub(crate) action: Option<OutingAction>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum OutingAction {
    /// Begin an outing and go to it
    Begin {
        /// What the crew calls it; put the date in it where the name comes again
        name: String,
        /// test or show
        #[arg(long, default_value = "test")]
        kind: String,
        /// Where, as finely as the crew wishes to say
        #[arg(long)]
        place: Option<String>,
        /// Delay above which a shot is slow, milliseconds
        #[arg(long, value_name = "MS")]
        slow_ms: Option<u32>,
        /// Waiting time that the site's rules give before anybody approaches, minutes
        #[arg(long, value_name = "MINUTES")]
        wait_min: Option<u16>,
    },
    /// Go to an outing: volleys are logged there from now on
    Go {
        /// Its name
        name: String,
    },
}
