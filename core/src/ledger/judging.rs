//! From notes to findings, causes, classes, the live list and columns, for the shots that may have changed.
//!
//! Three passes, because each needs the one before for a shot's mates too: what was seen of each shot; why it failed
//! (needs who else of the volley fired, and whether the unit fired later); what counts (needs all attempts of a unit).

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::bands::Bands;
use super::book::{Book, NoteKind, ShotRow};
use super::bridges::{self, BridgeFinding};
use super::causes::{self, Blame, Case, ModuleProof};
use super::codes::NONE;
use super::columns::ColumnRow;
use super::finding::{LiveReason, Scales, Trial, live_reason};
use super::measure::{self, Class};
use super::outings::Outings;
use super::register::Register;
use super::shelf::Shelf;
use crate::facts::{BridgeReading, Cause, Conditions, Fact, Ignition, Wiring, WiringKind, comparable_name};

/// Which of the things that joined slots should agree on they do not.
pub(super) mod differs {
    pub(in super::super) const LOT: u8 = 1;
    pub(in super::super) const UNIT: u8 = 2;
    pub(in super::super) const FUSE: u8 = 4;
    pub(in super::super) const WIRING: u8 = 8;
    /// The slots name more than one igniter.
    pub(in super::super) const IGNITER: u8 = LOT | UNIT;
}

/// What is handed from outside the tables.
pub(super) struct World<'a> {
    pub(super) shelf: &'a Shelf,
    pub(super) outings: &'a Outings,
    pub(super) register: &'a Register,
    pub(super) bands: &'a Bands,
}

/// What the attempts of one unit in one outing add up to.
#[derive(Default)]
struct Attempts {
    /// The last attempt at which the unit's own failure is settled by people.
    own_failure: Option<u8>,
    /// The last attempt that says anything of the igniter.
    telling: Option<u8>,
    /// The last attempt at all, shots left out of which it is not certain that they were of this unit.
    last: u8,
}

impl Book {
    /// Judges the shots of the slots put down as unjudged, and of all that hang on them.
    pub(super) fn judge(&mut self, world: &World<'_>) {
        let mut scales = Scales::default();
        let mut volleys = Vec::new();
        for slot in std::mem::take(&mut self.unjudged) {
            let s = *self.slot(slot);
            if s.volley == NONE || s.shot == NONE || self.shot(s.shot).is_dirty {
                continue;
            }
            self.shot_mut(s.shot).is_dirty = true;
            self.weigh(world, s.shot, &mut scales);
            let mut at = self.shot(s.shot).first;
            while at != NONE {
                let slot = *self.slot(at);
                if !std::mem::replace(&mut self.volley_mut(slot.volley).has_dirty_mates, true) {
                    volleys.push(slot.volley);
                }
                at = slot.next;
            }
        }
        let mut shots = Vec::new();
        for volley in volleys {
            self.volley_mut(volley).has_dirty_mates = false;
            let mut ignited = 0;
            for slot in self.slots_in(volley) {
                let shot = self.slot(slot).shot;
                let s = self.shot_mut(shot);
                s.is_dirty = false;
                ignited += u32::from(measure::fired(s.finding.ignition));
                if !std::mem::replace(&mut s.is_listed, true) {
                    shots.push(shot);
                }
            }
            let v = self.volley_mut(volley);
            v.ignited = ignited;
            let proves = (ignited > 0 && v.module != 0).then_some((v.outing, v.module));
            self.count_proof(volley, proves);
        }
        self.list_where_proof_changed(&mut shots);
        for unit in std::mem::take(&mut self.dirty_units) {
            self.unit_is_dirty[unit as usize] = false;
            for first in self.by_unit.items(unit) {
                let shot = self.slots[first as usize].shot;
                if !std::mem::replace(&mut self.shots[shot as usize].is_listed, true) {
                    shots.push(shot);
                }
            }
        }
        for shot in &shots {
            self.shot_mut(*shot).finding.blame = None;
        }
        self.find_causes(world, &shots);
        self.count_units(world, &shots);
    }

    /// Puts failed shots on the list whose module came to be proven at an outing, or no longer is, and marks their units.
    fn list_where_proof_changed(&mut self, shots: &mut Vec<u32>) {
        // Outing by outing, so that many modules of one outing cost one look at its volleys.
        let mut flipped: BTreeMap<u32, BTreeSet<u32>> = BTreeMap::new();
        for (outing, module) in std::mem::take(&mut self.flipped) {
            flipped.entry(outing).or_default().insert(module);
        }
        for (outing, modules) in flipped {
            let volleys: Vec<u32> =
                self.by_outing.items(outing).filter(|volley| modules.contains(&self.volley(*volley).module)).collect();
            for volley in volleys {
                for slot in self.slots_in(volley) {
                    let shot = self.slot(slot).shot;
                    let s = self.shot_mut(shot);
                    if s.finding.ignition.settled() == Some(Ignition::Failed)
                        && !std::mem::replace(&mut s.is_listed, true)
                    {
                        let unit = s.unit;
                        shots.push(shot);
                        self.mark_unit(unit);
                    }
                }
            }
        }
    }

    /// First pass: what the shot is, and what was seen of it.
    fn weigh(&mut self, world: &World<'_>, shot: u32, scales: &mut Scales) {
        let first = self.shot(shot).first;
        let head = *self.slot(first);
        let (wiring, outing) = (self.volley(head.volley).wiring, self.volley(head.volley).outing);
        let limit = world.outings.slow_limit_us(outing);
        let mut s = *self.shot(shot);
        let unit_before = s.unit;
        (s.lot, s.unit, s.fuse, s.attempt, s.wiring) = (head.lot, NONE, head.fuse, head.attempt, wiring);
        (s.differs, s.is_made_safe, s.others_are_safe) = (0, false, true);
        let (mut labelled, mut bridge) = (first, BridgeFinding::Nothing);
        for at in self.slots_of(shot) {
            let slot = self.slot(at);
            // What one device left open another may have stated; only what contradicts is a dispute.
            if slot.lot != s.lot {
                s.differs |= differs::LOT;
            } else if s.unit == NONE {
                (s.unit, labelled) = (slot.unit, at);
            } else if slot.unit != NONE && !self.are_one_unit(world.shelf, labelled, at) {
                s.differs |= differs::UNIT;
            }
            if s.fuse == 0 {
                s.fuse = slot.fuse;
            } else if slot.fuse != 0 && slot.fuse != s.fuse {
                s.differs |= differs::FUSE;
            }
            if self.volley(slot.volley).wiring != wiring {
                s.differs |= differs::WIRING;
            }
            for note in self.notes(at) {
                match (&world.shelf.row(note.row).fact, note.kind) {
                    (Fact::Sightings(said), NoteKind::Saw(index)) => {
                        if let Some(sighting) = said.seen.get(usize::from(index)) {
                            scales.see(sighting, limit);
                        }
                    }
                    (Fact::Ruling(ruling), _) => scales.rule(ruling),
                    (Fact::BridgeReading(reading), _) => bridge = bridge.with(self.shows(world.register, at, reading)),
                    _ => s.is_made_safe |= note.kind == NoteKind::MadeSafe,
                }
            }
        }
        if s.differs & differs::IGNITER != 0 {
            self.weigh_safe(world.shelf, shot, labelled, &mut s);
        }
        s.finding = scales.read();
        s.finding.bridge = bridge;
        *self.shot_mut(shot) = s;
        if s.unit != unit_before {
            self.mark_unit(unit_before);
            self.by_unit.detach(first);
            if s.unit != NONE {
                self.by_unit.attach(first, s.unit);
            }
        }
        self.mark_unit(s.unit);
    }

    /// Tells whether two labelled slots of one lot are one unit. Codes hold within an outing; people may join two.
    fn are_one_unit(&self, shelf: &Shelf, a: u32, b: u32) -> bool {
        let (x, y) = (self.slot(a), self.slot(b));
        let label = |slot: u32| {
            let s = self.slot(slot);
            let place = usize::from(s.position).checked_sub(1)?;
            self.content(shelf, s.volley)?.shots.get(place)?.unit.as_deref().map(comparable_name)
        };
        x.unit == y.unit || (self.volley(x.volley).outing != self.volley(y.volley).outing && label(a) == label(b))
    }

    /// Works out what of a shot is safe that people joined of contradicting igniters: which of them was there nobody
    /// knows, so each must be made safe by its own name.
    fn weigh_safe(&self, shelf: &Shelf, shot: u32, labelled: u32, s: &mut ShotRow) {
        let slots: Vec<u32> = self.slots_of(shot).collect();
        let is_of = |a: u32, b: u32| {
            let (x, y) = (self.slot(a), self.slot(b));
            x.lot == y.lot && (x.unit == NONE || y.unit == NONE || self.are_one_unit(shelf, a, b))
        };
        let makes_safe = |by: u32, other: u32| {
            // A slot without a label speaks for a labelled one only where its lot leaves no choice.
            let is_vague = self.slot(by).unit == NONE && self.slot(other).unit != NONE;
            let is_clear =
                !is_vague || slots.iter().all(|z| self.slot(*z).lot != self.slot(by).lot || is_of(*z, other));
            is_of(by, other) && is_clear
        };
        let is_noted = |slot: &u32| self.notes(*slot).any(|note| note.kind == NoteKind::MadeSafe);
        let noted: Vec<u32> = slots.iter().copied().filter(is_noted).collect();
        let is_safe = |slot: &u32| noted.iter().any(|by| makes_safe(*by, *slot));
        s.is_made_safe = slots.iter().all(is_safe);
        s.others_are_safe = slots.iter().filter(|slot| !is_of(**slot, labelled)).all(is_safe);
    }

    /// Second pass: why each of the shots failed, if it did.
    fn find_causes(&mut self, world: &World<'_>, shots: &[u32]) {
        // Asked once a unit: a label that ten thousand rows share must not cost their square.
        let mut strings: HashMap<u32, Option<Vec<bool>>> = HashMap::new();
        let mut last_at: HashMap<u32, (Option<u8>, Option<u8>)> = HashMap::new();
        for shot in shots {
            let s = *self.shot(*shot);
            if s.finding.ignition.settled() != Some(Ignition::Failed) {
                continue;
            }
            let (last_fired, last_alone) = *last_at.entry(s.unit).or_insert_with(|| {
                let attempts = || self.by_unit.items(s.unit).map(|first| self.slot(first).shot);
                let fired = attempts().map(|shot| self.shot(shot)).filter(|o| measure::fired(o.finding.ignition));
                let alone = attempts().filter(|shot| self.failed_alone_on_proven(*shot));
                (fired.map(|o| o.attempt).max(), alone.map(|shot| self.shot(shot).attempt).max())
            });
            let has_fired_neighbour = self.volley(self.slot(s.first).volley).ignited > 0;
            let volley = self.slot(s.first).volley;
            let of_strings = match self.volley(volley).wiring {
                WiringKind::SeriesParallel if has_fired_neighbour => {
                    strings.entry(volley).or_insert_with(|| self.strings_fired(world.shelf, volley)).as_ref()
                }
                _ => None,
            };
            let offset = (s.first - self.volley(volley).first_slot) as usize;
            let in_string = of_strings.and_then(|fired| fired.get(offset).copied());
            let has_fired_mate = has_fired_neighbour && in_string.unwrap_or(true);
            let blame = causes::blame(Case {
                stated: s.finding.stated_cause,
                wiring: s.wiring,
                has_fired_mate,
                has_fired_neighbour,
                module: self.module_proof(*shot),
                fired_later: last_fired.is_some_and(|last| last > s.attempt),
                bridge: s.finding.bridge,
                failed_alone_later: last_alone.is_some_and(|last| last > s.attempt),
            });
            self.shot_mut(*shot).finding.blame = Some(blame);
        }
    }

    /// Tells what is known of the module of a shot, as any of its slots names it.
    fn module_proof(&self, shot: u32) -> ModuleProof {
        let mut proof = ModuleProof::Unnamed;
        for slot in self.slots_of(shot) {
            let v = self.volley(self.slot(slot).volley);
            if v.module != 0 {
                if self.proven.contains_key(&(v.outing, v.module)) {
                    return ModuleProof::Proven;
                }
                proof = ModuleProof::Unproven;
            }
        }
        proof
    }

    /// Returns what a reading says of the bridge of a slot; nothing if it was taken before the volley.
    pub(super) fn shows(&self, register: &Register, slot: u32, reading: &BridgeReading) -> BridgeFinding {
        let s = self.slot(slot);
        if self.volley(s.volley).known_ms().is_some_and(|fired| reading.at.unix_ms < fired) {
            return BridgeFinding::Nothing;
        }
        let lot = self.columns.lots.id(s.lot).and_then(|id| register.lots().get(id));
        let of = lot.and_then(|lot| lot.value.igniter_type).and_then(|id| register.types().get(id));
        bridges::shows(reading.bridge, of.map(|t| &t.value))
    }

    /// Tells whether an attempt failed alone on a proven module, and neither a person nor its bridge speaks for another
    /// cause.
    fn failed_alone_on_proven(&self, shot: u32) -> bool {
        let s = self.shot(shot);
        let stated = s.finding.stated_cause.values();
        s.wiring == WiringKind::Single
            && s.finding.ignition.settled() == Some(Ignition::Failed)
            && stated.without(Cause::Igniter).is_empty()
            && matches!(s.finding.bridge, BridgeFinding::Nothing | BridgeFinding::Open)
            && self.module_proof(shot) == ModuleProof::Proven
    }

    /// Tells for each shot of a series-parallel volley whether anything on its string fired; `None` where its strings are
    /// not stated, or for other wirings.
    fn strings_fired(&self, shelf: &Shelf, volley: u32) -> Option<Vec<bool>> {
        let v = self.volley(volley);
        let Wiring::SeriesParallel(lengths) = &self.content(shelf, volley)?.wiring else { return None };
        if lengths.iter().map(|n| u32::from(*n)).sum::<u32>() != v.slots {
            return None;
        }
        let mut fired = Vec::with_capacity(v.slots as usize);
        let mut from = v.first_slot;
        for length in lengths {
            let to = from + u32::from(*length);
            let any = (from..to).any(|mate| measure::fired(self.shot(self.slot(mate).shot).finding.ignition));
            fired.resize(fired.len() + usize::from(*length), any);
            from = to;
        }
        Some(fired)
    }

    /// Third pass: which attempts of a unit count, and which is the one that may be live.
    fn count_units(&mut self, world: &World<'_>, shots: &[u32]) {
        let mut done_units = Vec::new();
        for shot in shots {
            self.shot_mut(*shot).is_listed = false;
            let unit = self.shot(*shot).unit;
            if unit == NONE {
                let attempts = Attempts { last: self.shot(*shot).attempt, ..Attempts::default() };
                self.count(world, *shot, &attempts);
            } else {
                self.mark_unit(unit);
            }
        }
        done_units.append(&mut self.dirty_units);
        for unit in done_units {
            self.unit_is_dirty[unit as usize] = false;
            let mut attempts = Attempts::default();
            let mut mates = Vec::new();
            for first in self.by_unit.items(unit) {
                let shot = self.slot(first).shot;
                let s = self.shot(shot);
                mates.push(shot);
                if s.differs & differs::IGNITER == 0 {
                    attempts.last = attempts.last.max(s.attempt);
                }
                if measure::ignition(s.finding.ignition, s.finding.blame) != Class::NotCounted {
                    attempts.telling = attempts.telling.max(Some(s.attempt));
                }
                if s.finding.blame.is_some_and(is_own_by_word) {
                    attempts.own_failure = attempts.own_failure.max(Some(s.attempt));
                }
            }
            for shot in mates {
                self.count(world, shot, &attempts);
            }
        }
    }

    fn count(&mut self, world: &World<'_>, shot: u32, attempts: &Attempts) {
        let s = self.shot_mut(shot);
        let f = s.finding;
        let mut ignition = measure::ignition(f.ignition, f.blame);
        let failing = matches!(ignition, Class::Failure | Class::Unresolved);
        s.trial = match attempts.own_failure {
            _ if ignition == Class::NotCounted => Trial::Counted,
            Some(own) if s.attempt > own || (s.attempt < own && failing) => Trial::FailedElsewhere,
            // A label written twice at one attempt is no retry, so equal attempts all count.
            None if failing && attempts.telling.is_some_and(|last| last > s.attempt) => Trial::TriedAgain,
            _ => Trial::Counted,
        };
        if s.trial != Trial::Counted {
            ignition = Class::NotCounted;
        }
        let names_fuse = s.fuse != 0;
        let transfer = measure::transfer(f.ignition, f.transfer);
        let (had_fuse, is_unseen) =
            (measure::had_fuse(f.transfer, names_fuse), measure::is_unseen(f.transfer, names_fuse));
        let end = measure::end_to_end(ignition, transfer, had_fuse, is_unseen);
        s.class = [ignition, measure::slow(f.ignition), transfer, end, measure::raw(f.ignition)];
        let is_tried_again = s.attempt < attempts.last && s.others_are_safe;
        let is_cleared = |r: LiveReason| s.is_made_safe || (is_tried_again && r.is_cleared_by_later_attempt());
        s.live = live_reason(&f, names_fuse).filter(|reason| !is_cleared(*reason));
        self.write_row(world, shot);
    }

    fn write_row(&mut self, world: &World<'_>, shot: u32) {
        let s = *self.shot(shot);
        let volley = self.slot(s.first).volley;
        let stated = self.volley(volley);
        let (outing, shots_in_volley) = (stated.outing, stated.slots);
        let module = self.slots_of(shot).find_map(|slot| self.content(world.shelf, self.slot(slot).volley)?.module);
        let module = self.columns.modules.code(module);
        let igniter_type = self.type_of(world.register, s.lot);
        let (lot, fuse, wiring, class) = (s.lot, s.fuse, s.wiring, s.class);
        let row = ColumnRow { lot, fuse, module, outing, volley, igniter_type, wiring, shots_in_volley, class };
        self.columns.write(shot, row);
        let conditions = self.conditions(world.outings, world.bands, shot);
        self.columns.write_weather(shot, world.bands, &conditions);
    }

    fn type_of(&mut self, register: &Register, lot: u32) -> u32 {
        while self.lot_types.len() <= lot as usize {
            let id = self.columns.lots.id(self.lot_types.len() as u32);
            let known = id.and_then(|id| register.lots().get(id)).and_then(|lot| lot.value.igniter_type);
            let code = self.columns.types.code(known);
            self.lot_types.push(code);
        }
        self.lot_types[lot as usize]
    }

    /// Takes the register's word on a lot's igniter type into all its rows.
    pub(super) fn retype(&mut self, register: &Register, id: crate::facts::LotId) {
        let Some(lot) = self.columns.lots.find(id) else { return };
        let before = self.lot_types.get(lot as usize).copied();
        let known = register.lots().get(id).and_then(|lot| lot.value.igniter_type);
        let code = self.columns.types.code(known);
        // A lot whose type was never asked for has no row yet.
        if before.is_some_and(|before| before != code) {
            self.lot_types[lot as usize] = code;
            self.columns.write_type(lot, known);
        }
    }

    /// Returns the weather of a shot: as stated with its volleys, else from readings, field by field.
    pub(super) fn conditions(&self, outings: &Outings, bands: &Bands, shot: u32) -> Conditions {
        let mut stated = Conditions::default();
        for slot in self.slots_of(shot) {
            let c = self.volley(self.slot(slot).volley).conditions;
            stated.temperature = stated.temperature.or(c.temperature);
            stated.humidity = stated.humidity.or(c.humidity);
            stated.wind = stated.wind.or(c.wind);
            stated.precipitation = stated.precipitation.or(c.precipitation);
        }
        let volley = self.volley(self.slot(self.shot(shot).first).volley);
        outings.weather(volley.outing, volley.at_ms, i64::from(bands.max_age_minutes) * 60_000, stated)
    }

    /// Looks up the weather of an outing's shots anew.
    pub(super) fn reweather(&mut self, outings: &Outings, bands: &Bands, outing: u32) {
        for volley in self.by_outing.items(outing) {
            for slot in self.slots_in(volley) {
                let shot = self.slots[slot as usize].shot;
                let conditions = self.conditions(outings, bands, shot);
                self.columns.write_weather(shot, bands, &conditions);
            }
        }
    }
}

fn is_own_by_word(blame: Blame) -> bool {
    blame.cause == Cause::Igniter && blame.grounds.is_stated()
}
