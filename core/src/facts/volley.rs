//! Volleys, their shots, and what was seen of them.

use super::delay::Delay;
use super::id::{FuseId, LotId, ModuleId, OutingId, PersonId, VolleyId};
use super::outing::Conditions;
use super::register::Leads;
use super::time::Moment;
use super::words::{Cause, Ignition, Transfer, WiringKind};

/// How the igniters of a volley were wired.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Wiring {
    /// One igniter alone.
    Single,
    /// All in one loop.
    Series,
    /// Each across the same two leads.
    Parallel,
    /// Strings in series, set in parallel: the length of each string, in the order of the shots. Empty if unstated.
    SeriesParallel(Vec<u16>),
}

impl Wiring {
    /// Returns the kind without the string lengths.
    #[must_use]
    pub fn kind(&self) -> WiringKind {
        match self {
            Self::Single => WiringKind::Single,
            Self::Series => WiringKind::Series,
            Self::Parallel => WiringKind::Parallel,
            Self::SeriesParallel(_) => WiringKind::SeriesParallel,
        }
    }
}

/// One igniter in a volley.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shot {
    /// Its lot.
    pub lot: LotId,
    /// Its number or label within the lot, where it has one.
    pub unit: Option<String>,
    /// Which try of this unit it is, from 1.
    pub attempt: u8,
    /// The fuse it had to light, where it had one.
    pub fuse: Option<FuseId>,
}

/// One pulse on one channel, as one device stated it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Volley {
    /// The outing.
    pub outing: OutingId,
    /// When the pulse was given.
    pub at: Option<Moment>,
    /// The firing module.
    pub module: Option<ModuleId>,
    /// Its channel.
    pub channel: Option<u16>,
    /// What the crew calls the volley.
    pub label: Option<String>,
    /// How it was wired.
    pub wiring: Wiring,
    /// The leads to it.
    pub leads: Option<Leads>,
    /// The weather stated with it.
    pub conditions: Conditions,
    /// Its shots in order; position 1 first.
    pub shots: Vec<Shot>,
}

/// What one observer saw of one shot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sighting {
    /// The position in the volley, from 1.
    pub position: u16,
    /// What was seen of the igniter.
    pub ignition: Ignition,
    /// What was seen of the fuse.
    pub transfer: Transfer,
    /// From pulse to first light.
    pub delay: Option<Delay>,
    /// Strength of the flame, from 1 (weak) to 5.
    pub strength: Option<u8>,
    /// What the observer takes the cause to be.
    pub cause: Option<Cause>,
    /// Anything else.
    pub note: Option<String>,
}

/// What one observer saw of one volley.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sightings {
    /// The volley.
    pub volley: VolleyId,
    /// Who saw it; where nobody is named, the device itself counts as the observer.
    pub observer: Option<PersonId>,
    /// What was seen, a shot each.
    pub seen: Vec<Sighting>,
}
