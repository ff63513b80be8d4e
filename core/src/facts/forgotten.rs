//! The word that a person's name is to be forgotten, and which people and texts a fact names.

use super::entry::Fact;
use super::id::PersonId;

/// A person's name is to be forgotten: the document that holds it is dropped wherever this is known, and never taken in
/// again. It names the person by their id alone.
///
/// It cannot be taken back, and no part of it may hold the name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Forgotten {
    /// The person.
    pub person: PersonId,
    /// Why, without the name.
    pub reason: Option<String>,
}

impl Forgotten {
    /// Returns what the person is called from now on: the beginning of their id.
    #[must_use]
    pub fn called(person: PersonId) -> String {
        let id = person.to_string();
        format!("forgotten person {}", id.get(..8).unwrap_or(&id))
    }
}

impl Fact {
    /// Returns the people that this fact names by their id: who saw, ruled, made safe, or is spoken of.
    #[must_use]
    pub fn people(&self) -> Vec<PersonId> {
        match self {
            Self::Person(f) => vec![f.id()],
            Self::Sightings(f) => f.observer.into_iter().collect(),
            Self::Ruling(f) => f.by.into_iter().collect(),
            Self::Match(f) => f.by.into_iter().collect(),
            Self::MadeSafe(f) => f.by.into_iter().collect(),
            Self::BridgeReading(f) => f.by.into_iter().collect(),
            Self::Forgotten(f) => vec![f.person],
            Self::IgniterType(_)
            | Self::Lot(_)
            | Self::Fuse(_)
            | Self::Module(_)
            | Self::Device(_)
            | Self::Outing(_)
            | Self::Volley(_)
            | Self::Reading(_)
            | Self::Withdrawal(_)
            | Self::Founding(_)
            | Self::Invitation(_)
            | Self::Joining(_)
            | Self::Standing(_)
            | Self::Leaving(_)
            | Self::Seal(_)
            | Self::Vouching(_)
            | Self::Unknown { .. } => Vec::new(),
        }
    }

    /// Returns every text in this fact that somebody typed freely: names of things, notes, reasons.
    #[must_use]
    pub fn texts(&self) -> Vec<&str> {
        fn given<'f>(first: &'f str, more: &[&'f Option<String>]) -> Vec<&'f str> {
            std::iter::once(first).chain(more.iter().filter_map(|text| text.as_deref())).collect()
        }
        match self {
            Self::IgniterType(f) => given(&f.name, &[&f.source]),
            Self::Lot(f) => given(&f.mark, &[&f.storage]),
            Self::Fuse(f) => given(&f.name, &[&f.sheath, &f.coupling]),
            Self::Module(f) => given(&f.name, &[]),
            Self::Person(f) => given(&f.name, &[]),
            Self::Device(f) => given(&f.name, &[]),
            Self::Outing(f) => given(&f.name, &[&f.place]),
            Self::Volley(f) => {
                let units = f.shots.iter().filter_map(|shot| shot.unit.as_deref());
                f.label.as_deref().into_iter().chain(units).collect()
            }
            Self::Sightings(f) => f.seen.iter().filter_map(|seen| seen.note.as_deref()).collect(),
            Self::Ruling(f) => vec![&f.reason],
            Self::Founding(f) => vec![&f.name],
            Self::Standing(f) => vec![&f.reason],
            Self::Leaving(f) => vec![&f.reason],
            Self::Vouching(f) => vec![&f.reason],
            Self::BridgeReading(f) => f.instrument.as_deref().into_iter().collect(),
            Self::Match(_) | Self::Invitation(_) | Self::Joining(_) | Self::Seal(_) | Self::Unknown { .. } => {
                Vec::new()
            }
            Self::MadeSafe(f) => f.how.as_deref().into_iter().collect(),
            Self::Reading(f) => f.source.as_deref().into_iter().collect(),
            Self::Withdrawal(f) => vec![&f.reason],
            Self::Forgotten(f) => f.reason.as_deref().into_iter().collect(),
        }
    }
}
