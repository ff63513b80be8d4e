//! The thin layer that every statement goes through: prepared once, given a time, errors translated, faults injected in
//! tests.

use std::cell::Cell;
use std::future::Future;

use deadpool_postgres::Object;
use embertally_core::store::StoreError;
#[cfg(test)]
use embertally_core::store::suite::{Fault, Faults};
use tokio::time::timeout;
use tokio_postgres::types::ToSql;
use tokio_postgres::{Client, Error, Row};

use crate::block;
use crate::database::Inner;
#[cfg(test)]
use crate::error::from_state;
use crate::error::{Failure, refused, unknown, unreachable};

/// A statement's parameters.
pub(crate) type Params<'p> = &'p [&'p (dyn ToSql + Sync)];

/// What stands before each statement; in tests it can make the n-th one fail.
#[derive(Debug, Clone, Default)]
pub(crate) struct Gate {
    #[cfg(test)]
    pub(crate) faults: Faults,
}

/// What a commit must do.
enum AtCommit {
    Go,
    #[cfg(test)]
    Fail(StoreError),
    /// Commit, and lose the answer.
    #[cfg(test)]
    Lose,
}

#[cfg(test)]
impl Gate {
    fn pass(&self) -> Result<(), StoreError> {
        self.faults.step().map_or(Ok(()), |fault| Err(Self::error(fault)))
    }

    fn pass_commit(&self) -> AtCommit {
        match self.faults.step() {
            None => AtCommit::Go,
            Some(Fault::Io) => AtCommit::Lose,
            Some(fault) => AtCommit::Fail(Self::error(fault)),
        }
    }

    /// As the server would report it.
    fn error(fault: Fault) -> StoreError {
        let code = match fault {
            Fault::Full => "53100",
            Fault::OutOfMemory => "53200",
            Fault::Damaged => "XX001",
            Fault::Io => "58030",
        };
        from_state(&tokio_postgres::error::SqlState::from_code(code), "injected", std::time::Duration::ZERO)
    }
}

#[cfg(not(test))]
#[expect(clippy::unused_self, clippy::unnecessary_wraps, reason = "the tests' twin of it can fail")]
impl Gate {
    fn pass(&self) -> Result<(), StoreError> {
        Ok(())
    }

    fn pass_commit(&self) -> AtCommit {
        AtCommit::Go
    }
}

/// What is known of the connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Idle,
    InTransaction,
    /// It does not answer, or what it would answer next is not known.
    Lost,
}

/// One connection, for the length of one operation. It goes back to the pool unless something may still be going on on it.
pub(crate) struct Session<'d> {
    database: &'d Inner,
    /// Always there until dropped.
    object: Option<Object>,
    state: Cell<State>,
}

impl<'d> Session<'d> {
    pub(crate) fn new(database: &'d Inner, object: Object) -> Self {
        Self { database, object: Some(object), state: Cell::new(State::Idle) }
    }

    fn object(&self) -> Result<&Object, StoreError> {
        self.object.as_ref().ok_or_else(|| refused("the connection was given back already"))
    }

    /// Waits for the answer to one statement.
    fn wait<T>(&self, answer: impl Future<Output = Result<T, Error>>) -> Result<T, Failure> {
        let (limit, patience) = (self.database.limit(), self.database.options.patience);
        let answer = block::on(&self.database.runtime, async { timeout(limit, answer).await });
        let failure = match answer {
            Ok(Ok(Ok(value))) => return Ok(value),
            Ok(Ok(Err(error))) => Failure::statement(&error, patience),
            Ok(Err(_)) => Failure::silence(limit),
            // Not sent.
            Err(error) => Failure { error, answered: true, undone: false },
        };
        if !failure.answered {
            self.state.set(State::Lost);
        }
        Err(failure)
    }

    fn ask<T>(&self, answer: impl Future<Output = Result<T, Error>>) -> Result<T, StoreError> {
        self.database.gate.pass()?;
        self.wait(answer).map_err(|failure| failure.error)
    }

    /// Runs one statement that gives no rows; returns how many rows it changed.
    pub(crate) fn run(&self, sql: &str, params: Params<'_>) -> Result<u64, StoreError> {
        let object = self.object()?;
        self.ask(async { object.execute(&object.prepare_cached(sql).await?, params).await })
    }

    /// Runs statements without parameters, and throws their rows away.
    pub(crate) fn batch(&self, sql: &str) -> Result<(), StoreError> {
        self.ask(self.object()?.batch_execute(sql))
    }

    /// Reads all rows.
    pub(crate) fn rows(&self, sql: &str, params: Params<'_>) -> Result<Vec<Row>, StoreError> {
        let object = self.object()?;
        self.ask(async { object.query(&object.prepare_cached(sql).await?, params).await })
    }

    /// Reads the first row, if there is one.
    pub(crate) fn row(&self, sql: &str, params: Params<'_>) -> Result<Option<Row>, StoreError> {
        Ok(self.rows(sql, params)?.into_iter().next())
    }

    /// Does `work` in one transaction.
    ///
    /// When this has returned `Ok`, the work is on the server's disk; with an error, it is undone, or will be by the
    /// server as soon as it notices that the connection is gone.
    pub(crate) fn write<T>(&self, work: impl FnOnce(&Self) -> Result<T, StoreError>) -> Result<T, StoreError> {
        self.batch("BEGIN")?;
        self.state.set(State::InTransaction);
        let done = work(self).and_then(|done| self.commit().map(|()| done));
        if done.is_err() && self.state.get() == State::InTransaction {
            let undone = self.object()?.batch_execute("ROLLBACK");
            self.state.set(if self.wait(undone).is_ok() { State::Idle } else { State::Lost });
        }
        done
    }

    fn commit(&self) -> Result<(), StoreError> {
        let client: &Client = self.object()?;
        match self.database.gate.pass_commit() {
            AtCommit::Go => {}
            #[cfg(test)]
            AtCommit::Fail(error) => return Err(error),
            #[cfg(test)]
            AtCommit::Lose => {
                let _ = self.wait(client.batch_execute("COMMIT"));
                self.state.set(State::Lost);
                return Err(unknown("injected"));
            }
        }
        if client.is_closed() {
            // Not sent, so it is certain that nothing was kept.
            self.state.set(State::Lost);
            return Err(unreachable("the connection was lost before the commit"));
        }
        match self.wait(client.batch_execute("COMMIT")) {
            Ok(()) => {
                self.state.set(State::Idle);
                Ok(())
            }
            Err(failure) => {
                if failure.answered && failure.undone {
                    self.state.set(State::Idle);
                }
                // Unless the server itself says that it did not commit, nobody knows.
                Err(if failure.undone { failure.error } else { unknown(&failure.error.to_string()) })
            }
        }
    }
}

impl Drop for Session<'_> {
    fn drop(&mut self) {
        if self.state.get() != State::Idle
            && let Some(object) = self.object.take()
        {
            // Out of the pool, and closed.
            drop(Object::take(object));
        }
    }
}
