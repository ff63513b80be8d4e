//! From PostgreSQL's errors to the classes that a person can act on.
//!
//! SQLSTATE codes: PostgreSQL 15 manual, appendix A. Only a code and the server's own sentence go into a reason; details,
//! which may quote rows, do not.

use std::sync::Arc;
use std::time::Duration;

use deadpool_postgres::{PoolError, TimeoutType};
use embertally_core::store::StoreError;
use thiserror::Error;
use tokio_postgres::Error;
use tokio_postgres::error::{Severity, SqlState};

/// The database could not be reached, was going down, or did not answer in time: nothing was kept, and trying again
/// later may help. The source of a [`StoreError::Other`] of that kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("the database could not be reached or did not answer in time")]
pub struct Unreachable;

/// Tells whether trying the same again later may help without anybody doing anything.
///
/// [`StoreError::OutcomeUnknown`] is not among them: there the write may stand already.
#[must_use]
pub fn is_passing(error: &StoreError) -> bool {
    match error {
        StoreError::Busy { .. } => true,
        StoreError::Other { source: Some(source), .. } => source.is::<Unreachable>(),
        _ => false,
    }
}

/// What a failed statement left of its connection.
pub(crate) struct Failure {
    pub(crate) error: StoreError,
    /// Whether the connection still answers: the server itself refused the statement.
    pub(crate) answered: bool,
    /// Whether it is certain that the transaction was undone.
    pub(crate) undone: bool,
}

impl Failure {
    /// A statement that did not answer within `limit`.
    pub(crate) fn silence(limit: Duration) -> Self {
        let seconds = limit.as_secs();
        Self { error: unreachable(&format!("no answer within {seconds} s")), answered: false, undone: false }
    }

    /// An error of a statement. `patience` is how long a lock was waited for.
    pub(crate) fn statement(error: &Error, patience: Duration) -> Self {
        let Some(db) = error.as_db_error() else {
            return Self { error: from_client(error), answered: false, undone: false };
        };
        let answered = is_survived(db.parsed_severity());
        // A transaction that idled too long was cut off in the middle, whatever was sent since.
        let undone = answered || *db.code() == SqlState::IDLE_IN_TRANSACTION_SESSION_TIMEOUT;
        Self { error: from_state(db.code(), db.message(), patience), answered, undone }
    }
}

pub(crate) fn unknown(reason: &str) -> StoreError {
    StoreError::OutcomeUnknown { reason: reason.to_owned() }
}

/// After FATAL or PANIC the connection is gone.
fn is_survived(severity: Option<Severity>) -> bool {
    !matches!(severity, None | Some(Severity::Fatal | Severity::Panic))
}

/// Translates what the server said.
pub(crate) fn from_state(code: &SqlState, message: &str, patience: Duration) -> StoreError {
    let said = || format!("{message} ({})", code.code());
    match code.code() {
        "53100" => StoreError::Full,
        "53200" => StoreError::OutOfMemory,
        "XX001" | "XX002" => StoreError::Damaged { what: said() },
        "25006" | "42501" => StoreError::ReadOnly { reason: said() },
        "40001" | "40P01" | "55P03" => busy(patience),
        // Taking too long, too many connections, and all of going down, starting up and a broken connection.
        "57014" | "57P01" | "57P02" | "57P03" | "57P05" | "53300" | "25P03" => unreachable(&said()),
        code if code.starts_with("08") => unreachable(&said()),
        code if code.starts_with("28") => other(format!("the database refused the login: {}", said())),
        _ => other(format!("the database refused a statement: {}", said())),
    }
}

/// Translates an error of the client's side.
fn from_client(error: &Error) -> StoreError {
    let source = std::error::Error::source(error).map(ToString::to_string);
    let said = source.map_or_else(|| error.to_string(), |source| format!("{error}: {source}"));
    // The library tells these apart only by what it prints.
    let text = error.to_string();
    if text.starts_with("error deserializing") || text.starts_with("invalid column") {
        StoreError::Damaged { what: said }
    } else if text.starts_with("error performing TLS") || text.starts_with("invalid con") {
        other(said)
    } else {
        unreachable(&said)
    }
}

/// Translates an error of taking a connection from the pool.
pub(crate) fn from_pool(error: &PoolError, patience: Duration) -> StoreError {
    match error {
        PoolError::Timeout(TimeoutType::Wait) => busy(patience),
        PoolError::Timeout(_) => unreachable("no connection in time"),
        PoolError::Backend(error) => Failure::statement(error, patience).error,
        PoolError::Closed | PoolError::NoRuntimeSpecified | PoolError::PostCreateHook(_) => other(error.to_string()),
    }
}

/// Refuses an address, options or a database, with what to do about it.
pub(crate) fn refused(reason: impl Into<String>) -> StoreError {
    other(reason.into())
}

/// A value in a row that is not what was written there.
pub(crate) fn damaged(what: &Error) -> StoreError {
    StoreError::Damaged { what: format!("a row of the database cannot be read: {what}") }
}

fn busy(patience: Duration) -> StoreError {
    StoreError::Busy { waited_ms: u64::try_from(patience.as_millis()).unwrap_or(u64::MAX) }
}

fn other(reason: String) -> StoreError {
    StoreError::Other { reason, source: None }
}

pub(crate) fn unreachable(said: &str) -> StoreError {
    let reason = format!("the database is out of reach; try again ({said})");
    StoreError::Other { reason, source: Some(Arc::new(Unreachable)) }
}
