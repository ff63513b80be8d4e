//! Outings and their weather.

use super::id::OutingId;
use super::time::Moment;
use super::units::{Humidity, Temperature, WindSpeed};
use super::words::{OutingKind, Precipitation};

/// One test session or one show.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outing {
    /// What the crew calls it; its id follows from this, so put the date in it where the name comes again.
    pub name: String,
    /// Test or show.
    pub kind: OutingKind,
    /// Where, as finely as the crew wishes to say.
    pub place: Option<String>,
    /// When it began.
    pub begins: Option<Moment>,
    /// The delay above which a shot is slow, in milliseconds.
    pub slow_limit_ms: Option<u32>,
    /// The waiting time that the site's rules give before anybody approaches, in minutes.
    pub wait_minutes: Option<u16>,
}

impl Outing {
    /// Returns the id that follows from the name.
    #[must_use]
    pub fn id(&self) -> OutingId {
        OutingId::named(&self.name)
    }
}

/// The weather, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Conditions {
    /// Air temperature.
    pub temperature: Option<Temperature>,
    /// Relative humidity.
    pub humidity: Option<Humidity>,
    /// Wind speed.
    pub wind: Option<WindSpeed>,
    /// What falls.
    pub precipitation: Option<Precipitation>,
}

impl Conditions {
    /// Tells whether nothing is known.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// One weather reading of an outing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reading {
    /// The outing.
    pub outing: OutingId,
    /// When it was read.
    pub at: Moment,
    /// What was read.
    pub conditions: Conditions,
    /// By what.
    pub source: Option<String>,
}
