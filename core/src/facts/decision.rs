//! What people decide afterwards: rulings, matches, making safe, withdrawing.

use super::id::{FactId, PersonId, ShotId, VolleyId};
use super::time::Moment;
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

/// Takes back a fact: it is still shown, and no longer counted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Withdrawal {
    /// The fact.
    pub fact: FactId,
    /// Why.
    pub reason: String,
}
