//! The names in a file, their ids, and the facts that bring unknown ones into the register.

use std::collections::{HashMap, HashSet};
use std::hash::Hash;

use super::seal::{NO_DEVICE, Seals, UNDATED};
use super::{Placed, Register, Told};
use crate::exchange::row::Row;
use crate::facts::{
    Device, DeviceId, Entry, Fact, FiringModule, Fuse, FuseId, FuseKind, Lot, LotId, ModuleId, Outing, OutingId,
    OutingKind, Person, PersonId, Role,
};

/// What the log knows already: names that are in here need no fact of their own.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Known {
    /// Lots.
    pub lots: HashSet<LotId>,
    /// Fuses.
    pub fuses: HashSet<FuseId>,
    /// Firing modules.
    pub modules: HashSet<ModuleId>,
    /// Members of the crew.
    pub people: HashSet<PersonId>,
    /// Devices.
    pub devices: HashSet<DeviceId>,
    /// Outings.
    pub outings: HashSet<OutingId>,
}

/// The ids of a row's names.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ids {
    pub(super) outing: OutingId,
    pub(super) device: DeviceId,
    pub(super) observer: Option<PersonId>,
    pub(super) module: Option<ModuleId>,
    pub(super) lot: LotId,
    pub(super) fuse: Option<FuseId>,
}

/// Ids by name. An id costs a SHA-1, and a file says the same names over and over.
#[derive(Debug)]
struct Cache<I> {
    make: fn(&str) -> I,
    ids: HashMap<String, I>,
    last: Option<(String, I)>,
}

impl<I: Copy> Cache<I> {
    fn new(make: fn(&str) -> I) -> Self {
        Self { make, ids: HashMap::new(), last: None }
    }

    fn id(&mut self, name: &str) -> I {
        if let Some((last, id)) = &self.last
            && last == name
        {
            return *id;
        }
        let id = match self.ids.get(name) {
            Some(id) => *id,
            None => {
                let id = (self.make)(name);
                self.ids.insert(name.to_owned(), id);
                id
            }
        };
        match &mut self.last {
            Some((last, last_id)) => {
                last.clear();
                last.push_str(name);
                *last_id = id;
            }
            None => self.last = Some((name.to_owned(), id)),
        }
        id
    }
}

/// Finds the ids of the names in rows.
#[derive(Debug)]
pub(super) struct Names {
    outings: Cache<OutingId>,
    devices: Cache<DeviceId>,
    people: Cache<PersonId>,
    modules: Cache<ModuleId>,
    lots: Cache<LotId>,
    fuses: Cache<FuseId>,
}

impl Names {
    pub(super) fn new() -> Self {
        Self {
            outings: Cache::new(OutingId::named),
            devices: Cache::new(DeviceId::named),
            people: Cache::new(PersonId::named),
            modules: Cache::new(ModuleId::named),
            lots: Cache::new(LotId::named),
            fuses: Cache::new(FuseId::named),
        }
    }

    pub(super) fn ids(&mut self, row: &Row) -> Ids {
        Ids {
            outing: self.outings.id(&row.outing),
            device: self.devices.id(row.device.as_deref().unwrap_or(NO_DEVICE)),
            observer: row.observer.as_deref().map(|name| self.people.id(name)),
            module: row.module.as_deref().map(|name| self.modules.id(name)),
            lot: self.lots.id(&row.lot),
            fuse: row.fuse.as_deref().map(|name| self.fuses.id(name)),
        }
    }
}

/// Returns the fuse that a name in a file stands for.
fn fuse(name: &str) -> Fuse {
    let kind = name.replace([' ', '_'], "-").parse().unwrap_or(FuseKind::Other);
    Fuse { name: name.to_owned(), kind, sheath: None, coupling: None }
}

/// Collects the facts for names that are not known, each name once, in the order of the file.
struct Unknown<'k> {
    known: &'k Known,
    met: Known,
    facts: Vec<Fact>,
    outings: Vec<(OutingId, Fact)>,
}

fn is_new<I: Copy + Eq + Hash>(id: I, known: &HashSet<I>, met: &mut HashSet<I>) -> bool {
    met.insert(id) && !known.contains(&id)
}

impl Unknown<'_> {
    fn take(&mut self, placed: &Placed, kinds: &Register) {
        let (row, ids, known, met) = (&placed.row, &placed.ids, self.known, &mut self.met);
        if is_new(ids.outing, &known.outings, &mut met.outings) {
            let told = kinds.get(&ids.outing).copied().unwrap_or_default();
            self.outings.push((ids.outing, outing(&row.outing, told)));
        }
        if is_new(ids.lot, &known.lots, &mut met.lots) {
            self.facts.push(Fact::Lot(lot(&row.lot)));
        }
        if let (Some(id), Some(name)) = (ids.fuse, &row.fuse)
            && is_new(id, &known.fuses, &mut met.fuses)
        {
            self.facts.push(Fact::Fuse(fuse(name)));
        }
        if let (Some(id), Some(name)) = (ids.module, &row.module)
            && is_new(id, &known.modules, &mut met.modules)
        {
            self.facts.push(Fact::Module(module(name)));
        }
        if let (Some(id), Some(name)) = (ids.observer, &row.observer)
            && is_new(id, &known.people, &mut met.people)
        {
            self.facts.push(Fact::Person(Person { name: name.clone(), role: Role::Recorder }));
        }
        if is_new(ids.device, &known.devices, &mut met.devices) {
            self.facts.push(device(row.device.as_deref().unwrap_or(NO_DEVICE)));
        }
    }
}

fn outing(name: &str, told: Told) -> Fact {
    Fact::Outing(Outing {
        name: name.to_owned(),
        kind: told.kind.map_or(OutingKind::Test, |(kind, _)| kind),
        place: None,
        begins: None,
        slow_limit_ms: told.slow_limit_ms.map(|(ms, _)| u32::from(ms)),
        wait_minutes: None,
    })
}

fn lot(mark: &str) -> Lot {
    Lot { mark: mark.to_owned(), igniter_type: None, made_on: None, use_by: None, count: None, storage: None }
}

fn module(name: &str) -> FiringModule {
    FiringModule {
        name: name.to_owned(),
        channels: None,
        source_kind: None,
        supply: None,
        source_resistance: None,
        capacitance: None,
    }
}

pub(in super::super) fn device(name: &str) -> Fact {
    Fact::Device(Device { id: DeviceId::named(name), name: name.to_owned() })
}

/// Makes one entry for each unknown name.
///
/// They carry no date and no device of the file's, so that two files with the same new lot bring the same entry.
pub(super) fn register<'p>(
    rows: impl Iterator<Item = &'p Placed>,
    kinds: &Register,
    known: &Known,
    seals: &mut Seals,
) -> Vec<(Option<OutingId>, Entry)> {
    let mut unknown = Unknown { known, met: Known::default(), facts: Vec::new(), outings: Vec::new() };
    rows.for_each(|placed| unknown.take(placed, kinds));
    let register = unknown.facts.into_iter().map(|fact| (None, fact));
    let outings = unknown.outings.into_iter().map(|(id, fact)| (Some(id), fact));
    // One name has at most the bytes of one cell, far below the limit of an entry.
    register.chain(outings).filter_map(|(home, fact)| Some((home, undated(seals, fact)?))).collect()
}

/// Makes the entry of one fact about the register.
pub(in super::super) fn undated(seals: &mut Seals, fact: Fact) -> Option<Entry> {
    seals.seal(DeviceId::named(NO_DEVICE), UNDATED, [fact]).ok()
}
