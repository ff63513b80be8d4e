//! Volleys and shots as callers see them.

use std::fmt;

use super::Ledger;
use super::book::NoteKind;
use super::bridges::BridgeReadingView;
use super::codes::NONE;
use super::finding::{Finding, LiveReason, Trial, measured};
use super::measure::{Class, Measure};
use super::shelf::{FactRef, Naming};
use super::volleys::gather;
use crate::facts::{
    Conditions, DeviceId, Fact, FactId, FuseId, Ignition, LotId, ModuleId, Moment, OutingId, PersonId, Ruling, ShotId,
    Sighting, Sightings, Volley, VolleyId, WiringKind,
};

/// Who saw something: the person named, or where nobody is, the device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Observer {
    /// A person.
    Person(PersonId),
    /// A device.
    Device(DeviceId),
}

/// Sightings in effect, as they stand after corrections.
#[derive(Debug, Clone, Copy)]
pub struct SightingsView<'a> {
    /// The fact that says so.
    pub id: FactId,
    /// The device that first wrote them.
    pub device: DeviceId,
    /// When they were first written.
    pub written: Moment,
    /// Who saw it.
    pub observer: Observer,
    /// What was seen.
    pub sightings: &'a Sightings,
}

/// A volley in effect, as it stands after corrections.
#[derive(Debug, Clone)]
pub struct VolleyView<'a> {
    /// Its id.
    pub id: VolleyId,
    /// The fact that says what it says now.
    pub stated_by: FactId,
    /// The device that first wrote it.
    pub device: DeviceId,
    /// When it was first written.
    pub written: Moment,
    /// What is stated.
    pub volley: &'a Volley,
    /// What was seen of it, by id.
    pub sightings: Vec<SightingsView<'a>>,
}

/// What one observer saw of one real shot.
#[derive(Debug, Clone, Copy)]
pub struct SightingView<'a> {
    /// The fact that says so.
    pub fact: FactId,
    /// Who saw it.
    pub observer: Observer,
    /// What is stated.
    pub sighting: &'a Sighting,
    /// The igniter, by measured delay and the outing's limit where there are both, else by the observer's word.
    pub ignition: Ignition,
}

/// One real shot, whatever number of devices wrote it down.
#[derive(Clone, Copy)]
pub struct ShotView<'a> {
    /// Its id: the smallest of its slots'.
    pub id: ShotId,
    /// The outing.
    pub outing: OutingId,
    /// The lot.
    pub lot: LotId,
    /// The unit's label as it was first written by the volley that gives the shot its id, or by one joined with it.
    pub unit: Option<&'a str>,
    /// Which try of this unit it is.
    pub attempt: u8,
    /// The fuse it had to light, where one is named.
    pub fuse: Option<FuseId>,
    /// The firing module.
    pub module: Option<ModuleId>,
    /// Its channel.
    pub channel: Option<u16>,
    /// How it was wired.
    pub wiring: WiringKind,
    /// How many shots its volley holds, itself included.
    pub shots_in_volley: u32,
    /// When it was fired or, where nobody stated that, written; milliseconds since 1970. For putting in order: an import
    /// without a time is written at 0, so what a person reads comes from [`ShotView::stated_at`].
    pub unix_ms: i64,
    /// The weather, as stated with the volley or read in time.
    pub conditions: Conditions,
    /// What is known of it.
    pub finding: Finding,
    /// Whether it is its unit's trial of the igniter.
    pub trial: Trial,
    /// Whether somebody made it safe.
    pub is_made_safe: bool,
    /// Why it is on the live list, if it is.
    pub live: Option<LiveReason>,
    class: [Class; 5],
    row: u32,
    ledger: &'a Ledger,
}

impl fmt::Debug for ShotView<'_> {
    /// The row and the ledger behind are left out: the one differs from device to device, the other is everything.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ShotView")
            .field("id", &self.id)
            .field("outing", &self.outing)
            .field("lot", &self.lot)
            .field("unit", &self.unit)
            .field("attempt", &self.attempt)
            .field("fuse", &self.fuse)
            .field("module", &self.module)
            .field("channel", &self.channel)
            .field("wiring", &self.wiring)
            .field("shots_in_volley", &self.shots_in_volley)
            .field("unix_ms", &self.unix_ms)
            .field("conditions", &self.conditions)
            .field("finding", &self.finding)
            .field("trial", &self.trial)
            .field("is_made_safe", &self.is_made_safe)
            .field("live", &self.live)
            .field("class", &self.class)
            .finish_non_exhaustive()
    }
}

impl<'a> ShotView<'a> {
    /// Returns what the shot counts as by a measure.
    #[must_use]
    pub fn class(&self, measure: Measure) -> Class {
        self.class[measure as usize]
    }

    /// Returns when it was fired or, where nobody stated that, written, in milliseconds since 1970; `None` if unknown.
    ///
    /// The first of its slots whose time is known says it.
    #[must_use]
    pub fn stated_at(&self) -> Option<i64> {
        let book = &self.ledger.book;
        book.slots_of(self.row).find_map(|slot| book.volley(book.slot(slot).volley).known_ms())
    }

    /// Returns its row in the columns; good until the next settling.
    #[must_use]
    pub fn row(&self) -> usize {
        self.row as usize
    }

    /// Returns the slots that are this shot, by id.
    pub fn slots(&self) -> impl Iterator<Item = ShotId> + 'a {
        let ledger = self.ledger;
        ledger.book.slots_of(self.row).map(|slot| ledger.book.slot_id(&ledger.shelf, slot))
    }

    /// Returns what was seen of it, by fact.
    #[must_use]
    pub fn sightings(&self) -> Vec<SightingView<'a>> {
        self.ledger.sightings_of(self.row)
    }

    /// Returns the rulings on it, by fact.
    #[must_use]
    pub fn rulings(&self) -> Vec<(FactId, &'a Ruling)> {
        self.ledger.rulings_of(self.row)
    }

    /// Returns the readings of its bridge, by fact.
    #[must_use]
    pub fn bridge_readings(&self) -> Vec<BridgeReadingView<'a>> {
        self.ledger.bridge_readings_of(self.row)
    }
}

impl Ledger {
    pub(super) fn observer(&self, row: u32, sightings: &Sightings) -> Observer {
        match sightings.observer {
            Some(person) => Observer::Person(person),
            None => Observer::Device(self.shelf.device(self.shelf.origin(row))),
        }
    }

    pub(super) fn sightings_of(&self, shot: u32) -> Vec<SightingView<'_>> {
        let outing = self.book.volley(self.book.slot(self.book.shot(shot).first).volley).outing;
        let limit = self.outings.slow_limit_us(outing);
        let mut seen = Vec::new();
        for note in self.book.slots_of(shot).flat_map(|slot| self.book.notes(slot)) {
            let (Fact::Sightings(s), NoteKind::Saw(index)) = (&self.shelf.row(note.row).fact, note.kind) else {
                continue;
            };
            if let Some(sighting) = s.seen.get(usize::from(index)) {
                let ignition = measured(sighting, limit);
                let (fact, observer) = (self.shelf.row_id(note.row), self.observer(note.row, s));
                seen.push((index, SightingView { fact, observer, sighting, ignition }));
            }
        }
        seen.sort_by_key(|(index, view)| (view.fact, *index));
        seen.into_iter().map(|(_, view)| view).collect()
    }

    pub(super) fn rulings_of(&self, shot: u32) -> Vec<(FactId, &Ruling)> {
        let notes = self.book.slots_of(shot).flat_map(|slot| self.book.notes(slot));
        let mut rulings: Vec<_> = notes
            .filter_map(|note| match &self.shelf.row(note.row).fact {
                Fact::Ruling(ruling) => Some((self.shelf.row_id(note.row), ruling)),
                _ => None,
            })
            .collect();
        rulings.sort_by_key(|(fact, _)| *fact);
        rulings
    }

    pub(super) fn view_shot(&self, row: u32) -> Option<ShotView<'_>> {
        let s = self.book.shots.get(row as usize)?;
        let head = self.book.slot(s.first);
        let volley = self.book.volley(head.volley);
        let stated = || self.book.slots_of(row).filter_map(|slot| self.slot_content(slot));
        let labelled = |slot: u32| self.book.slot(slot).unit == s.unit;
        let unit = (s.unit != NONE).then(|| self.book.slots_of(row).filter(|slot| labelled(*slot)));
        let unit = unit.and_then(|mut slots| slots.find_map(|slot| self.shot_content(slot)?.unit.as_deref()));
        Some(ShotView {
            id: self.book.slot_id(&self.shelf, s.first),
            outing: self.book.columns.outings.id(volley.outing)?,
            lot: self.book.columns.lots.id(s.lot)?,
            unit,
            attempt: s.attempt,
            fuse: self.book.columns.fuses.id(s.fuse),
            module: stated().find_map(|v| v.module),
            channel: stated().find_map(|v| v.channel),
            wiring: s.wiring,
            shots_in_volley: volley.slots,
            unix_ms: volley.at_ms,
            conditions: self.book.conditions(&self.outings, &self.bands, row),
            finding: s.finding,
            trial: s.trial,
            is_made_safe: s.is_made_safe,
            live: s.live,
            class: s.class,
            row,
            ledger: self,
        })
    }

    fn slot_content(&self, slot: u32) -> Option<&Volley> {
        self.book.content(&self.shelf, self.book.slot(slot).volley)
    }

    pub(super) fn shot_content(&self, slot: u32) -> Option<&crate::facts::Shot> {
        let place = usize::from(self.book.slot(slot).position).checked_sub(1)?;
        self.slot_content(slot)?.shots.get(place)
    }

    pub(super) fn view_volley(&self, volley: u32) -> Option<VolleyView<'_>> {
        let v = self.book.volley(volley);
        let content = self.book.content(&self.shelf, volley)?;
        let mut named = Vec::new();
        gather(&self.shelf, v.root, &mut named);
        let sightings = named.iter().filter(|i| i.naming == Naming::Saw).filter_map(|i| {
            let Fact::Sightings(sightings) = &self.shelf.row(i.by).fact else { return None };
            let origin: FactRef = self.shelf.origin(i.by);
            Some(SightingsView {
                id: self.shelf.row_id(i.by),
                device: self.shelf.device(origin),
                written: self.shelf.written(origin),
                observer: self.observer(i.by, sightings),
                sightings,
            })
        });
        let origin = self.shelf.origin(v.content);
        Some(VolleyView {
            id: self.book.volley_id(&self.shelf, volley),
            stated_by: self.shelf.row_id(v.content),
            device: self.shelf.device(origin),
            written: self.shelf.written(origin),
            volley: content,
            sightings: sightings.collect(),
        })
    }
}
