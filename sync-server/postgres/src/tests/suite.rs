//! The suite of all stores, with faults injected before each statement.

use embertally_core::store::suite::{self, Faults, Fixture};

use super::*;
use crate::session::Gate;

/// A schema, which is what a database of its own would be.
struct InASchema {
    database: Database,
    gate: Gate,
}

impl InASchema {
    fn new(cluster: &Cluster) -> Self {
        let gate = Gate::default();
        let options = in_new_schema().connections(2);
        let database =
            Database::unprepared(&cluster.url("postgres"), options, runtime().handle(), gate.clone()).unwrap();
        Self { database, gate }
    }
}

impl Fixture for InASchema {
    type Store = PostgresStore;

    fn open(&mut self) -> Result<PostgresStore, StoreError> {
        self.database.prepare()?;
        PostgresStore::open(&self.database, CREW)
    }

    fn flip_bit(&mut self, piece: PieceId, bit: u64) {
        let session = self.database.session().unwrap();
        // PostgreSQL's set_bit counts from the lowest bit of the first byte too.
        let changed = session
            .run(
                "UPDATE pieces SET bytes = set_bit(bytes, $2, 1 - get_bit(bytes, $2)) WHERE id = $1",
                &[&piece.0.cast_signed(), &bit.cast_signed()],
            )
            .unwrap();
        assert_eq!(changed, 1, "no bit {bit} in {piece:?}");
    }

    fn faults(&self) -> Faults {
        self.gate.faults.clone()
    }
}

/// All checks in one test, so that they share one server also where each test is a process of its own.
#[test]
fn the_store_suite_passes() {
    let cluster = Cluster::shared();
    suite::run_all(&mut || InASchema::new(&cluster));
}
