//! Where an entry belongs: the register, or an outing.

use crate::facts::{DocumentId, Entry, Fact, OutingId};

/// The document family that an entry is written to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Home {
    /// Types, lots, fuses, modules, people, devices.
    Register,
    /// One outing: its volleys and all that is said of them.
    Outing(OutingId),
}

impl Home {
    /// Returns the home that follows from an entry's facts: the outing of its first outing, volley or reading.
    ///
    /// `None` where the facts name no outing (sightings of another device's volley, a ruling): the caller knows it.
    #[must_use]
    pub fn of(entry: &Entry) -> Option<Self> {
        let mut register = false;
        for stated in &entry.facts {
            match &stated.fact {
                Fact::Outing(f) => return Some(Self::Outing(f.id())),
                Fact::Volley(f) => return Some(Self::Outing(f.outing)),
                Fact::Reading(f) => return Some(Self::Outing(f.outing)),
                Fact::Seal(f) => return Some(Self::Outing(f.outing)),
                Fact::IgniterType(_)
                | Fact::Lot(_)
                | Fact::Fuse(_)
                | Fact::Module(_)
                | Fact::Person(_)
                | Fact::Device(_)
                | Fact::Founding(_)
                | Fact::Invitation(_)
                | Fact::Joining(_)
                | Fact::Standing(_)
                | Fact::Leaving(_)
                | Fact::Vouching(_) => register = true,
                _ => {}
            }
        }
        register.then_some(Self::Register)
    }

    /// Returns the document that holds a part of this home.
    #[must_use]
    pub fn part(self, part: u32) -> DocumentId {
        match self {
            Self::Register => DocumentId::Register { part },
            Self::Outing(outing) => DocumentId::Outing { outing, part },
        }
    }
}

impl DocumentId {
    /// Returns the home that this document is a part of.
    #[must_use]
    pub fn home(&self) -> Home {
        match *self {
            Self::Register { .. } => Home::Register,
            Self::Outing { outing, .. } => Home::Outing(outing),
        }
    }

    /// Returns the number of the part, from 1.
    #[must_use]
    pub fn number(&self) -> u32 {
        match *self {
            Self::Register { part } | Self::Outing { part, .. } => part,
        }
    }
}
