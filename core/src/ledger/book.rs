//! The tables: volleys in effect, their slots, the real shots that slots add up to, and what is noted of each slot.
//!
//! Plain rows that name each other by number; a new volley touches its own rows and those of its mates, nothing else.

use std::collections::{BTreeSet, HashMap};

use super::codes::{NONE, Units};
use super::columns::Columns;
use super::finding::{Finding, LiveReason, Trial};
use super::lists::Lists;
use super::measure::Class;
use super::shelf::{FactRef, Shelf};
use crate::facts::{Conditions, Fact, ShotId, Volley, VolleyId, WiringKind};

/// One volley in effect.
#[derive(Debug)]
pub(super) struct VolleyRow {
    /// The fact that first stated it: its id.
    pub(super) root: FactRef,
    /// The row with its content; `NONE` once it is withdrawn or replaced.
    pub(super) content: u32,
    /// The device that first stated it.
    pub(super) device: u32,
    /// When it was fired or, where nobody stated that, written; ms since 1970.
    pub(super) at_ms: i64,
    /// Whether `at_ms` is known: an import without a time is written at 0.
    pub(super) has_time: bool,
    /// Whether its outing is a show.
    pub(super) is_in_show: bool,
    pub(super) outing: u32,
    /// The module's code; 0 where none is named.
    pub(super) module: u32,
    /// The outing and module that it is counted for as a volley of which something fired.
    pub(super) proves: Option<(u32, u32)>,
    pub(super) first_slot: u32,
    pub(super) slots: u32,
    pub(super) wiring: WiringKind,
    pub(super) conditions: Conditions,
    /// Matches in effect that name it, in order of their ids.
    pub(super) matches: Vec<u32>,
    /// How many of its shots fired, by their findings.
    pub(super) ignited: u32,
    pub(super) is_dirty: bool,
    pub(super) has_dirty_mates: bool,
}

impl VolleyRow {
    /// Returns when it was fired or written; `None` if unknown.
    pub(super) fn known_ms(&self) -> Option<i64> {
        self.has_time.then_some(self.at_ms)
    }
}

/// One igniter of one volley as one device stated it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slot {
    /// `NONE` if the slot is free.
    pub(super) volley: u32,
    pub(super) position: u16,
    pub(super) attempt: u8,
    pub(super) lot: u32,
    /// The label's code within lot and outing; `NONE` for a unit without a label.
    pub(super) unit: u32,
    pub(super) fuse: u32,
    pub(super) shot: u32,
    /// The next slot of the same shot, by id.
    pub(super) next: u32,
    /// The first note.
    pub(super) notes: u32,
    pub(super) is_seen: bool,
}

/// What a note is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoteKind {
    /// A sighting, with its place among those of its fact.
    Saw(u16),
    Ruling,
    Read,
    MadeSafe,
}

/// One fact in effect that speaks of a slot.
#[derive(Debug, Clone, Copy)]
pub(super) struct Note {
    pub(super) row: u32,
    pub(super) kind: NoteKind,
    next: u32,
}

/// One real shot.
#[derive(Debug, Clone, Copy)]
pub(super) struct ShotRow {
    /// Its slot with the smallest id, which gives the shot its id.
    pub(super) first: u32,
    pub(super) unit: u32,
    pub(super) lot: u32,
    pub(super) fuse: u32,
    pub(super) attempt: u8,
    pub(super) wiring: WiringKind,
    /// Which of lot, unit, fuse and wiring its slots disagree on, a bit each.
    pub(super) differs: u8,
    pub(super) finding: Finding,
    /// Whether every igniter that its slots name was made safe.
    pub(super) is_made_safe: bool,
    /// Whether those were that contradict the one that gives the shot its lot and unit; true if there are none.
    pub(super) others_are_safe: bool,
    pub(super) live: Option<LiveReason>,
    pub(super) trial: Trial,
    pub(super) class: [Class; 5],
    pub(super) is_dirty: bool,
    pub(super) is_listed: bool,
}

/// What makes two slots of different devices one shot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Key {
    Place { outing: u32, module: u32, channel: u16, attempt: u8, position: u16 },
    UnitOnChannel { module: u32, channel: u16, unit: u32, attempt: u8 },
    Unit { unit: u32, attempt: u8 },
}

/// All tables.
#[derive(Debug, Default)]
pub(super) struct Book {
    pub(super) columns: Columns,
    pub(super) units: Units,
    /// The igniter type's code of each lot's code, as far as asked for.
    pub(super) lot_types: Vec<u32>,
    pub(super) volleys: Vec<VolleyRow>,
    pub(super) by_root: HashMap<FactRef, u32>,
    pub(super) slots: Vec<Slot>,
    pub(super) shots: Vec<ShotRow>,
    /// The list of each key in `by_label` or `by_place`.
    pub(super) keys: HashMap<Key, u32>,
    /// Labelled slots by the keys of their units.
    pub(super) by_label: Lists,
    /// Slots on a show's channel by their places.
    pub(super) by_place: Lists,
    /// First slots of shots by unit: the attempts of one igniter in one outing.
    pub(super) by_unit: Lists,
    /// Volleys by outing.
    pub(super) by_outing: Lists,
    notes: Vec<Note>,
    free_note: u32,
    free_slots: HashMap<u32, Vec<u32>>,
    /// Volleys of which a bridge was measured.
    pub(super) read: BTreeSet<u32>,
    pub(super) dirty_volleys: Vec<u32>,
    /// Slots whose shots must be put together anew.
    pub(super) loose: Vec<u32>,
    /// Slots whose shots must be judged anew.
    pub(super) unjudged: Vec<u32>,
    pub(super) dirty_units: Vec<u32>,
    pub(super) unit_is_dirty: Vec<bool>,
    /// How many volleys fired something, by outing and module.
    pub(super) proven: HashMap<(u32, u32), u32>,
    /// Those of which the first came or the last went since the last judging.
    pub(super) flipped: Vec<(u32, u32)>,
}

impl Book {
    pub(super) fn new() -> Self {
        Self { free_note: NONE, ..Self::default() }
    }

    pub(super) fn slot(&self, slot: u32) -> &Slot {
        &self.slots[slot as usize]
    }

    pub(super) fn slot_mut(&mut self, slot: u32) -> &mut Slot {
        &mut self.slots[slot as usize]
    }

    pub(super) fn volley(&self, volley: u32) -> &VolleyRow {
        &self.volleys[volley as usize]
    }

    pub(super) fn volley_mut(&mut self, volley: u32) -> &mut VolleyRow {
        &mut self.volleys[volley as usize]
    }

    pub(super) fn shot(&self, shot: u32) -> &ShotRow {
        &self.shots[shot as usize]
    }

    pub(super) fn shot_mut(&mut self, shot: u32) -> &mut ShotRow {
        &mut self.shots[shot as usize]
    }

    /// Returns the volley in effect that a reference means, by its first statement or by a correction.
    pub(super) fn resolve(&self, shelf: &Shelf, at: FactRef) -> Option<u32> {
        let root = match shelf.row_at(at).map(|row| shelf.row(row)) {
            Some(row) if matches!(row.fact, Fact::Volley(_)) => row.root,
            Some(_) => return None,
            None => at,
        };
        self.by_root.get(&root).copied()
    }

    /// Returns the slot that an id means.
    pub(super) fn find_slot(&self, shelf: &Shelf, id: ShotId) -> Option<u32> {
        let volley = self.volley(self.resolve(shelf, shelf.find(id.volley.0)?)?);
        let offset = u32::from(id.position.checked_sub(1)?);
        (volley.content != NONE && offset < volley.slots).then(|| volley.first_slot + offset)
    }

    pub(super) fn volley_id(&self, shelf: &Shelf, volley: u32) -> VolleyId {
        VolleyId(shelf.id(self.volley(volley).root))
    }

    pub(super) fn slot_id(&self, shelf: &Shelf, slot: u32) -> ShotId {
        let s = self.slot(slot);
        ShotId { volley: self.volley_id(shelf, s.volley), position: s.position }
    }

    pub(super) fn shot_id(&self, shelf: &Shelf, shot: u32) -> ShotId {
        self.slot_id(shelf, self.shot(shot).first)
    }

    /// Returns what a volley in effect says.
    pub(super) fn content<'a>(&self, shelf: &'a Shelf, volley: u32) -> Option<&'a Volley> {
        match shelf.rows().get(self.volley(volley).content as usize).map(|row| &row.fact) {
            Some(Fact::Volley(v)) => Some(v),
            _ => None,
        }
    }

    /// Returns the slots of a shot, the one that gives it its id first.
    pub(super) fn slots_of(&self, shot: u32) -> impl Iterator<Item = u32> + '_ {
        let mut at = self.shot(shot).first;
        std::iter::from_fn(move || {
            let slot = at;
            (slot != NONE).then(|| {
                at = self.slot(slot).next;
                slot
            })
        })
    }

    /// Returns the slots of a volley.
    pub(super) fn slots_in(&self, volley: u32) -> std::ops::Range<u32> {
        let v = self.volley(volley);
        v.first_slot..v.first_slot + v.slots
    }

    /// Returns the notes on a slot.
    pub(super) fn notes(&self, slot: u32) -> impl Iterator<Item = Note> + '_ {
        let mut at = self.slot(slot).notes;
        std::iter::from_fn(move || {
            let note = self.notes.get(at as usize).copied()?;
            at = note.next;
            Some(note)
        })
    }

    pub(super) fn note(&mut self, slot: u32, row: u32, kind: NoteKind) {
        let note = Note { row, kind, next: self.slot(slot).notes };
        let at = self.free_note;
        let at = if at == NONE {
            self.notes.push(note);
            self.notes.len() as u32 - 1
        } else {
            self.free_note = self.notes[at as usize].next;
            self.notes[at as usize] = note;
            at
        };
        self.slot_mut(slot).notes = at;
    }

    pub(super) fn clear_notes(&mut self, slot: u32) {
        let mut at = std::mem::replace(&mut self.slot_mut(slot).notes, NONE);
        while at != NONE {
            let next = std::mem::replace(&mut self.notes[at as usize].next, self.free_note);
            self.free_note = at;
            at = next;
        }
    }

    /// Takes a run of free slots.
    pub(super) fn take_slots(&mut self, volley: u32, count: u32) -> u32 {
        let free = self.free_slots.get_mut(&count).and_then(Vec::pop);
        let first = free.unwrap_or_else(|| {
            let first = self.slots.len() as u32;
            let (lot, unit, fuse) = (NONE, NONE, NONE);
            let blank = Slot {
                volley,
                position: 0,
                attempt: 0,
                lot,
                unit,
                fuse,
                shot: NONE,
                next: NONE,
                notes: NONE,
                is_seen: false,
            };
            self.slots.resize((first + count) as usize, blank);
            first
        });
        for offset in 0..count {
            let s = self.slot_mut(first + offset);
            s.volley = volley;
            s.position = offset as u16 + 1;
        }
        first
    }

    /// Gives back a volley's slots; what they were joined with is put together anew.
    pub(super) fn free_slots(&mut self, volley: u32) {
        let slots = self.slots_in(volley);
        for slot in slots.clone() {
            self.clear_notes(slot);
            self.rekey(slot, None, None);
            if self.slot(slot).shot != NONE {
                self.break_up(self.slot(slot).shot);
            }
            self.slot_mut(slot).volley = NONE;
        }
        if !slots.is_empty() {
            self.free_slots.entry(slots.len() as u32).or_default().push(slots.start);
        }
        self.volley_mut(volley).slots = 0;
    }

    /// Puts a slot under other keys; returns whether they are others.
    pub(super) fn rekey(&mut self, slot: u32, label: Option<Key>, place: Option<Key>) -> bool {
        let mut changed = false;
        for (lists, key) in [(&mut self.by_label, label), (&mut self.by_place, place)] {
            let next = self.keys.len() as u32;
            let key = key.map(|key| *self.keys.entry(key).or_insert(next));
            let before = lists.list_of(slot);
            if key == before {
                continue;
            }
            changed = true;
            if let Some(before) = before {
                lists.detach(slot);
                // The rest of the list may pair up otherwise without it.
                self.loose.extend(lists.items(before).next());
            }
            if let Some(key) = key {
                lists.attach(slot, key);
            }
        }
        changed
    }

    /// Counts the volley for a module at an outing, and no longer for the one that it was counted for.
    pub(super) fn count_proof(&mut self, volley: u32, proves: Option<(u32, u32)>) {
        let before = std::mem::replace(&mut self.volley_mut(volley).proves, proves);
        if before == proves {
            return;
        }
        if let Some(key) = before
            && let Some(count) = self.proven.get_mut(&key)
        {
            *count -= 1;
            if *count == 0 {
                self.proven.remove(&key);
                self.flipped.push(key);
            }
        }
        if let Some(key) = proves {
            let count = self.proven.entry(key).or_insert(0);
            *count += 1;
            if *count == 1 {
                self.flipped.push(key);
            }
        }
    }

    /// Marks the volleys of which a bridge was measured for a new look.
    pub(super) fn mark_read(&mut self) {
        for volley in self.read.iter().copied().collect::<Vec<_>>() {
            self.mark_volley(volley);
        }
    }

    pub(super) fn mark_volley(&mut self, volley: u32) {
        let v = self.volley_mut(volley);
        if !std::mem::replace(&mut v.is_dirty, true) {
            self.dirty_volleys.push(volley);
        }
    }

    pub(super) fn mark_unit(&mut self, unit: u32) {
        if unit == NONE {
            return;
        }
        if self.unit_is_dirty.len() <= unit as usize {
            self.unit_is_dirty.resize(self.units.len(), false);
        }
        if !std::mem::replace(&mut self.unit_is_dirty[unit as usize], true) {
            self.dirty_units.push(unit);
        }
    }
}
