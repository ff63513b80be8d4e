//! Tests of the crew: keys, signed entries, and who may write what.

mod attacks;
mod published;
mod roster;

use super::*;
use crate::facts::*;

/// A device of the tests, with its key.
#[derive(Clone)]
pub(super) struct Phone {
    pub(super) key: DeviceKey,
    pub(super) device: DeviceId,
    written: u64,
    seed: u8,
}

/// A stored entry: its id and its bytes.
pub(super) type Stored = (EntryId, Vec<u8>);

pub(super) const HOUR: i64 = 3_600_000;

impl Phone {
    pub(super) fn new(seed: u8) -> Self {
        let key = DeviceKey::from_seed(&[seed; 32]);
        Self { device: key.device(1_000), key, written: 0, seed }
    }

    /// Begins an entry; each has another id.
    pub(super) fn entry(&mut self) -> Entry {
        self.written += 1;
        let mut bits = u64::from(self.seed) << 32 | self.written;
        let id = EntryId::new(1_000 + self.written as i64, &mut || {
            bits = bits.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (bits >> 7);
            bits
        });
        Entry::new(id, self.device, Moment { unix_ms: 1_000 + self.written as i64, offset_minutes: 0 })
    }

    pub(super) fn sign(&self, outing: Option<OutingId>, entry: &Entry) -> Stored {
        let mut entry = entry.clone();
        entry.name_by_content().unwrap();
        let place = Place { home: outing.map(|o| *o.as_bytes()), entry: entry.id };
        (entry.id, Envelope::seal(&self.key, place, entry.to_bytes().unwrap(), None).unwrap())
    }

    pub(super) fn state(&mut self, fact: Fact) -> Stored {
        let mut entry = self.entry();
        entry.state(fact);
        self.sign(None, &entry)
    }

    pub(super) fn found(&mut self) -> Stored {
        self.state(Fact::Founding(Founding { key: self.key.public(), name: "Invented crew".to_owned() }))
    }

    pub(super) fn invite(&mut self, crew: CrewId, role: Role, after: Vec<FactId>) -> (Invite, Stored) {
        let mut n = u64::from(self.seed) << 16 | self.written;
        let invite = Invite::new(crew, role, HOUR, &mut || {
            n += 1;
            n
        });
        let stored = self.state(Fact::Invitation(invite.fact(after)));
        (invite, stored)
    }

    pub(super) fn join(&mut self, invite: &Invite) -> Stored {
        self.state(Fact::Joining(invite.joining(&self.key, Vec::new())))
    }

    pub(super) fn stand(
        &mut self,
        device: DeviceId,
        role: Option<Role>,
        known: Vec<EntryId>,
        roster: &Roster,
    ) -> Stored {
        let standing = Standing { device, key: None, role, reason: "because".to_owned(), known, after: roster.heads() };
        self.state(Fact::Standing(standing))
    }

    /// A reading at an outing: something that a recorder states.
    pub(super) fn reading(&mut self, outing: OutingId) -> Stored {
        let mut entry = self.entry();
        entry.state(Fact::Reading(Reading {
            outing,
            at: Moment { unix_ms: 5, offset_minutes: 0 },
            conditions: Conditions::default(),
            source: None,
        }));
        self.sign(Some(outing), &entry)
    }
}

pub(super) fn roster(crew: CrewId, register: &[Stored]) -> Roster {
    Roster::new(crew, register.iter().map(|(id, bytes)| (*id, bytes.as_slice())))
}

pub(super) fn outing() -> OutingId {
    OutingId::named("dry run")
}

pub(super) fn why(roster: &Roster, stored: &Stored) -> Option<&'static str> {
    roster.judge(Some(*outing().as_bytes()), stored.0, &stored.1, false).err().map(|apart| apart.code())
}

/// A chief, and a recorder who joined by an invitation.
pub(super) fn crew() -> (CrewId, Phone, Phone, Vec<Stored>) {
    let (mut chief, mut recorder) = (Phone::new(1), Phone::new(2));
    let crew = chief.key.crew();
    let mut register = vec![chief.found()];
    let (invite, invitation) = chief.invite(crew, Role::Recorder, roster(crew, &register).heads());
    register.extend([invitation, recorder.join(&invite)]);
    (crew, chief, recorder, register)
}
