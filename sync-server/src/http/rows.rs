//! A ledger's volleys as the rows of a file, with the names that people know.

use embertally_core::exchange::{Names, Row, rows_of};
use embertally_core::facts::{
    DeviceId, FuseId, LotId, ModuleId, Outing, OutingId, PersonId, RegisterId, ShotId, VolleyId,
};
use embertally_core::ledger::{Ledger, Register, VolleyView};

/// The end of an entry's id that stands for a volley without a label; its beginning is a time.
const SHORT: usize = 8;

struct RegisterNames<'a>(&'a Register);

impl Names for RegisterNames<'_> {
    fn outing(&self, id: OutingId) -> Option<&Outing> {
        self.0.outings().get(id).map(|o| &o.value)
    }

    fn device(&self, id: DeviceId) -> Option<&str> {
        self.0.name(RegisterId::Device(id))
    }

    fn person(&self, id: PersonId) -> Option<&str> {
        self.0.name(RegisterId::Person(id))
    }

    fn module(&self, id: ModuleId) -> Option<&str> {
        self.0.name(RegisterId::Module(id))
    }

    fn lot(&self, id: LotId) -> Option<&str> {
        self.0.name(RegisterId::Lot(id))
    }

    fn fuse(&self, id: FuseId) -> Option<&str> {
        self.0.name(RegisterId::Fuse(id))
    }
}

fn short(id: VolleyId) -> String {
    let entry = id.0.entry.to_string();
    let end = entry.get(entry.len().saturating_sub(SHORT)..).unwrap_or(&entry);
    if id.0.place == 0 { end.to_owned() } else { format!("{end}.{}", id.0.place) }
}

/// Returns a volley's rows, with the weather that holds for each shot and a label that keeps its shots together.
pub(super) fn rows(ledger: &Ledger, view: &VolleyView<'_>) -> Vec<Row> {
    let sightings: Vec<_> = view.sightings.iter().map(|s| s.sightings).collect();
    let mut rows = rows_of(view.volley, view.device, &sightings, &RegisterNames(ledger.register()));
    for row in &mut rows {
        let position = row.position.unwrap_or(1);
        if let Some(shot) = ledger.finding(ShotId { volley: view.id, position }) {
            row.conditions = shot.conditions;
        }
        if row.volley.is_none() && view.volley.shots.len() > 1 {
            row.volley = Some(short(view.id));
        }
    }
    rows
}
