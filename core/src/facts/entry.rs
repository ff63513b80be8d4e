//! An entry: what one device writes in one go, and never changes.

use super::crew::{Founding, Invitation, Joining, Leaving, Seal, Standing, Vouching};
use super::decision::{BridgeReading, MadeSafe, Match, Ruling, Withdrawal};
use super::forgotten::Forgotten;
use super::id::{DeviceId, EntryId, FactId, VolleyId};
use super::outing::{Outing, Reading};
use super::register::{Device, FiringModule, Fuse, IgniterType, Lot, Person};
use super::time::Moment;
use super::volley::{Sightings, Volley};
use super::wire::WireError;

/// One thing that somebody stated.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fact {
    /// An igniter type.
    IgniterType(IgniterType),
    /// A lot.
    Lot(Lot),
    /// A fuse.
    Fuse(Fuse),
    /// A firing module.
    Module(FiringModule),
    /// A member of the crew.
    Person(Person),
    /// A device of the crew.
    Device(Device),
    /// An outing.
    Outing(Outing),
    /// A volley.
    Volley(Volley),
    /// What one observer saw of a volley.
    Sightings(Sightings),
    /// A decision on a shot.
    Ruling(Ruling),
    /// A word on whether two volleys are one.
    Match(Match),
    /// A statement that shots were made safe.
    MadeSafe(MadeSafe),
    /// A weather reading.
    Reading(Reading),
    /// A fact taken back.
    Withdrawal(Withdrawal),
    /// A crew begins.
    Founding(Founding),
    /// A chief's word that lets a device in.
    Invitation(Invitation),
    /// A device that joins.
    Joining(Joining),
    /// What a device may do from now on.
    Standing(Standing),
    /// A device that leaves.
    Leaving(Leaving),
    /// An outing's closing.
    Seal(Seal),
    /// A chief's word for entries that nobody signed.
    Vouching(Vouching),
    /// A reading of a shot's bridge.
    BridgeReading(BridgeReading),
    /// A person's name that is to be forgotten.
    Forgotten(Forgotten),
    /// A kind of fact that this version does not know. It is kept and passed on as it came, and not counted.
    Unknown {
        /// The kind's number.
        kind: u64,
    },
}

/// A fact as it stands in an entry: what is stated, and which earlier fact it replaces.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stated {
    /// What is stated.
    pub fact: Fact,
    /// The fact that this one corrects. The old one is still shown, and no longer counted.
    pub replaces: Option<FactId>,
}

/// What one device wrote in one go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its id.
    pub id: EntryId,
    /// The device that wrote it.
    pub device: DeviceId,
    /// When, by that device's clock.
    pub written: Moment,
    /// What it states, in order.
    pub facts: Vec<Stated>,
    /// Which of several entries that say the same this is, from 0 (rows of a file that name no units).
    pub nth: u32,
}

impl Entry {
    /// Begins an entry without facts.
    #[must_use]
    pub fn new(id: EntryId, device: DeviceId, written: Moment) -> Self {
        Self { id, device, written, facts: Vec::new(), nth: 0 }
    }

    /// Adds a fact and returns its id.
    pub fn state(&mut self, fact: Fact) -> FactId {
        self.push(fact, None)
    }

    /// Adds a fact that corrects an earlier one, and returns its id.
    pub fn correct(&mut self, replaces: FactId, fact: Fact) -> FactId {
        self.push(fact, Some(replaces))
    }

    /// Adds a volley and returns the volley's id.
    pub fn state_volley(&mut self, volley: Volley) -> VolleyId {
        VolleyId(self.state(Fact::Volley(volley)))
    }

    fn push(&mut self, fact: Fact, replaces: Option<FactId>) -> FactId {
        // An entry holds one volley and its sightings; 65,535 facts are out of reach of any caller here, and the
        // decoder refuses them.
        let place = u16::try_from(self.facts.len()).unwrap_or(u16::MAX);
        self.facts.push(Stated { fact, replaces });
        FactId { entry: self.id, place }
    }

    /// Returns the facts with their ids.
    pub fn facts(&self) -> impl Iterator<Item = (FactId, &Stated)> {
        (0..=u16::MAX).zip(&self.facts).map(|(place, stated)| (FactId { entry: self.id, place }, stated))
    }

    /// Gives the entry the id that follows from what it says; the time in the id stays. What it says of itself goes with
    /// it; ids of its facts that were handed out before are made good by [`Entry::own`].
    ///
    /// # Errors
    /// [`WireError::TooLarge`].
    pub fn name_by_content(&mut self) -> Result<(), WireError> {
        let bytes = self.to_bytes()?;
        let ms = self.id.unix_ms().unwrap_or(self.written.unix_ms);
        *self = Self::from_bytes(EntryId::of_bytes(ms, &bytes), &bytes)?;
        Ok(())
    }

    /// Returns the id of one of its facts, by the id that it had before the entry was named by its content.
    #[must_use]
    pub fn own(&self, before: FactId) -> FactId {
        FactId { entry: self.id, place: before.place }
    }

    /// Returns how many shots its volleys hold.
    #[must_use]
    pub fn shots(&self) -> u64 {
        let of = |s: &Stated| if let Fact::Volley(v) = &s.fact { v.shots.len() as u64 } else { 0 };
        self.facts.iter().map(of).sum()
    }
}
