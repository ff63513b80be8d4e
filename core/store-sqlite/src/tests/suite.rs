//! The suite of all stores, with faults injected before each statement.

use embertally_core::store::suite::{Faults, Fixture};
use embertally_core::store::{PieceId, StoreError};
use rusqlite::{Connection, params};
use tempfile::TempDir;

use super::{FILE_NAME, Options, SqliteStore};
use crate::sql::Gate;

struct InAFolder {
    folder: TempDir,
    gate: Gate,
}

impl InAFolder {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap(), gate: Gate::default() }
    }
}

impl Fixture for InAFolder {
    type Store = SqliteStore;

    fn open(&mut self) -> Result<SqliteStore, StoreError> {
        SqliteStore::open_gated(self.folder.path(), Options::default(), self.gate.clone())
    }

    fn flip_bit(&mut self, piece: PieceId, bit: u64) {
        let file = Connection::open(self.folder.path().join(FILE_NAME)).unwrap();
        file.execute_batch("PRAGMA synchronous = OFF").unwrap();
        let mut bytes: Vec<u8> =
            file.query_row("SELECT bytes FROM pieces WHERE id = ?1", [piece.0 as i64], |row| row.get(0)).unwrap();
        bytes[(bit / 8) as usize] ^= 1 << (bit % 8);
        file.execute("UPDATE pieces SET bytes = ?2 WHERE id = ?1", params![piece.0 as i64, bytes]).unwrap();
    }

    fn faults(&self) -> Faults {
        self.gate.faults.clone()
    }
}

embertally_core::store_suite!(InAFolder::new);
