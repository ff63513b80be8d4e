//! The commands and their options.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

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
    /// List the members and devices of the crew, or add one
    Crew(CrewArgs),
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
    /// Test a lot shot by shot: accept, reject or go on, and whether it is going bad
    Watch(crate::commands::WatchArgs),
    /// Show what the crew disagrees about, and what is proposed to be one
    Disputes,
    /// Show what is still live on the field
    Live(LiveArgs),
    /// Work out how many shots a proof takes
    Plan(PlanArgs),
    /// Write a self-contained page with tables and charts
    Report(ReportArgs),
    /// Write everything this device knows to a carry file
    Carry(CarryArgs),
    /// Take in a carry file from another device
    Absorb(AbsorbArgs),
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
}

#[derive(Debug, Args)]
pub(crate) struct CrewArgs {
    #[command(subcommand)]
    pub(crate) action: Option<CrewAction>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum CrewAction {
    /// Add a member
    Add {
        /// The name the crew uses
        name: String,
        /// Their part in the crew: chief, recorder, reader [default: recorder, or what was stated before]
        #[arg(long)]
        role: Option<String>,
    },
    /// Name this device
    Device {
        /// What the crew calls it
        name: String,
    },
    /// Say who observes with this device from now on
    Observer {
        /// A member's name
        name: String,
    },
}

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

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Decimal {
    Point,
    Comma,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Delimiter {
    Comma,
    Semicolon,
    Tab,
}

#[derive(Debug, Args)]
pub(crate) struct ImportArgs {
    /// The file: .csv, or .jsonl for JSON lines
    pub(crate) file: PathBuf,
    /// Keep the good rows although some are bad [default: all or nothing]
    #[arg(long)]
    pub(crate) keep_good: bool,
    /// What separates the columns, where the file leaves it open
    #[arg(long)]
    pub(crate) delimiter: Option<Delimiter>,
    /// The decimal mark, where the file leaves it open
    #[arg(long)]
    pub(crate) decimal: Option<Decimal>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    Csv,
    Json,
    Parquet,
}

#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    /// csv, json (JSON lines) or parquet
    #[arg(long, default_value = "csv")]
    pub(crate) format: Format,
    /// The file to write; `-` for standard output
    pub(crate) out: PathBuf,
}

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
    /// ignition, slow, transfer or end-to-end
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

#[derive(Debug, Args)]
pub(crate) struct LiveArgs {
    /// The outing [default: all]
    #[arg(long)]
    pub(crate) outing: Option<String>,
    /// List what was made safe instead: by whom, when and how
    #[arg(long)]
    pub(crate) made_safe: bool,
}

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
}

#[derive(Debug, Args)]
pub(crate) struct ReportArgs {
    /// The page to write, such as report.html
    pub(crate) out: PathBuf,
    #[command(flatten)]
    pub(crate) rules: RuleNumbers,
    #[command(flatten)]
    pub(crate) interval: IntervalArgs,
}

#[derive(Debug, Args)]
pub(crate) struct CarryArgs {
    /// The carry file to write; `-` for standard output
    pub(crate) out: PathBuf,
    /// Write over a file that is there
    #[arg(long)]
    pub(crate) force: bool,
}

#[derive(Debug, Args)]
pub(crate) struct AbsorbArgs {
    /// The carry file
    pub(crate) file: PathBuf,
}
