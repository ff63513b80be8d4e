//! What can go wrong with a store, in classes that a person can act on.

use std::sync::Arc;

use thiserror::Error;

/// Why a store could not do what was asked.
///
/// Full disk, lack of memory and damage are three different errors, because a person does three different things.
#[derive(Debug, Clone, Error)]
#[non_exhaustive]
pub enum StoreError {
    /// There is no room left where the log is kept. Nothing was lost; free some space and try again.
    #[error("the disk is full: nothing was written and nothing is lost; free some space and try again")]
    Full,
    /// The machine had no memory left for the operation. Nothing was lost; try again.
    #[error("out of memory: nothing was written and nothing is lost; close other programs and try again")]
    OutOfMemory,
    /// The store as a whole cannot be read as what it should be.
    #[error("the store is damaged ({what}); it was left as it is, to be copied before anything else is tried")]
    Damaged {
        /// Which part, and how it was noticed.
        what: String,
    },
    /// Another process is writing and did not finish within the time allowed.
    #[error("another program is writing to this log; it did not finish within {waited_ms} ms; try again")]
    Busy {
        /// How long this one waited.
        waited_ms: u64,
    },
    /// The store was written by a newer version.
    #[error("the store has version {found}, this program knows up to {known}; use a newer program")]
    TooNew {
        /// The version found.
        found: u32,
        /// The newest version known here.
        known: u32,
    },
    /// The store may not be written (a read-only folder, missing rights).
    #[error("the store cannot be written: {reason}")]
    ReadOnly {
        /// What the system said.
        reason: String,
    },
    /// The write was handed over whole, but the system failed while making it durable.
    ///
    /// All of it or none of it was kept, and which may show only after the next start. Writing it again does no harm.
    #[error("it is not known whether this was saved: all of it was, or none of it; save it again ({reason})")]
    OutcomeUnknown {
        /// What the system said.
        reason: String,
    },
    /// Any other failure of the system underneath.
    #[error("the store failed: {reason}")]
    Other {
        /// What the system said.
        reason: String,
        /// The error underneath, where there is one.
        #[source]
        source: Option<Arc<dyn std::error::Error + Send + Sync>>,
    },
}

impl StoreError {
    /// Returns the stable code of this error, for programs: `E_STORE_…`.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Full => "E_STORE_FULL",
            Self::OutOfMemory => "E_STORE_MEMORY",
            Self::Damaged { .. } => "E_STORE_DAMAGED",
            Self::Busy { .. } => "E_STORE_BUSY",
            Self::TooNew { .. } => "E_STORE_TOO_NEW",
            Self::ReadOnly { .. } => "E_STORE_READ_ONLY",
            Self::OutcomeUnknown { .. } => "E_STORE_UNKNOWN",
            Self::Other { .. } => "E_STORE_OTHER",
        }
    }
}
