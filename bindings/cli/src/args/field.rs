//! Options for what is written on the field: volleys, sightings, decisions, weather, what was made safe.

use std::path::PathBuf;

use clap::{Args, Subcommand};

#[derive(Debug, Args)]
pub(crate) struct VolleyArgs {
    /// What was seen of each shot in order, one letter a shot, such as 9f1x
    ///
    ///   f  fired, fuse lit         s  slow, fuse lit         x  failed
    ///   u  fired, fuse not lit     w  slow, fuse not lit     o  not tried
    ///   n  fired, fuse not seen
    ///
    /// A number repeats the letter after it. Letters u, w and n speak of a fuse and need --fuse.
    #[arg(value_name = "SEEN", verbatim_doc_comment)]
    pub(crate) seen: String,
    /// Lot and units in the order of the wiring, such as KB-104:1-10 (several for a mixed volley)
    #[arg(value_name = "LOT[:UNITS]", required = true)]
    pub(crate) units: Vec<String>,
    /// The fuse the igniters had to light
    #[arg(short, long)]
    pub(crate) fuse: Option<String>,
    /// single, series, parallel, series-parallel [default: single for one shot]
    #[arg(short, long)]
    pub(crate) wiring: Option<String>,
    /// Lengths of the strings of a series-parallel volley, such as 5,5
    #[arg(long, value_delimiter = ',', value_name = "N,N")]
    pub(crate) strings: Vec<u16>,
    /// The firing module
    #[arg(short, long)]
    pub(crate) module: Option<String>,
    /// Its channel
    #[arg(short, long)]
    pub(crate) channel: Option<u16>,
    /// What the crew calls the volley
    #[arg(long)]
    pub(crate) label: Option<String>,
    /// The outing [default: the one this device is at]
    #[arg(long)]
    pub(crate) outing: Option<String>,
    /// When the pulse was given (RFC 3339) [default: now]
    #[arg(long, value_name = "TIME")]
    pub(crate) at: Option<String>,
    /// Length of one lead, metres
    #[arg(long, value_name = "M", requires = "lead_mm2")]
    pub(crate) lead_m: Option<f64>,
    /// Cross-section of the leads, square millimetres
    #[arg(long, value_name = "MM2", requires = "lead_m")]
    pub(crate) lead_mm2: Option<f64>,
    /// These units were tried before and are tried again
    #[arg(long)]
    pub(crate) retry: bool,
    /// Add names that the register does not hold yet instead of refusing them
    #[arg(long)]
    pub(crate) new: bool,
    #[command(flatten)]
    pub(crate) detail: SeenDetail,
    #[command(flatten)]
    pub(crate) conditions: ConditionArgs,
}

/// What can be said of shots beyond a letter. Lists have one item a shot; an empty item says nothing.
#[derive(Debug, Args, Default)]
pub(crate) struct SeenDetail {
    /// Who saw it [default: the observer of this device]
    #[arg(long, value_name = "NAME")]
    pub(crate) observer: Option<String>,
    /// Delays in milliseconds, one a shot: LOW-HIGH, such as 100-140,,90-110
    #[arg(long, value_delimiter = ',', value_name = "LIST", conflicts_with = "light")]
    pub(crate) delay_ms: Vec<String>,
    /// Frame of first light of each shot in a clip
    #[arg(long, value_delimiter = ',', value_name = "LIST", requires_all = ["pulse", "fps"])]
    pub(crate) light: Vec<String>,
    /// Frame in which the pulse is seen
    #[arg(long, value_name = "FRAME")]
    pub(crate) pulse: Option<u32>,
    /// Frames a second of the clip
    #[arg(long)]
    pub(crate) fps: Option<f64>,
    /// Strength of each flame, 1 (weak) to 5
    #[arg(long, value_delimiter = ',', value_name = "LIST")]
    pub(crate) strength: Vec<String>,
    /// What the observer takes the cause of the failures to be: igniter, broken-string, low-current, wiring, module,
    /// operator
    #[arg(long)]
    pub(crate) cause: Option<String>,
    /// A note on the volley
    #[arg(long)]
    pub(crate) note: Option<String>,
}

#[derive(Debug, Args, Default)]
pub(crate) struct ConditionArgs {
    /// Air temperature, degrees Celsius
    #[arg(long, value_name = "C", allow_hyphen_values = true)]
    pub(crate) temperature: Option<f64>,
    /// Relative humidity, percent
    #[arg(long, value_name = "PCT")]
    pub(crate) humidity: Option<f64>,
    /// Wind, metres a second
    #[arg(long, value_name = "M/S")]
    pub(crate) wind: Option<f64>,
    /// none, drizzle, rain, snow
    #[arg(long)]
    pub(crate) precipitation: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct SightArgs {
    /// A shot or volley of the log, as lists print it, or the end of its id
    pub(crate) volley: String,
    /// What was seen of each shot, as for `volley`
    pub(crate) seen: String,
    #[command(flatten)]
    pub(crate) detail: SeenDetail,
}

#[derive(Debug, Args)]
pub(crate) struct RuleArgs {
    #[command(subcommand)]
    pub(crate) action: RuleAction,
}

#[derive(Debug, Subcommand)]
pub(crate) enum RuleAction {
    /// Decide what a shot is to count as
    Shot {
        /// The shot, as lists print it
        shot: String,
        /// fired, slow, failed, skipped
        #[arg(long)]
        ignition: Option<String>,
        /// lit, unlit, none, unseen
        #[arg(long)]
        transfer: Option<String>,
        /// igniter, broken-string, low-current, wiring, module, operator, unresolved
        #[arg(long)]
        cause: Option<String>,
        /// Why
        #[arg(long)]
        reason: String,
        /// Who decides [default: the observer of this device]
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Say that two volleys are the same real volley
    Same {
        /// One volley
        first: String,
        /// The other
        second: String,
    },
    /// Say that two volleys are not the same
    Apart {
        /// One volley
        first: String,
        /// The other
        second: String,
    },
}

#[derive(Debug, Args)]
pub(crate) struct WithdrawArgs {
    /// The volley, sightings or other fact, as lists print it (ENTRY.PLACE)
    pub(crate) fact: String,
    /// Why
    #[arg(long)]
    pub(crate) reason: String,
}

#[derive(Debug, Args)]
pub(crate) struct WeatherArgs {
    #[command(flatten)]
    pub(crate) conditions: ConditionArgs,
    /// When it was read (RFC 3339) [default: now]
    #[arg(long, value_name = "TIME")]
    pub(crate) at: Option<String>,
    /// The outing [default: the one this device is at]
    #[arg(long)]
    pub(crate) outing: Option<String>,
    /// By what it was read
    #[arg(long)]
    pub(crate) source: Option<String>,
    /// A CSV file of readings: time, temperature, humidity, wind, rain
    #[arg(long, value_name = "FILE", conflicts_with_all = ["temperature", "humidity", "wind", "precipitation", "at"])]
    pub(crate) file: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct SafeArgs {
    /// The shots, as `live` prints them
    #[arg(required_unless_present = "all")]
    pub(crate) shots: Vec<String>,
    /// Every shot on the live list of the outing
    #[arg(long, conflicts_with = "shots")]
    pub(crate) all: bool,
    /// With --all: also the shots that fired and whose fuse nobody saw
    #[arg(long, requires = "all")]
    pub(crate) with_unseen: bool,
    /// Take back that these shots were made safe: they are live again
    #[arg(long, conflicts_with_all = ["all", "how", "by"])]
    pub(crate) undo: bool,
    /// Why it is taken back
    #[arg(long, requires = "undo")]
    pub(crate) reason: Option<String>,
    /// The outing of --all [default: the one this device is at]
    #[arg(long)]
    pub(crate) outing: Option<String>,
    /// How: soaked, cut back, taken away
    #[arg(long)]
    pub(crate) how: Option<String>,
    /// Who did it [default: the observer of this device]
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct LiveArgs {
    /// The outing [default: all]
    #[arg(long)]
    pub(crate) outing: Option<String>,
    /// List what was made safe instead: by whom, when and how
    #[arg(long)]
    pub(crate) made_safe: bool,
}
