//! What a shot counts as by each measure.

use std::fmt;
use std::str::FromStr;

use super::causes::Blame;
use super::choices::{Choices, Outcome};
use crate::facts::{Cause, Ignition, Transfer, WordError};

/// What is measured; the measures are never added together unasked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Measure {
    /// Whether the igniter fired.
    Ignition,
    /// Whether it fired late, of those that fired.
    Slow,
    /// Whether the fuse was lit, of those that fired.
    Transfer,
    /// Whether the pulse ended in a lit fuse.
    EndToEnd,
    /// Whether the igniter fired, attempt by attempt, whatever the cause: the ignition without any attribution.
    Raw,
}

impl Measure {
    /// All measures.
    pub const ALL: &'static [Self] = &[Self::Ignition, Self::Slow, Self::Transfer, Self::EndToEnd, Self::Raw];

    /// Returns its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ignition => "ignition",
            Self::Slow => "slow",
            Self::Transfer => "transfer",
            Self::EndToEnd => "end-to-end",
            Self::Raw => "raw",
        }
    }
}

impl fmt::Display for Measure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for Measure {
    type Err = WordError;

    /// Reads the word, in any case, outer white space cut.
    fn from_str(text: &str) -> Result<Self, WordError> {
        let word = text.trim();
        Self::ALL.iter().copied().find(|m| m.word().eq_ignore_ascii_case(word)).ok_or_else(|| WordError {
            what: "measure",
            text: text.to_owned(),
            allowed: Self::ALL.iter().map(|m| m.word()).collect::<Vec<_>>().join(", "),
        })
    }
}

/// What a shot counts as by one measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Class {
    /// It says nothing about this measure.
    NotCounted,
    /// A trial without failure.
    Good,
    /// A trial with failure.
    Failure,
    /// A trial whose outcome is not settled.
    Unresolved,
}

impl Class {
    /// All classes, in the order of their numbers.
    pub const ALL: &'static [Self] = &[Self::NotCounted, Self::Good, Self::Failure, Self::Unresolved];

    /// Returns the number that stands for it in the columns.
    #[must_use]
    pub const fn number(self) -> u8 {
        self as u8
    }

    /// Returns its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::NotCounted => "not counted",
            Self::Good => "good",
            Self::Failure => "failure",
            Self::Unresolved => "unresolved",
        }
    }
}

/// Tells whether everything that may hold of the igniter is that it fired, late or not.
pub(super) fn fired(ignition: Outcome<Ignition>) -> bool {
    let said = ignition.values();
    !said.is_empty() && said.without(Ignition::Fired).without(Ignition::Slow).is_empty()
}

pub(super) fn ignition(ignition: Outcome<Ignition>, blame: Option<Blame>) -> Class {
    match ignition {
        Outcome::Nothing => Class::NotCounted,
        _ if fired(ignition) => Class::Good,
        Outcome::Disputed(_) => Class::Unresolved,
        Outcome::Agreed(Ignition::Failed) | Outcome::Ruled(Ignition::Failed) => match blame.map(|b| b.cause) {
            Some(Cause::Igniter) => Class::Failure,
            Some(cause) if cause.is_outside_igniter() => Class::NotCounted,
            _ => Class::Unresolved,
        },
        _ => Class::NotCounted,
    }
}

/// Every pulse that an igniter was given counts, retries too, and no cause excuses it.
pub(super) fn raw(ignition: Outcome<Ignition>) -> Class {
    match ignition {
        Outcome::Nothing => Class::NotCounted,
        _ if fired(ignition) => Class::Good,
        Outcome::Disputed(_) => Class::Unresolved,
        Outcome::Agreed(Ignition::Failed) | Outcome::Ruled(Ignition::Failed) => Class::Failure,
        _ => Class::NotCounted,
    }
}

pub(super) fn slow(ignition: Outcome<Ignition>) -> Class {
    match ignition {
        _ if !fired(ignition) => Class::NotCounted,
        Outcome::Disputed(_) => Class::Unresolved,
        Outcome::Agreed(Ignition::Slow) | Outcome::Ruled(Ignition::Slow) => Class::Failure,
        _ => Class::Good,
    }
}

pub(super) fn transfer(ignition: Outcome<Ignition>, transfer: Outcome<Transfer>) -> Class {
    match transfer {
        _ if !fired(ignition) => Class::NotCounted,
        Outcome::Disputed(_) => Class::Unresolved,
        Outcome::Agreed(t) | Outcome::Ruled(t) => match t {
            Transfer::Lit => Class::Good,
            Transfer::Unlit => Class::Failure,
            Transfer::NoFuse | Transfer::Unseen => Class::NotCounted,
        },
        Outcome::Nothing => Class::NotCounted,
    }
}

/// `ignition` and `transfer` are the shot's classes by those measures; `had_fuse` is false if nobody names a fuse and
/// all who looked say that there was none; `is_unseen` tells that a fuse is named and nobody saw whether it was lit.
///
/// An igniter that fired at an unseen fuse is unresolved, not left out: the failures at such fuses are counted without
/// anybody looking at the fuse, so leaving out the rest would make the pairing look worse than it is.
pub(super) fn end_to_end(ignition: Class, transfer: Class, had_fuse: bool, is_unseen: bool) -> Class {
    match ignition {
        Class::NotCounted => Class::NotCounted,
        Class::Good if is_unseen => Class::Unresolved,
        Class::Good => transfer,
        Class::Failure | Class::Unresolved if !had_fuse => Class::NotCounted,
        Class::Failure | Class::Unresolved => ignition,
    }
}

/// Tells whether the shot had a fuse that nobody saw lit or unlit. A dispute is none: it is unresolved as it is.
pub(super) fn is_unseen(transfer: Outcome<Transfer>, names_fuse: bool) -> bool {
    let unseen = Choices::of(Transfer::Unseen);
    names_fuse && !transfer.is_disputed() && (transfer.values().is_empty() || transfer.values() == unseen)
}

/// Tells whether the shot had a fuse to light, as far as anybody says.
pub(super) fn had_fuse(transfer: Outcome<Transfer>, names_fuse: bool) -> bool {
    names_fuse || transfer.values() != Choices::of(Transfer::NoFuse)
}
