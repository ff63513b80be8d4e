//! What people decide or find out afterwards: rulings, matches, making safe, bridge readings, withdrawing.

use std::collections::BTreeSet;
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

impl Ruling {
    /// Keeps what earlier rulings decided and this one leaves open, later ones first; returns the fields kept. What cannot
    /// go with the new decision is not kept: a fuse that was lit by an igniter that failed, a cause of failure of one that
    /// fired.
    pub fn keep_decided<'a>(&mut self, earlier: impl DoubleEndedIterator<Item = &'a Self>) -> Vec<&'static str> {
        let fired = self.ignition.map(|i| matches!(i, Ignition::Fired | Ignition::Slow));
        let mut kept = BTreeSet::new();
        for old in earlier.rev() {
            if self.ignition.is_none() && old.ignition.is_some() {
                self.ignition = old.ignition;
                kept.insert("ignition");
            }
            if fired != Some(false) && self.transfer.is_none() && old.transfer.is_some() {
                self.transfer = old.transfer;
                kept.insert("transfer");
            }
            if fired != Some(true) && self.cause.is_none() && old.cause.is_some() {
                self.cause = old.cause;
                kept.insert("cause");
            }
        }
        kept.into_iter().collect()
    }
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
