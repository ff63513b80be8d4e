//! What goes in. All fields but the first few have a default, so that a shell names only what it has.

/// A time, with the offset from UTC where it was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Record)]
pub struct Moment {
    /// Milliseconds since 1970-01-01 UTC.
    pub unix_ms: i64,
    /// Minutes east of UTC.
    pub offset_minutes: i16,
}

impl From<Moment> for embertally_core::facts::Moment {
    fn from(moment: Moment) -> Self {
        Self { unix_ms: moment.unix_ms, offset_minutes: moment.offset_minutes }
    }
}

impl From<embertally_core::facts::Moment> for Moment {
    fn from(moment: embertally_core::facts::Moment) -> Self {
        Self { unix_ms: moment.unix_ms, offset_minutes: moment.offset_minutes }
    }
}

/// An igniter type. What is stated again corrects what was known; what is left open stays as it was.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct IgniterType {
    /// Its name.
    pub name: String,
    /// Bridge resistance in ohm.
    #[uniffi(default)]
    pub bridge_ohm: Option<f64>,
    /// Tolerance of the bridge resistance in ohm.
    #[uniffi(default)]
    pub bridge_tolerance_ohm: Option<f64>,
    /// No-fire current in ampere.
    #[uniffi(default)]
    pub no_fire_a: Option<f64>,
    /// All-fire current in ampere.
    #[uniffi(default)]
    pub all_fire_a: Option<f64>,
    /// Current for series strings in ampere.
    #[uniffi(default)]
    pub series_a: Option<f64>,
    /// Firing impulse in mJ per ohm.
    #[uniffi(default)]
    pub impulse_mj_per_ohm: Option<f64>,
    /// Where the numbers are from.
    #[uniffi(default)]
    pub source: Option<String>,
}

/// A lot of igniters. Stated again as an [`IgniterType`] is.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Lot {
    /// Its batch mark.
    pub mark: String,
    /// The name of its igniter type, which the register must hold.
    #[uniffi(default)]
    pub igniter_type: Option<String>,
    /// The day it was made, as YYYY-MM-DD.
    #[uniffi(default)]
    pub made_on: Option<String>,
    /// Its use-by, as YYYY-MM-DD.
    #[uniffi(default)]
    pub use_by: Option<String>,
    /// How many were bought.
    #[uniffi(default)]
    pub count: Option<u32>,
    /// How it is kept.
    #[uniffi(default)]
    pub storage: Option<String>,
}

/// A fuse. Stated again as an [`IgniterType`] is.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Fuse {
    /// Its name.
    pub name: String,
    /// Its kind; nothing: as it was, or other.
    #[uniffi(default)]
    pub kind: Option<crate::FuseKind>,
    /// What it is wrapped in.
    #[uniffi(default)]
    pub sheath: Option<String>,
    /// How the igniter is joined to it.
    #[uniffi(default)]
    pub coupling: Option<String>,
}

/// A firing module. Stated again as an [`IgniterType`] is.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct FiringModule {
    /// Its name.
    pub name: String,
    /// How many channels it has.
    #[uniffi(default)]
    pub channels: Option<u16>,
    /// Supply in volt.
    #[uniffi(default)]
    pub supply_v: Option<f64>,
    /// Source resistance in ohm.
    #[uniffi(default)]
    pub source_ohm: Option<f64>,
    /// Capacitor in microfarad.
    #[uniffi(default)]
    pub capacitor_uf: Option<f64>,
}

/// A person of the crew. Stated again as an [`IgniterType`] is.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Person {
    /// The name.
    pub name: String,
    /// The part; nothing: as it was, or recorder.
    #[uniffi(default)]
    pub role: Option<crate::Role>,
}

/// An outing that begins now.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Outing {
    /// Its name; no other outing may have it.
    pub name: String,
    /// Test or show.
    pub kind: crate::OutingKind,
    /// Where.
    #[uniffi(default)]
    pub place: Option<String>,
    /// From which delay in milliseconds a shot is slow.
    #[uniffi(default)]
    pub slow_limit_ms: Option<u32>,
    /// How many minutes the site's rules say to wait before anybody approaches.
    #[uniffi(default)]
    pub wait_minutes: Option<u16>,
}

/// The weather.
#[derive(Debug, Clone, Copy, PartialEq, Default, uniffi::Record)]
pub struct Weather {
    /// Degrees Celsius.
    #[uniffi(default)]
    pub temperature_c: Option<f64>,
    /// Relative humidity in percent.
    #[uniffi(default)]
    pub humidity_pct: Option<f64>,
    /// Wind in metres a second.
    #[uniffi(default)]
    pub wind_m_s: Option<f64>,
    /// What fell.
    #[uniffi(default)]
    pub precipitation: Option<crate::Precipitation>,
}

/// What was seen of one shot.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct Seen {
    /// The igniter.
    pub ignition: crate::Ignition,
    /// The fuse. Nothing: where there is one, unseen if the igniter fired, else not lit.
    #[uniffi(default)]
    pub transfer: Option<crate::Transfer>,
    /// The delay lies above this, in milliseconds; goes with the next.
    #[uniffi(default)]
    pub delay_low_ms: Option<f64>,
    /// And below this.
    #[uniffi(default)]
    pub delay_high_ms: Option<f64>,
    /// How strong it was, 1 to 5.
    #[uniffi(default)]
    pub strength: Option<u8>,
    /// Why it failed, if it did.
    #[uniffi(default)]
    pub cause: Option<crate::Cause>,
    /// A note.
    #[uniffi(default)]
    pub note: Option<String>,
}

/// One shot of a volley, in the order of the wiring.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct ShotEntry {
    /// The lot's batch mark.
    pub lot: String,
    /// The unit's label.
    pub unit: Option<String>,
    /// What was seen.
    pub seen: Seen,
}

/// A volley: one pulse, its shots, and what this device's observer saw.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct VolleyEntry {
    /// The shots.
    pub shots: Vec<ShotEntry>,
    /// The fuse that they had to light; nothing: they were fired alone.
    #[uniffi(default)]
    pub fuse: Option<String>,
    /// How they were wired; nothing will do for a single shot.
    #[uniffi(default)]
    pub wiring: Option<crate::Wiring>,
    /// Of a series-parallel volley, how many igniters each string has.
    #[uniffi(default)]
    pub strings: Vec<u16>,
    /// The firing module.
    #[uniffi(default)]
    pub module: Option<String>,
    /// Its channel.
    #[uniffi(default)]
    pub channel: Option<u16>,
    /// What the crew calls the volley.
    #[uniffi(default)]
    pub label: Option<String>,
    /// The outing; nothing: the one that this device is at.
    #[uniffi(default)]
    pub outing: Option<String>,
    /// When; nothing: now.
    #[uniffi(default)]
    pub at: Option<Moment>,
    /// The weather at it, if it was read for this volley.
    #[uniffi(default)]
    pub weather: Option<Weather>,
    /// Length of the leads in metres; goes with the next.
    #[uniffi(default)]
    pub lead_m: Option<f64>,
    /// Their cross-section in mm².
    #[uniffi(default)]
    pub lead_mm2: Option<f64>,
    /// Who saw it; nothing: this device's observer.
    #[uniffi(default)]
    pub observer: Option<String>,
    /// Whether units that were tried before are tried again.
    #[uniffi(default)]
    pub retry: bool,
    /// Whether names that the register does not hold are added to it; else they are refused.
    #[uniffi(default)]
    pub new_names: bool,
}

/// What a person decides of one shot, with the reason.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Ruling {
    /// The shot.
    pub shot: String,
    /// Why: part of the record.
    pub reason: String,
    /// The igniter.
    #[uniffi(default)]
    pub ignition: Option<crate::Ignition>,
    /// The fuse.
    #[uniffi(default)]
    pub transfer: Option<crate::Transfer>,
    /// The cause.
    #[uniffi(default)]
    pub cause: Option<crate::Cause>,
    /// Who; nothing: this device's observer.
    #[uniffi(default)]
    pub by: Option<String>,
}

/// Only shots whose group has this name. Names for one group add up, different groups narrow down.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Only {
    /// The group.
    pub group: crate::Group,
    /// The name; case and spacing do not matter.
    pub name: String,
}

/// Which rates.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct RatesQuery {
    /// By what, in order.
    pub by: Vec<crate::Group>,
    /// Which failure.
    pub measure: crate::Measure,
    /// Only these.
    #[uniffi(default)]
    pub only: Vec<Only>,
    /// The level of the intervals.
    #[uniffi(default = 0.95)]
    pub level: f64,
}

/// In which form rows are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Enum)]
pub enum FileFormat {
    /// CSV.
    Csv,
    /// JSON lines.
    JsonLines,
}
