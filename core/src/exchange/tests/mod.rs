//! Tests of files in and out. All data is invented.

mod bad_input;
mod grouping;
mod hostile;
mod json;
mod reading;
mod round_trip;
mod samples;
mod weather;

use std::collections::{BTreeSet, HashMap};

use super::*;
use crate::facts::{
    DeviceId, Entry, EntryId, Fact, FuseId, LotId, ModuleId, Outing, OutingId, PersonId, Sightings, Volley,
};

pub(super) const HEADER: &str = "outing,observer,volley,wiring,position,lot,unit,fuse,ignition,transfer";

pub(super) fn import(text: &str) -> Result<Import, ImportError> {
    read_csv(text.as_bytes(), &ImportOptions::default(), &Known::default())
}

pub(super) fn imported(text: &str) -> Import {
    import(text).unwrap_or_else(|e| panic!("{e}"))
}

/// The import of rows under [`HEADER`].
pub(super) fn rows(lines: &str) -> Result<Import, ImportError> {
    import(&format!("{HEADER}\n{lines}"))
}

pub(super) fn bad(result: Result<Import, ImportError>) -> RowError {
    match result {
        Err(ImportError::BadRows { mut bad, count: 1 }) => bad.remove(0),
        other => panic!("one bad row expected: {other:?}"),
    }
}

pub(super) fn codes(import: &Import) -> Vec<&str> {
    import.notices.iter().map(|n| n.code).collect()
}

pub(super) fn volleys(import: &Import) -> Vec<(&Entry, &Volley, Vec<&Sightings>)> {
    let of = |(_, entry): &'_ (Option<OutingId>, Entry)| {
        let Fact::Volley(_) = &entry.facts.first()?.fact else { return None };
        Some(())
    };
    import
        .entries
        .iter()
        .filter(|e| of(e).is_some())
        .map(|(home, entry)| {
            let Fact::Volley(volley) = &entry.facts[0].fact else { panic!("a volley comes first") };
            assert_eq!(*home, Some(volley.outing));
            let seen = entry.facts[1..].iter().map(|stated| match &stated.fact {
                Fact::Sightings(s) => {
                    assert_eq!(s.volley.0, crate::facts::FactId { entry: entry.id, place: 0 });
                    s
                }
                other => panic!("only sightings follow: {other:?}"),
            });
            (entry, volley, seen.collect())
        })
        .collect()
}

pub(super) fn ids(import: &Import) -> BTreeSet<EntryId> {
    import.entries.iter().map(|(_, entry)| entry.id).collect()
}

/// The names that an import brings.
#[derive(Default)]
pub(super) struct NamesOf {
    outings: HashMap<OutingId, Outing>,
    devices: HashMap<DeviceId, String>,
    people: HashMap<PersonId, String>,
    modules: HashMap<ModuleId, String>,
    lots: HashMap<LotId, String>,
    fuses: HashMap<FuseId, String>,
}

impl NamesOf {
    pub(super) fn import(import: &Import) -> Self {
        let mut names = Self::default();
        for stated in import.entries.iter().flat_map(|(_, entry)| &entry.facts) {
            match &stated.fact {
                Fact::Outing(f) => drop(names.outings.insert(f.id(), f.clone())),
                Fact::Device(f) => drop(names.devices.insert(f.id, f.name.clone())),
                Fact::Person(f) => drop(names.people.insert(f.id(), f.name.clone())),
                Fact::Module(f) => drop(names.modules.insert(f.id(), f.name.clone())),
                Fact::Lot(f) => drop(names.lots.insert(f.id(), f.mark.clone())),
                Fact::Fuse(f) => drop(names.fuses.insert(f.id(), f.name.clone())),
                _ => {}
            }
        }
        names
    }
}

impl Names for NamesOf {
    fn outing(&self, id: OutingId) -> Option<&Outing> {
        self.outings.get(&id)
    }
    fn device(&self, id: DeviceId) -> Option<&str> {
        self.devices.get(&id).map(String::as_str)
    }
    fn person(&self, id: PersonId) -> Option<&str> {
        self.people.get(&id).map(String::as_str)
    }
    fn module(&self, id: ModuleId) -> Option<&str> {
        self.modules.get(&id).map(String::as_str)
    }
    fn lot(&self, id: LotId) -> Option<&str> {
        self.lots.get(&id).map(String::as_str)
    }
    fn fuse(&self, id: FuseId) -> Option<&str> {
        self.fuses.get(&id).map(String::as_str)
    }
}

/// The rows of all volleys of an import, in order.
pub(super) fn exported(import: &Import) -> Vec<Row> {
    let names = NamesOf::import(import);
    volleys(import).into_iter().flat_map(|(e, v, seen)| rows_of(v, e.device, &seen, &names)).collect()
}
