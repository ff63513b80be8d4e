//! What the facts contradict each other on, and who says what. Worked out when asked for.

use super::Ledger;
use super::book::ShotRow;
use super::bridges::BridgeFinding;
use super::choices::{Choice, Outcome};
use super::finding::DelayFinding;
use super::judging::differs;
use super::measure;
use super::view::Observer;
use crate::facts::{Cause, FactId, RegisterId, ShotId, VolleyId};

/// What a dispute is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Subject {
    /// What was seen of a shot; a ruling settles it.
    Shot(ShotId),
    /// Rulings on a shot; withdrawing one settles it.
    Rulings(ShotId),
    /// What a shot was: the volleys joined in it name different lots, units, fuses or wirings.
    Wired(ShotId),
    /// A thing of the register.
    Register(RegisterId),
    /// Corrections of one fact; the first counts meanwhile.
    Corrections(FactId),
    /// Whether two volleys are the same; the first word counts meanwhile.
    Matches(VolleyId, VolleyId),
}

/// What one fact says in a dispute.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Statement {
    /// The fact.
    pub fact: FactId,
    /// Who says so: the observer, else the person who ruled or matched, else the device.
    pub by: Observer,
    /// The word, number or interval; empty where a whole fact stands against another.
    pub says: String,
}

/// Facts that contradict each other.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Dispute {
    /// What it is about.
    pub subject: Subject,
    /// The field: `ignition`, `transfer`, `delay`, `cause`, `bridge`, `attempt` (the unit had fired at an earlier one), `lot`, `unit`, `fuse`, `wiring`, a field of the register,
    /// `content` or `same`.
    pub field: &'static str,
    /// What is said, by fact.
    pub said: Vec<Statement>,
}

impl Ledger {
    /// Returns all disputes: of shots by id, then rulings, wiring, register, corrections, matches.
    ///
    /// A dispute that a ruling settled is none. The time is proportional to the shots.
    #[must_use]
    pub fn disputes(&self) -> Vec<Dispute> {
        let mut found = Vec::new();
        for (row, shot) in (0..).zip(&self.book.shots) {
            self.shot_disputes(row, shot, &mut found);
        }
        self.attempt_disputes(&mut found);
        self.register_disputes(&mut found);
        self.correction_disputes(&mut found);
        self.match_disputes(&mut found);
        found.sort();
        found
    }

    fn shot_disputes(&self, row: u32, shot: &ShotRow, found: &mut Vec<Dispute>) {
        let f = &shot.finding;
        let delay = match f.delay {
            DelayFinding::Disputed(_) => true,
            DelayFinding::Nothing | DelayFinding::Agreed(_) => false,
        };
        let is_open = f.ignition.is_disputed() || f.transfer.is_disputed() || f.stated_cause.is_disputed() || delay;
        // A ruling on the cause settles what the bridge was measured for.
        let bridge = f.bridge == BridgeFinding::Disputed && !matches!(f.stated_cause, Outcome::Ruled(_));
        if !is_open && !bridge && shot.differs == 0 {
            return;
        }
        let id = self.book.shot_id(&self.shelf, row);
        self.word_dispute(row, id, "ignition", f.ignition, found);
        self.word_dispute(row, id, "transfer", f.transfer, found);
        self.word_dispute(row, id, "cause", f.stated_cause, found);
        if delay {
            let seen = self.sightings_of(row).into_iter().filter_map(|s| {
                let d = s.sighting.delay?.checked_interval().ok()?;
                Some(Statement { fact: s.fact, by: s.observer, says: format!("{} to {} ms", d.low_ms(), d.high_ms()) })
            });
            found.push(Dispute { subject: Subject::Shot(id), field: "delay", said: seen.collect() });
        }
        if bridge {
            let read = self.bridge_readings_of(row).into_iter().filter(|r| r.shows != BridgeFinding::Nothing);
            let said = read.map(|r| Statement { fact: r.fact, by: r.by, says: r.reading.bridge.to_string() });
            found.push(Dispute { subject: Subject::Shot(id), field: "bridge", said: said.collect() });
        }
        for (bit, field) in
            [(differs::LOT, "lot"), (differs::UNIT, "unit"), (differs::FUSE, "fuse"), (differs::WIRING, "wiring")]
        {
            if shot.differs & bit != 0 {
                let said = self.wired_as(row, bit);
                found.push(Dispute { subject: Subject::Wired(id), field, said });
            }
        }
    }

    fn word_dispute<T: Choice>(
        &self,
        row: u32,
        id: ShotId,
        field: &'static str,
        outcome: Outcome<T>,
        found: &mut Vec<Dispute>,
    ) {
        if !outcome.is_disputed() {
            return;
        }
        let ruled: Vec<Statement> = self
            .rulings_of(row)
            .into_iter()
            .filter_map(|(fact, r)| {
                let word = match field {
                    "ignition" => r.ignition.map(Choice::text),
                    "transfer" => r.transfer.map(Choice::text),
                    _ => r.cause.map(Choice::text),
                };
                Some(Statement { fact, by: self.speaker(fact, r.by), says: word?.to_owned() })
            })
            .collect();
        if !ruled.is_empty() {
            found.push(Dispute { subject: Subject::Rulings(id), field, said: ruled });
            return;
        }
        let seen = self.sightings_of(row).into_iter().filter_map(|s| {
            let word = match field {
                "ignition" => s.ignition.text(),
                "transfer" => s.sighting.transfer.text(),
                _ => s.sighting.cause.filter(|c| *c != Cause::Unresolved)?.text(),
            };
            Some(Statement { fact: s.fact, by: s.observer, says: word.to_owned() })
        });
        found.push(Dispute { subject: Subject::Shot(id), field, said: seen.collect() });
    }

    fn wired_as(&self, row: u32, bit: u8) -> Vec<Statement> {
        let each = self.book.slots_of(row).filter_map(|slot| {
            let volley = self.book.slot(slot).volley;
            let shot = self.shot_content(slot)?;
            let says = match bit {
                differs::LOT => {
                    self.register.lots().get(shot.lot).map_or_else(|| shot.lot.to_string(), |l| l.value.mark.clone())
                }
                differs::UNIT => shot.unit.clone()?,
                differs::FUSE => {
                    let fuse = shot.fuse?;
                    self.register.fuses().get(fuse).map_or_else(|| fuse.to_string(), |f| f.value.name.clone())
                }
                _ => self.book.volley(volley).wiring.word().to_owned(),
            };
            Some(self.volley_says(volley, says))
        });
        each.collect()
    }

    /// A unit that fired cannot fire again: one of the labels, attempts or sightings is wrong.
    fn attempt_disputes(&self, found: &mut Vec<Dispute>) {
        for unit in 0..self.book.by_unit.len() {
            if self.book.by_unit.items(unit).nth(1).is_none() {
                continue;
            }
            let shots = self.book.by_unit.items(unit).map(|first| (first, self.book.shot(self.book.slot(first).shot)));
            let mut fired: Vec<_> = shots
                .filter(|(_, shot)| measure::fired(shot.finding.ignition))
                .map(|(first, shot)| (shot.attempt, self.book.slot_id(&self.shelf, first), first))
                .collect();
            fired.sort_unstable_by_key(|(attempt, id, _)| (*attempt, *id));
            if let (Some((earliest, ..)), Some((latest, id, _))) = (fired.first(), fired.last())
                && earliest < latest
            {
                let says = |attempt: &u8| format!("fired at attempt {attempt}");
                let said = fired.iter().map(|(a, _, first)| self.volley_says(self.book.slot(*first).volley, says(a)));
                let mut said: Vec<Statement> = said.collect();
                said.sort();
                found.push(Dispute { subject: Subject::Shot(*id), field: "attempt", said });
            }
        }
    }

    fn volley_says(&self, volley: u32, says: String) -> Statement {
        let content = self.book.volley(volley).content;
        let by = Observer::Device(self.shelf.device(self.shelf.origin(content)));
        Statement { fact: self.shelf.row_id(content), by, says }
    }

    fn register_disputes(&self, found: &mut Vec<Dispute>) {
        for (id, facts, fields) in self.register.conflicts() {
            for field in fields {
                let said = facts.iter().map(|fact| self.whole(*fact)).collect();
                found.push(Dispute { subject: Subject::Register(id), field, said });
            }
        }
    }

    fn correction_disputes(&self, found: &mut Vec<Dispute>) {
        for tips in self.effect.forks() {
            let Some(first) = tips.first() else { continue };
            let subject = Subject::Corrections(self.shelf.id(self.shelf.row(*first).root));
            let said = tips.iter().map(|row| self.whole(self.shelf.row_id(*row))).collect();
            found.push(Dispute { subject, field: "content", said });
        }
    }

    fn match_disputes(&self, found: &mut Vec<Dispute>) {
        for volley in (0..).zip(&self.book.volleys).filter(|(_, v)| !v.matches.is_empty()).map(|(i, _)| i) {
            for (other, word) in self.book.words(&self.shelf, volley) {
                let (a, b) = (self.book.volley_id(&self.shelf, volley), self.book.volley_id(&self.shelf, other));
                if a > b || !word.is_contradicted {
                    continue;
                }
                let said = word.matches.iter().filter_map(|row| {
                    let crate::facts::Fact::Match(m) = &self.shelf.row(*row).fact else { return None };
                    let fact = self.shelf.row_id(*row);
                    let says = if m.same { "the same" } else { "different" };
                    Some(Statement { fact, by: self.speaker(fact, m.by), says: says.to_owned() })
                });
                found.push(Dispute { subject: Subject::Matches(a, b), field: "same", said: said.collect() });
            }
        }
    }

    fn speaker(&self, fact: FactId, person: Option<crate::facts::PersonId>) -> Observer {
        person.map_or_else(|| self.whole(fact).by, Observer::Person)
    }

    fn whole(&self, fact: FactId) -> Statement {
        // Only facts that came are asked for, so the short form is there.
        let at = self.shelf.find(fact);
        let device = at.map_or(crate::facts::DeviceId::from_bytes([0; 16]), |at| self.shelf.device(at));
        Statement { fact, by: Observer::Device(device), says: String::new() }
    }
}
