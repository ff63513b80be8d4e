//! From SQLite's and the system's errors to the classes that a person can act on.

use std::io::{self, ErrorKind};
use std::sync::Arc;

use embertally_core::store::StoreError;
use rusqlite::{Error, ffi};

/// Translates an error of a statement. `waited_ms` is how long a busy store was waited for.
pub(crate) fn from_sqlite(error: Error, waited_ms: u64) -> StoreError {
    let Some(failure) = error.sqlite_error().copied() else {
        return match error {
            // A value of a type that was never written there.
            Error::InvalidColumnType(..) | Error::FromSqlConversionFailure(..) | Error::IntegralValueOutOfRange(..) => {
                StoreError::Damaged { what: error.to_string() }
            }
            error => other(error),
        };
    };
    match failure.extended_code {
        ffi::SQLITE_IOERR_NOMEM => return StoreError::OutOfMemory,
        // The shared memory file could not grow: in practice there is no room left.
        ffi::SQLITE_IOERR_SHMSIZE => return StoreError::Full,
        ffi::SQLITE_IOERR_CORRUPTFS | ffi::SQLITE_IOERR_DATA | ffi::SQLITE_IOERR_SHORT_READ => {
            return StoreError::Damaged { what: error.to_string() };
        }
        _ => {}
    }
    match failure.extended_code & 0xff {
        ffi::SQLITE_FULL => StoreError::Full,
        ffi::SQLITE_NOMEM => StoreError::OutOfMemory,
        ffi::SQLITE_CORRUPT | ffi::SQLITE_NOTADB => StoreError::Damaged { what: error.to_string() },
        ffi::SQLITE_BUSY | ffi::SQLITE_LOCKED => StoreError::Busy { waited_ms },
        ffi::SQLITE_READONLY | ffi::SQLITE_CANTOPEN | ffi::SQLITE_PERM => {
            StoreError::ReadOnly { reason: error.to_string() }
        }
        _ => other(error),
    }
}

/// Translates an error of `COMMIT`: if the device failed there, the pages may have reached it or not.
pub(crate) fn from_commit(error: Error, waited_ms: u64) -> StoreError {
    match from_sqlite(error, waited_ms) {
        StoreError::Other { reason, .. } => StoreError::OutcomeUnknown { reason },
        known => known,
    }
}

/// Translates an error of the file system.
pub(crate) fn from_io(error: io::Error) -> StoreError {
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => StoreError::Full,
        ErrorKind::OutOfMemory => StoreError::OutOfMemory,
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
            StoreError::ReadOnly { reason: error.to_string() }
        }
        _ => other(error),
    }
}

/// Wraps an error that has no class of its own.
fn other(error: impl std::error::Error + Send + Sync + 'static) -> StoreError {
    StoreError::Other { reason: error.to_string(), source: Some(Arc::new(error)) }
}
