//! Opening the file: whose it is, how it is kept, and waiting for others that open it too.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

use embertally_core::store::StoreError;
use rusqlite::limits::Limit;
use rusqlite::{Connection, OpenFlags};

use crate::error::{from_io, from_sqlite};
use crate::schema::{self, PAGE_BYTES, STEPS};
use crate::sql::{Gate, Sql};

/// The name of the file in its folder.
pub const FILE_NAME: &str = "log.sqlite3";

/// No value may be longer, in bytes, so that a damaged length cannot ask for much memory; documents end at 4 MiB.
const LONGEST_VALUE: i32 = 64 << 20;

/// How long one try at opening waits for other processes. Short, because SQLite does not wait at all in some of the
/// steps (the change to a write-ahead log), which must be tried again from the start.
const SLICE: Duration = Duration::from_millis(10);

/// How a store is opened.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Options {
    /// How long to wait for another process that is writing, before [`StoreError::Busy`]; 5 s unless changed.
    pub busy_timeout: Duration,
}

impl Default for Options {
    fn default() -> Self {
        Self { busy_timeout: Duration::from_secs(5) }
    }
}

impl Options {
    /// Returns these options with another time to wait for other processes.
    #[must_use]
    pub fn busy_timeout(mut self, timeout: Duration) -> Self {
        self.busy_timeout = timeout;
        self
    }

    pub(crate) fn waited_ms(&self) -> u64 {
        u64::try_from(self.busy_timeout.as_millis()).unwrap_or(u64::MAX)
    }
}

/// Opens the file in `folder`, both made if missing; returns the connection and the folder's full path.
pub(crate) fn open(folder: &Path, options: &Options, gate: &Gate) -> Result<(Connection, PathBuf), StoreError> {
    // A full path: SQLite would read one that begins with "file:" as a URI.
    let folder = std::path::absolute(folder).map_err(from_io)?;
    make_folder(&folder)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let waited_ms = options.waited_ms();
    let translate = |error| from_sqlite(error, waited_ms);
    let connection = Connection::open_with_flags(folder.join(FILE_NAME), flags).map_err(translate)?;
    connection.set_prepared_statement_cache_capacity(32);
    connection.set_limit(Limit::SQLITE_LIMIT_LENGTH, LONGEST_VALUE).map_err(translate)?;

    connection.busy_timeout(SLICE).map_err(translate)?;
    let sql = Sql { connection: &connection, gate, waited_ms };
    let mut tries_left = options.busy_timeout.as_millis() / SLICE.as_millis();
    while let Err(error) = prepare(&sql) {
        if tries_left == 0 || !matches!(error, StoreError::Busy { .. }) {
            return Err(error);
        }
        tries_left -= 1;
        thread::sleep(SLICE);
    }
    connection.busy_timeout(options.busy_timeout).map_err(translate)?;
    Ok((connection, folder))
}

fn prepare(sql: &Sql<'_>) -> Result<(), StoreError> {
    // Before anything is written: a newer program's file stays as it is.
    if schema::version(sql, STEPS)?.is_none() {
        sql.batch(&format!("PRAGMA page_size = {PAGE_BYTES}; PRAGMA auto_vacuum = INCREMENTAL"))?;
    }
    let mode = sql.row("PRAGMA journal_mode = WAL", [], |row| row.get::<_, String>(0))?;
    if mode.as_deref() != Some("wal") {
        return Err(StoreError::ReadOnly { reason: "a write-ahead log is not possible here".to_owned() });
    }
    // fullfsync: on Apple systems a plain fsync leaves the bytes in the device's cache.
    // journal_size_limit: one large commit must not leave a large log behind.
    sql.batch(
        "PRAGMA synchronous = FULL; PRAGMA fullfsync = ON; PRAGMA checkpoint_fullfsync = ON;
         PRAGMA foreign_keys = ON; PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;
         PRAGMA journal_size_limit = 1048576",
    )?;
    schema::migrate(sql, STEPS)
}

/// Makes the folder, and makes its name as durable as what will be in it.
fn make_folder(folder: &Path) -> Result<(), StoreError> {
    if folder.is_dir() {
        return Ok(());
    }
    fs::create_dir_all(folder).map_err(from_io)?;
    folder.parent().map_or(Ok(()), sync_folder)
}

/// Makes the names in a folder durable, where the system has a way to.
pub(crate) fn sync_folder(folder: &Path) -> Result<(), StoreError> {
    if cfg!(unix) { File::open(folder).and_then(|opened| opened.sync_all()).map_err(from_io) } else { Ok(()) }
}
