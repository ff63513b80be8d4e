//! Rules as sentences, and the law that order does not matter.

mod attribution;
mod counting;
mod disputes;
mod effect;
mod findings;
mod joining;
mod live;
mod order;
mod study;
mod weather;

use super::*;
use crate::facts::{
    Bridge, BridgeReading, Conditions, DeviceId, EntryId, FuseId, Ignition, LotId, MadeSafe, Match, ModuleId, Moment,
    Outing, OutingId, OutingKind, PersonId, Ruling, Shot, Sighting, Sightings, Transfer, Volley, Wiring, Withdrawal,
};

/// A moment some minutes into the evening.
fn minute(minutes: i64) -> Moment {
    Moment { unix_ms: 1_900_000_000_000 + minutes * 60_000, offset_minutes: 120 }
}

fn device(n: u8) -> DeviceId {
    DeviceId::from_bytes([n; 16])
}

fn shot(unit: &str) -> Shot {
    let unit = (!unit.is_empty()).then(|| unit.to_owned());
    Shot { lot: LotId::named("A-17"), unit, attempt: 1, fuse: Some(FuseId::named("match")) }
}

fn retry(unit: &str, attempt: u8) -> Shot {
    Shot { attempt, ..shot(unit) }
}

fn volley(wiring: Wiring, shots: Vec<Shot>) -> Volley {
    Volley {
        outing: OutingId::named("dry run"),
        at: None,
        module: None,
        channel: None,
        label: None,
        wiring,
        leads: None,
        conditions: Conditions::default(),
        shots,
    }
}

fn single(unit: &str) -> Volley {
    volley(Wiring::Single, vec![shot(unit)])
}

fn on_channel(module: &str, channel: u16, v: Volley) -> Volley {
    Volley { module: (!module.is_empty()).then(|| ModuleId::named(module)), channel: Some(channel), ..v }
}

fn saw(position: u16, ignition: Ignition, transfer: Transfer) -> Sighting {
    Sighting { position, ignition, transfer, delay: None, strength: None, cause: None, note: None }
}

fn fired(position: u16) -> Sighting {
    saw(position, Ignition::Fired, Transfer::Lit)
}

fn failed(position: u16) -> Sighting {
    saw(position, Ignition::Failed, Transfer::Unlit)
}

fn ruling(shot: ShotId) -> Ruling {
    Ruling { shot, ignition: None, transfer: None, cause: None, reason: "seen on the clip".to_owned(), by: None }
}

fn reading(shot: ShotId, bridge: Bridge, at: i64) -> Fact {
    Fact::BridgeReading(BridgeReading { shot, bridge, at: minute(at), instrument: None, by: None })
}

fn outing(kind: OutingKind) -> Outing {
    Outing { name: "dry run".to_owned(), kind, place: None, begins: None, slow_limit_ms: None, wait_minutes: None }
}

fn at(volley: VolleyId, position: u16) -> ShotId {
    ShotId { volley, position }
}

/// A ledger and the devices that write into it, one entry a fact.
struct Crew {
    ledger: Ledger,
    next: u8,
}

impl Crew {
    fn new() -> Self {
        Self { ledger: Ledger::new(), next: 1 }
    }

    fn state_at(&mut self, by: u8, written: Moment, fact: Fact, replaces: Option<FactId>) -> FactId {
        let mut entry = Entry::new(EntryId::from_bytes([self.next; 16]), device(by), written);
        self.next += 1;
        let id = match replaces {
            Some(old) => entry.correct(old, fact),
            None => entry.state(fact),
        };
        self.ledger.add(&entry);
        id
    }

    fn state(&mut self, by: u8, fact: Fact) -> FactId {
        self.state_at(by, minute(0), fact, None)
    }

    fn correct(&mut self, by: u8, old: FactId, fact: Fact) -> FactId {
        self.state_at(by, minute(0), fact, Some(old))
    }

    fn volley(&mut self, by: u8, volley: Volley) -> VolleyId {
        VolleyId(self.state(by, Fact::Volley(volley)))
    }

    fn see(&mut self, by: u8, volley: VolleyId, seen: Vec<Sighting>) -> FactId {
        self.state(by, Fact::Sightings(Sightings { volley, observer: None, seen }))
    }

    fn see_as(&mut self, person: &str, volley: VolleyId, seen: Vec<Sighting>) -> FactId {
        let observer = Some(PersonId::named(person));
        self.state(1, Fact::Sightings(Sightings { volley, observer, seen }))
    }

    fn withdraw(&mut self, fact: FactId) -> FactId {
        self.state(1, Fact::Withdrawal(Withdrawal { fact, reason: "a slip".to_owned() }))
    }

    fn matched(&mut self, first: VolleyId, second: VolleyId, same: bool) -> FactId {
        self.state(1, Fact::Match(Match { first, second, same, by: None }))
    }

    fn make_safe(&mut self, shots: Vec<ShotId>) -> FactId {
        self.state(1, Fact::MadeSafe(MadeSafe { shots, by: None, at: None, how: None }))
    }

    fn settled(&mut self) -> &Ledger {
        self.ledger.settle();
        &self.ledger
    }

    /// How many real shots there are.
    fn shots(&mut self) -> usize {
        self.settled().shots().count()
    }

    fn classes(&mut self, shot: ShotId) -> [Class; 4] {
        let view = self.settled().finding(shot).unwrap();
        [Measure::Ignition, Measure::Slow, Measure::Transfer, Measure::EndToEnd].map(|m| view.class(m))
    }

    fn ignition(&mut self, shot: ShotId) -> Class {
        self.classes(shot)[0]
    }

    fn blame(&mut self, shot: ShotId) -> Option<Blame> {
        self.settled().finding(shot).unwrap().finding.blame
    }
}
