//! Where an entry belongs: the register, an outing, or a person's own document.

use crate::facts::{DocumentId, Entry, Fact, OutingId, PersonId};

/// The document family that an entry is written to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Home {
    /// Types, lots, fuses, modules, devices, and who is forgotten.
    Register,
    /// One outing: its volleys and all that is said of them.
    Outing(OutingId),
    /// One person: their name, and nothing else. A document's history cannot be cut, so what must be able to go has a
    /// document of its own.
    Person(PersonId),
}

impl Home {
    /// Returns the home that follows from an entry's facts: a person's own, or the outing of its first outing, volley or
    /// reading, or the register.
    ///
    /// `None` where the facts name no outing (sightings of another device's volley, a ruling), and the caller knows it;
    /// and where a person's name stands beside something else, which no home takes.
    #[must_use]
    pub fn of(entry: &Entry) -> Option<Self> {
        let person = entry.facts.iter().find_map(|stated| match &stated.fact {
            Fact::Person(f) => Some(Self::Person(f.id())),
            _ => None,
        });
        if let Some(home) = person {
            return home.takes(entry).then_some(home);
        }
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
                | Fact::Device(_)
                | Fact::Founding(_)
                | Fact::Invitation(_)
                | Fact::Joining(_)
                | Fact::Standing(_)
                | Fact::Leaving(_)
                | Fact::Vouching(_)
                | Fact::Forgotten(_) => register = true,
                _ => {}
            }
        }
        register.then_some(Self::Register)
    }

    /// Tells whether an entry may be written here: a person's name stands in their own document only, and nothing else
    /// stands there but what takes such a statement back.
    #[must_use]
    pub fn takes(self, entry: &Entry) -> bool {
        entry.facts.iter().all(|stated| match (&stated.fact, self) {
            (Fact::Person(f), Self::Person(id)) => f.id() == id,
            (Fact::Person(_), _) => false,
            (Fact::Withdrawal(_) | Fact::Unknown { .. }, Self::Person(_)) => true,
            (_, Self::Person(_)) => false,
            _ => true,
        })
    }

    /// Returns the document that holds a part of this home.
    #[must_use]
    pub fn part(self, part: u32) -> DocumentId {
        match self {
            Self::Register => DocumentId::Register { part },
            Self::Outing(outing) => DocumentId::Outing { outing, part },
            Self::Person(person) => DocumentId::Person { person, part },
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
            Self::Person { person, .. } => Home::Person(person),
        }
    }

    /// Returns the number of the part, from 1.
    #[must_use]
    pub fn number(&self) -> u32 {
        match *self {
            Self::Register { part } | Self::Outing { part, .. } | Self::Person { part, .. } => part,
        }
    }
}
