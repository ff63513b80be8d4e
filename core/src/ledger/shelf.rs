//! The facts as they came, and who names whom. Facts may come before those that they name.

use super::codes::{Interner, NONE};
use crate::facts::{DeviceId, Entry, EntryId, Fact, FactId, Moment};

/// A fact by its entry's code and its place: eight bytes, good for facts that have not come yet.
///
/// Its order is the order of arrival, so it must never decide anything that is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct FactRef(u64);

impl FactRef {
    pub(super) fn new(entry: u32, place: u16) -> Self {
        Self(u64::from(entry) << 16 | u64::from(place))
    }

    pub(super) fn entry(self) -> u32 {
        (self.0 >> 16) as u32
    }

    pub(super) fn place(self) -> u16 {
        self.0 as u16
    }
}

/// How a fact names another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Naming {
    Replaces,
    Withdraws,
    Saw,
    Rules,
    Read,
    Matches,
    MadeSafe,
}

/// One fact named by another.
#[derive(Debug, Clone, Copy)]
pub(super) struct Inbound {
    /// The place of the fact that is named.
    place: u16,
    /// The position of the shot that is named, for rulings, bridge readings and making safe.
    pub(super) position: u16,
    pub(super) naming: Naming,
    /// The row of the fact that names it.
    pub(super) by: u32,
}

/// How a fact stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Standing {
    /// It came, and how it stands was not worked out yet.
    New,
    /// It counts.
    InEffect,
    /// A correction counts in its place.
    Replaced,
    /// It corrects the same fact as another that counts meanwhile.
    Rival,
    /// It, or what it corrects, was taken back.
    Withdrawn,
}

/// One fact.
#[derive(Debug)]
pub(super) struct Row {
    pub(super) fact: Fact,
    pub(super) at: FactRef,
    pub(super) replaces: Option<FactRef>,
    /// The fact at the beginning of the corrections that this one stands in.
    pub(super) root: FactRef,
    pub(super) standing: Standing,
}

#[derive(Debug)]
struct EntryRow {
    first: u32,
    count: u32,
    device: u32,
    written: Moment,
    inbound: Vec<Inbound>,
}

/// All facts.
#[derive(Debug, Default)]
pub(super) struct Shelf {
    ids: Interner<EntryId>,
    entries: Vec<EntryRow>,
    devices: Interner<DeviceId>,
    rows: Vec<Row>,
}

impl Shelf {
    /// Puts an entry's facts on the shelf; `None` if it was there already, else the first new row.
    pub(super) fn put(&mut self, entry: &Entry) -> Option<u32> {
        let code = self.entry_code(entry.id);
        if self.entries[code as usize].first != NONE {
            return None;
        }
        let first = self.rows.len() as u32;
        let device = self.devices.code(entry.device);
        for (id, stated) in entry.facts() {
            let at = FactRef::new(code, id.place);
            let row = self.rows.len() as u32;
            let replaces = stated.replaces.map(|old| self.reference(old));
            if let Some(old) = replaces {
                self.name(old, 0, Naming::Replaces, row);
            }
            self.name_all(&stated.fact, row);
            self.rows.push(Row { fact: stated.fact.clone(), at, replaces, root: at, standing: Standing::New });
        }
        let row = &mut self.entries[code as usize];
        row.first = first;
        row.count = self.rows.len() as u32 - first;
        row.device = device;
        row.written = entry.written;
        Some(first)
    }

    fn name_all(&mut self, fact: &Fact, row: u32) {
        match fact {
            Fact::Withdrawal(w) => self.name_id(w.fact, 0, Naming::Withdraws, row),
            Fact::Sightings(s) => self.name_id(s.volley.0, 0, Naming::Saw, row),
            Fact::Ruling(r) => self.name_id(r.shot.volley.0, r.shot.position, Naming::Rules, row),
            Fact::BridgeReading(r) => self.name_id(r.shot.volley.0, r.shot.position, Naming::Read, row),
            Fact::Match(m) => {
                self.name_id(m.first.0, 0, Naming::Matches, row);
                self.name_id(m.second.0, 0, Naming::Matches, row);
            }
            Fact::MadeSafe(m) => {
                for shot in &m.shots {
                    self.name_id(shot.volley.0, shot.position, Naming::MadeSafe, row);
                }
            }
            _ => {}
        }
    }

    fn name_id(&mut self, id: FactId, position: u16, naming: Naming, by: u32) {
        let at = self.reference(id);
        self.name(at, position, naming, by);
    }

    fn name(&mut self, at: FactRef, position: u16, naming: Naming, by: u32) {
        let inbound = &mut self.entries[at.entry() as usize].inbound;
        // Nearly always the last place: an entry states its volleys and their sightings in order.
        let place = at.place();
        let index = inbound.partition_point(|i| i.place <= place);
        inbound.insert(index, Inbound { place, position, naming, by });
    }

    fn entry_code(&mut self, id: EntryId) -> u32 {
        let code = self.ids.code(id);
        if code as usize == self.entries.len() {
            let written = Moment { unix_ms: 0, offset_minutes: 0 };
            self.entries.push(EntryRow { first: NONE, count: 0, device: NONE, written, inbound: Vec::new() });
        }
        code
    }

    /// Returns the short form of a fact's id, whether the fact has come or not.
    pub(super) fn reference(&mut self, id: FactId) -> FactRef {
        FactRef::new(self.entry_code(id.entry), id.place)
    }

    /// Returns the short form of a fact's id if anything ever named its entry.
    pub(super) fn find(&self, id: FactId) -> Option<FactRef> {
        Some(FactRef::new(self.ids.find(id.entry)?, id.place))
    }

    /// Returns the id of a fact.
    pub(super) fn id(&self, at: FactRef) -> FactId {
        FactId { entry: self.ids.id(at.entry()), place: at.place() }
    }

    /// Returns the id of the fact in a row.
    pub(super) fn row_id(&self, row: u32) -> FactId {
        self.id(self.row(row).at)
    }

    /// Returns the row of a fact that has come.
    pub(super) fn row_at(&self, at: FactRef) -> Option<u32> {
        let entry = &self.entries[at.entry() as usize];
        let place = u32::from(at.place());
        (entry.first != NONE && place < entry.count).then(|| entry.first + place)
    }

    pub(super) fn row(&self, row: u32) -> &Row {
        &self.rows[row as usize]
    }

    pub(super) fn row_mut(&mut self, row: u32) -> &mut Row {
        &mut self.rows[row as usize]
    }

    pub(super) fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// Returns what names a fact, whether the fact has come or not.
    pub(super) fn inbound(&self, at: FactRef) -> &[Inbound] {
        let inbound = &self.entries[at.entry() as usize].inbound;
        let (place, all) = (at.place(), inbound.len());
        let begin = if inbound.first().is_none_or(|i| i.place >= place) {
            0
        } else {
            inbound.partition_point(|i| i.place < place)
        };
        let end = if inbound.last().is_some_and(|i| i.place <= place) {
            all
        } else {
            inbound.partition_point(|i| i.place <= place)
        };
        inbound.get(begin..end).unwrap_or_default()
    }

    /// Returns the device that wrote a fact's entry.
    pub(super) fn device(&self, at: FactRef) -> DeviceId {
        self.devices.id(self.device_code(at))
    }

    /// Returns the code of the device that wrote a fact's entry, which must have come.
    pub(super) fn device_code(&self, at: FactRef) -> u32 {
        self.entries[at.entry() as usize].device
    }

    /// Returns when a fact's entry was written; the entry must have come.
    pub(super) fn written(&self, at: FactRef) -> Moment {
        self.entries[at.entry() as usize].written
    }

    /// Returns who wrote the fact that a row's corrections began with; the correcting entry's while that is missing.
    ///
    /// A chief who corrects a recorder's volley does not become the one who saw it.
    pub(super) fn origin(&self, row: u32) -> FactRef {
        let row = self.row(row);
        if self.row_at(row.root).is_some() { row.root } else { row.at }
    }
}
