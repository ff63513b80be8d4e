//! Keeps the rows of volleys and slots in step with the facts in effect.

use super::book::{Book, Key, NoteKind, VolleyRow};
use super::codes::NONE;
use super::outings::Outings;
use super::shelf::{FactRef, Inbound, Naming, Shelf, Standing};
use crate::facts::{Conditions, Fact, OutingKind, Volley, WiringKind};

impl Book {
    /// Marks the volley that begins at `root` for a new look; it gets a row if it has none.
    pub(super) fn touch_root(&mut self, root: FactRef) {
        let next = self.volleys.len() as u32;
        let volley = *self.by_root.entry(root).or_insert(next);
        if volley == next {
            self.volleys.push(VolleyRow {
                root,
                content: NONE,
                device: NONE,
                at_ms: 0,
                has_time: false,
                is_in_show: false,
                outing: 0,
                module: 0,
                proves: None,
                first_slot: 0,
                slots: 0,
                wiring: WiringKind::Single,
                conditions: Conditions::default(),
                matches: Vec::new(),
                ignited: 0,
                is_dirty: false,
                has_dirty_mates: false,
            });
        }
        self.mark_volley(volley);
    }

    /// Works out the dirty volleys anew.
    pub(super) fn rebuild(&mut self, shelf: &Shelf, outings: &Outings) {
        let mut named = Vec::new();
        for volley in std::mem::take(&mut self.dirty_volleys) {
            self.volley_mut(volley).is_dirty = false;
            let content = gather(shelf, self.volley(volley).root, &mut named);
            let stated = content.and_then(|row| match &shelf.row(row).fact {
                Fact::Volley(v) => Some((row, v)),
                _ => None,
            });
            let Some((row, stated)) = stated else {
                self.free_slots(volley);
                self.by_outing.detach(volley);
                self.count_proof(volley, None);
                self.read.remove(&volley);
                let v = self.volley_mut(volley);
                v.content = NONE;
                v.matches.clear();
                continue;
            };
            let mut moved = self.rebuild_row(shelf, outings, volley, row, stated);
            moved |= self.rebuild_matches(&named, volley);
            self.rebuild_slots(volley, stated, moved);
            self.rebuild_notes(shelf, volley, &named);
        }
    }

    /// Returns whether the volley's slots may now belong to other shots.
    fn rebuild_row(&mut self, shelf: &Shelf, outings: &Outings, volley: u32, row: u32, stated: &Volley) -> bool {
        let origin = shelf.origin(row);
        let device = shelf.device_code(origin);
        let outing = self.columns.outings.code(Some(stated.outing));
        let count = u32::from(u16::try_from(stated.shots.len()).unwrap_or(u16::MAX));
        let before = self.volley(volley);
        let at = stated.at.unwrap_or_else(|| shelf.written(origin));
        let has_time = stated.at.is_some() || at.unix_ms != 0;
        let is_in_show = outings.kind(outing) == OutingKind::Show;
        let is_known = (before.device, before.outing, before.is_in_show) == (device, outing, is_in_show);
        let is_timed = (before.at_ms, before.has_time) == (at.unix_ms, has_time);
        // Times part volleys of shows only.
        let moved = before.content == NONE || !is_known || (is_in_show && !is_timed);
        if before.slots != count {
            self.free_slots(volley);
            let first = self.take_slots(volley, count);
            let v = self.volley_mut(volley);
            (v.first_slot, v.slots) = (first, count);
        }
        self.by_outing.attach(volley, outing);
        let module = self.columns.modules.code(stated.module);
        if count == 0 {
            // Without shots it is never judged.
            self.count_proof(volley, None);
        }
        let v = self.volley_mut(volley);
        v.content = row;
        v.device = device;
        (v.at_ms, v.has_time, v.is_in_show) = (at.unix_ms, has_time, is_in_show);
        (v.outing, v.module) = (outing, module);
        v.wiring = stated.wiring.kind();
        v.conditions = stated.conditions;
        moved
    }

    fn rebuild_matches(&mut self, named: &[Inbound], volley: u32) -> bool {
        let mut matches: Vec<u32> = named.iter().filter(|i| i.naming == Naming::Matches).map(|i| i.by).collect();
        matches.dedup();
        let v = self.volley_mut(volley);
        let moved = v.matches != matches;
        v.matches = matches;
        moved
    }

    fn rebuild_slots(&mut self, volley: u32, stated: &Volley, moved: bool) {
        let (outing, is_show) = (self.volley(volley).outing, self.volley(volley).is_in_show);
        let module = self.columns.modules.code(stated.module);
        for (slot, shot) in self.slots_in(volley).zip(&stated.shots) {
            let lot = self.columns.lots.code(Some(shot.lot));
            let unit = shot.unit.as_deref().map_or(NONE, |label| self.units.code(outing, lot, label));
            let fuse = self.columns.fuses.code(shot.fuse);
            let s = self.slot_mut(slot);
            let is_other = (s.lot, s.unit) != (lot, unit);
            (s.lot, s.unit, s.fuse, s.attempt) = (lot, unit, fuse, shot.attempt);
            let (attempt, position, is_new) = (shot.attempt, s.position, s.shot == NONE);
            let channel = stated.channel.filter(|_| is_show && stated.module.is_some());
            let label = (unit != NONE).then_some(match channel {
                Some(channel) => Key::UnitOnChannel { module, channel, unit, attempt },
                None => Key::Unit { unit, attempt },
            });
            let place = channel.map(|channel| Key::Place { outing, module, channel, attempt, position });
            if self.rekey(slot, label, place) || is_other || moved || is_new {
                self.loose.push(slot);
            }
            self.unjudged.push(slot);
        }
    }

    fn rebuild_notes(&mut self, shelf: &Shelf, volley: u32, named: &[Inbound]) {
        let slots = self.slots_in(volley);
        for slot in slots.clone() {
            self.clear_notes(slot);
        }
        if named.iter().any(|i| i.naming == Naming::Read) {
            self.read.insert(volley);
        } else if !self.read.is_empty() {
            self.read.remove(&volley);
        }
        let at = |position: u16| {
            let slot = slots.start + u32::from(position.checked_sub(1)?);
            (slot < slots.end).then_some(slot)
        };
        for inbound in named {
            let kind = match inbound.naming {
                Naming::Rules => NoteKind::Ruling,
                Naming::Read => NoteKind::Read,
                Naming::MadeSafe => NoteKind::MadeSafe,
                Naming::Saw => {
                    let Fact::Sightings(s) = &shelf.row(inbound.by).fact else { continue };
                    for (index, sighting) in (0..=u16::MAX).zip(&s.seen) {
                        if let Some(slot) = at(sighting.position) {
                            self.note(slot, inbound.by, NoteKind::Saw(index));
                        }
                    }
                    continue;
                }
                _ => continue,
            };
            if let Some(slot) = at(inbound.position) {
                self.note(slot, inbound.by, kind);
            }
        }
    }
}

/// Fills `named` with what names the volley and is in effect, in order of ids; returns the row of its content.
pub(super) fn gather(shelf: &Shelf, root: FactRef, named: &mut Vec<Inbound>) -> Option<u32> {
    named.clear();
    let mut content = None;
    let mut family = vec![root];
    let mut next = 0;
    while let Some(at) = family.get(next).copied() {
        next += 1;
        if let Some(row) = shelf.row_at(at)
            && shelf.row(row).standing == Standing::InEffect
            // What was a root while the fact that it corrects was missing is none now.
            && shelf.row(row).root == root
        {
            content = Some(row);
        }
        for inbound in shelf.inbound(at) {
            let by = shelf.row(inbound.by);
            match inbound.naming {
                Naming::Replaces if by.root == root && by.at != root && matches!(by.fact, Fact::Volley(_)) => {
                    family.push(by.at);
                }
                Naming::Replaces | Naming::Withdraws => {}
                _ if by.standing == Standing::InEffect => named.push(*inbound),
                _ => {}
            }
        }
    }
    if named.len() > 1 {
        named.sort_by_key(|i| (shelf.row_id(i.by), i.position));
    }
    content
}
