//! The registry in a SQLite file of its own.

use std::path::Path;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use embertally_core::store::StoreError;
use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, ErrorCode, OptionalExtension, params};

/// The version of this file's shape.
const VERSION: u32 = 1;

/// How long to wait for another process that writes, such as the command line.
const PATIENCE: Duration = Duration::from_secs(5);

/// Small named values in one file, each durable when its writing returns.
#[derive(Debug)]
pub(crate) struct Registry {
    connection: Mutex<Connection>,
    /// The file's version when it was last looked at; it counts what other connections write.
    seen: AtomicI64,
}

fn failed(error: rusqlite::Error) -> StoreError {
    match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => StoreError::Full,
        Some(ErrorCode::OutOfMemory) => StoreError::OutOfMemory,
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            StoreError::Busy { waited_ms: u64::try_from(PATIENCE.as_millis()).unwrap_or(u64::MAX) }
        }
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => StoreError::Damaged { what: error.to_string() },
        Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => {
            StoreError::ReadOnly { reason: error.to_string() }
        }
        _ => StoreError::Other { reason: error.to_string(), source: None },
    }
}

fn version(connection: &Connection) -> Result<i64, StoreError> {
    connection.query_row("PRAGMA data_version", [], |row| row.get(0)).map_err(failed)
}

impl Registry {
    pub(crate) fn open(path: &Path) -> Result<Self, StoreError> {
        let connection = Connection::open(path).map_err(failed)?;
        connection.busy_timeout(PATIENCE).map_err(failed)?;
        let found: u32 = connection.query_row("PRAGMA user_version", [], |row| row.get(0)).map_err(failed)?;
        if found > VERSION {
            return Err(StoreError::TooNew { found, known: VERSION });
        }
        connection
            .execute_batch(
                "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA fullfsync = ON;
                 PRAGMA trusted_schema = OFF;
                 CREATE TABLE IF NOT EXISTS registry (key TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID, STRICT;
                 PRAGMA user_version = 1",
            )
            .map_err(failed)?;
        let seen = AtomicI64::new(version(&connection)?);
        Ok(Self { connection: Mutex::new(connection), seen })
    }

    fn connection(&self) -> MutexGuard<'_, Connection> {
        // Every statement stands by itself: one that panicked left nothing half done.
        self.connection.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Tells whether another process wrote since this was last asked.
    pub(crate) fn changed(&self) -> Result<bool, StoreError> {
        let now = version(&self.connection())?;
        Ok(self.seen.swap(now, Ordering::AcqRel) != now)
    }

    pub(crate) fn value(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.connection()
            .query_row("SELECT value FROM registry WHERE key = ?1", [key], |row| row.get(0))
            .optional()
            .map_err(failed)
    }

    pub(crate) fn values(&self, prefix: &str) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
        let connection = self.connection();
        let mut statement = connection
            .prepare_cached("SELECT key, value FROM registry WHERE substr(key, 1, length(?1)) = ?1 ORDER BY key")
            .map_err(failed)?;
        let rows = statement.query_map([prefix], |row| Ok((row.get(0)?, row.get(1)?))).map_err(failed)?;
        rows.collect::<Result<_, _>>().map_err(failed)
    }

    pub(crate) fn put(&self, key: &str, value: &[u8]) -> Result<(), StoreError> {
        let sql = "INSERT INTO registry (key, value) VALUES (?1, ?2)
                   ON CONFLICT (key) DO UPDATE SET value = excluded.value";
        self.connection().execute(sql, params![key, value]).map(drop).map_err(failed)
    }

    pub(crate) fn put_new(&self, key: &str, value: &[u8]) -> Result<bool, StoreError> {
        let sql = "INSERT INTO registry (key, value) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
        self.connection().execute(sql, params![key, value]).map(|n| n == 1).map_err(failed)
    }

    /// Copies the file, without the values named: they belong to this server alone.
    pub(crate) fn copy_without(&self, path: &Path, left_out: &[&str]) -> Result<(), StoreError> {
        let mut copy = Connection::open(path).map_err(failed)?;
        let step = Backup::new(&self.connection(), &mut copy).and_then(|b| b.step(-1)).map_err(failed)?;
        if step != StepResult::Done {
            return Err(failed_to_wait());
        }
        // A plain file without a write-ahead log beside it, so that one name is the whole copy.
        copy.execute_batch("PRAGMA journal_mode = DELETE; PRAGMA synchronous = FULL").map_err(failed)?;
        for key in left_out {
            copy.execute("DELETE FROM registry WHERE key = ?1", [key]).map_err(failed)?;
        }
        copy.close().map_err(|(_, error)| failed(error))
    }
}

fn failed_to_wait() -> StoreError {
    StoreError::Busy { waited_ms: u64::try_from(PATIENCE.as_millis()).unwrap_or(u64::MAX) }
}
