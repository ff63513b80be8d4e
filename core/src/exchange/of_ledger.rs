//! Between files and a log: what an import has to know of it, where its entries go, and its volleys as rows.

use super::group::Known;
use super::row::Row;
use super::rows_of::{Names, rows_of};
use crate::facts::{DeviceId, Entry, FuseId, LotId, ModuleId, Outing, OutingId, PersonId, RegisterId, ShotId};
use crate::ledger::{Ledger, Register, VolleyView};
use crate::log::Home;

impl Known {
    /// Returns what a register holds already.
    #[must_use]
    pub fn of(register: &Register) -> Self {
        Self {
            lots: register.lots().iter().map(|(id, _)| id).collect(),
            fuses: register.fuses().iter().map(|(id, _)| id).collect(),
            modules: register.modules().iter().map(|(id, _)| id).collect(),
            // A forgotten name is not stated again by a sheet that still holds it.
            people: register.people().iter().map(|(id, _)| id).chain(register.forgotten().map(|(id, _)| id)).collect(),
            devices: register.devices().iter().map(|(id, _)| id).collect(),
            outings: register.outings().iter().map(|(id, _)| id).collect(),
        }
    }
}

/// Returns the entries of an import, each with the home that it is written to.
#[must_use]
pub fn with_homes(entries: Vec<(Option<OutingId>, Entry)>) -> Vec<(Home, Entry)> {
    let home = |outing: Option<OutingId>, entry: &Entry| match outing {
        Some(outing) => Home::Outing(outing),
        None => Home::of(entry).unwrap_or(Home::Register),
    };
    entries.into_iter().map(|(outing, entry)| (home(outing, &entry), entry)).collect()
}

impl Names for Register {
    fn outing(&self, id: OutingId) -> Option<&Outing> {
        self.outings().get(id).map(|o| &o.value)
    }

    fn device(&self, id: DeviceId) -> Option<&str> {
        self.name(RegisterId::Device(id))
    }

    fn person(&self, id: PersonId) -> Option<&str> {
        self.name(RegisterId::Person(id))
    }

    fn module(&self, id: ModuleId) -> Option<&str> {
        self.name(RegisterId::Module(id))
    }

    fn lot(&self, id: LotId) -> Option<&str> {
        self.name(RegisterId::Lot(id))
    }

    fn fuse(&self, id: FuseId) -> Option<&str> {
        self.name(RegisterId::Fuse(id))
    }
}

/// Returns a volley's rows, with the weather that holds for each shot and a label that keeps its shots together.
#[must_use]
pub fn rows_of_volley(ledger: &Ledger, view: &VolleyView<'_>) -> Vec<Row> {
    let sightings: Vec<_> = view.sightings.iter().map(|s| s.sightings).collect();
    let mut rows = rows_of(view.volley, view.device, &sightings, ledger.register());
    for row in &mut rows {
        let position = row.position.unwrap_or(1);
        if let Some(shot) = ledger.finding(ShotId { volley: view.id, position }) {
            row.conditions = shot.conditions;
        }
        if row.volley.is_none() && view.volley.shots.len() > 1 {
            row.volley = Some(view.id.0.short());
        }
    }
    rows
}
