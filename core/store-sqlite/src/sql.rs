//! The thin layer that every statement goes through: prepared once, errors translated, faults injected in tests.

use embertally_core::store::StoreError;
#[cfg(test)]
use embertally_core::store::suite::{Fault, Faults};
#[cfg(test)]
use rusqlite::ffi;
use rusqlite::{Connection, OptionalExtension, Params, Row, Transaction, TransactionBehavior};

use crate::error::{from_commit, from_sqlite};

/// What stands before each statement; in tests it can make the n-th one fail.
#[derive(Debug, Clone, Default)]
pub(crate) struct Gate {
    #[cfg(test)]
    pub(crate) faults: Faults,
}

impl Gate {
    #[cfg(test)]
    fn pass(&self) -> rusqlite::Result<()> {
        let code = match self.faults.step() {
            None => return Ok(()),
            Some(Fault::Full) => ffi::SQLITE_FULL,
            Some(Fault::OutOfMemory) => ffi::SQLITE_NOMEM,
            Some(Fault::Damaged) => ffi::SQLITE_CORRUPT,
            Some(Fault::Io) => ffi::SQLITE_IOERR,
        };
        Err(rusqlite::Error::SqliteFailure(ffi::Error::new(code), None))
    }

    #[cfg(not(test))]
    #[expect(clippy::unused_self, clippy::unnecessary_wraps, reason = "the tests' twin of it can fail")]
    fn pass(&self) -> rusqlite::Result<()> {
        Ok(())
    }
}

/// A connection as the rest of this crate sees it.
#[derive(Clone, Copy)]
pub(crate) struct Sql<'c> {
    pub(crate) connection: &'c Connection,
    pub(crate) gate: &'c Gate,
    /// What to tell a person about how long a busy store was waited for.
    pub(crate) waited_ms: u64,
}

impl Sql<'_> {
    fn translate<T>(&self, result: rusqlite::Result<T>) -> Result<T, StoreError> {
        result.map_err(|error| from_sqlite(error, self.waited_ms))
    }

    /// Runs one statement that gives no rows; returns how many rows it changed.
    pub(crate) fn run(&self, sql: &str, params: impl Params) -> Result<usize, StoreError> {
        let run = || {
            self.gate.pass()?;
            self.connection.prepare_cached(sql)?.execute(params)
        };
        self.translate(run())
    }

    /// Runs statements without parameters, and throws their rows away.
    pub(crate) fn batch(&self, sql: &str) -> Result<(), StoreError> {
        self.translate(self.gate.pass().and_then(|()| self.connection.execute_batch(sql)))
    }

    /// Reads all rows.
    pub(crate) fn rows<T>(
        &self,
        sql: &str,
        params: impl Params,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let rows = || {
            self.gate.pass()?;
            self.connection.prepare_cached(sql)?.query_map(params, read)?.collect()
        };
        self.translate(rows())
    }

    /// Reads the first row, if there is one.
    pub(crate) fn row<T>(
        &self,
        sql: &str,
        params: impl Params,
        read: impl FnOnce(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Option<T>, StoreError> {
        let row = || {
            self.gate.pass()?;
            self.connection.prepare_cached(sql)?.query_row(params, read).optional()
        };
        self.translate(row())
    }

    /// Reads one number; 0 if there is no row.
    pub(crate) fn number(&self, sql: &str) -> Result<i64, StoreError> {
        Ok(self.row(sql, [], |row| row.get(0))?.unwrap_or(0))
    }

    /// Does `work` in one write transaction, begun at once so that it cannot fail half-way for want of the lock.
    ///
    /// When this has returned `Ok`, the work is on the device; with an error, it is undone.
    pub(crate) fn write<T>(&self, work: impl FnOnce(&Self) -> Result<T, StoreError>) -> Result<T, StoreError> {
        // Left open only if an earlier undoing failed; without this no later commit could begin.
        if !self.connection.is_autocommit() {
            self.translate(self.connection.execute_batch("ROLLBACK"))?;
        }
        let begin = || {
            self.gate.pass()?;
            Transaction::new_unchecked(self.connection, TransactionBehavior::Immediate)
        };
        let transaction = self.translate(begin())?;
        let done = work(self)?;
        let commit = self.gate.pass().and_then(|()| transaction.commit());
        commit.map_err(|error| from_commit(error, self.waited_ms))?;
        Ok(done)
    }
}
