//! What people decide or find out afterwards: rulings, matches, making safe, bridge readings, withdrawing.

use std::fmt;

use super::id::{FactId, PersonId, ShotId, VolleyId};
use super::time::Moment;
use super::units::Resistance;
use super::words::{Cause, Ignition, Transfer};

/// A person's decision on a shot, with the reason. It settles what it names and nothing else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ruling {
    /// The shot.
    pub shot: ShotId,
    /// The igniter: what it is to count as.
    pub ignition: Option<Ignition>,
    /// The fuse: what it is to count as.
    pub transfer: Option<Transfer>,
    /// The cause of the failure.
    pub cause: Option<Cause>,
    /// Why.
    pub reason: String,
    /// Who decided.
    pub by: Option<PersonId>,
}

/// A person's word that two volleys written on two devices are, or are not, the same real volley.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Match {
    /// One volley.
    pub first: VolleyId,
    /// The other.
    pub second: VolleyId,
    /// Whether they are the same.
    pub same: bool,
    /// Who says so.
    pub by: Option<PersonId>,
}

/// A statement that what was live has been made safe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MadeSafe {
    /// The shots.
    pub shots: Vec<ShotId>,
    /// Who did it.
    pub by: Option<PersonId>,
    /// When.
    pub at: Option<Moment>,
    /// How: soaked, cut back, taken away.
    pub how: Option<String>,
}

/// What a tester showed of an igniter's bridge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bridge {
    /// A resistance.
    Measured(Resistance),
    /// No way through.
    Open,
}

impl fmt::Display for Bridge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Measured(resistance) => resistance.fmt(f),
            Self::Open => f.write_str("open"),
        }
    }
}

/// A reading of one shot's bridge after the shot, taken with a tester made for live igniters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BridgeReading {
    /// The shot.
    pub shot: ShotId,
    /// What the tester showed.
    pub bridge: Bridge,
    /// When.
    pub at: Moment,
    /// The instrument, in words.
    pub instrument: Option<String>,
    /// Who took it.
    pub by: Option<PersonId>,
}

/// Takes back a fact: it is still shown, and no longer counted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Withdrawal {
    /// The fact.
    pub fact: FactId,
    /// Why.
    pub reason: String,
}
