//! What can go wrong with a log.

use thiserror::Error;

use crate::facts::{DocumentId, EntryId, PersonId, WireError};
use crate::store::StoreError;

/// Why a log could not do what was asked. Nothing of the operation was kept, and nothing that was there is lost.
#[derive(Debug, Clone, Error)]
#[non_exhaustive]
pub enum LogError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// An entry cannot be written as bytes.
    #[error("entry {entry}: {source}")]
    Entry {
        /// The entry.
        entry: EntryId,
        /// Why.
        source: WireError,
    },
    /// A document's bytes are not a document, although their own hash is right.
    #[error("document {document} cannot be read: {what}")]
    Unreadable {
        /// The document.
        document: DocumentId,
        /// What was found.
        what: String,
    },
    /// A document was written by a newer version.
    #[error("document {document} has schema {found}, this program knows up to {known}; use a newer program to open it")]
    TooNew {
        /// The document.
        document: DocumentId,
        /// The schema found.
        found: u64,
        /// The newest known here.
        known: u64,
    },
    /// A carry file is not one, or is damaged; nothing of it was taken.
    #[error("this is not an intact carry file: {what}; nothing of it was taken")]
    BadCarry {
        /// What was wrong, and at which byte.
        what: String,
    },
    /// Writing out failed.
    #[error("cannot write: {reason}")]
    Output {
        /// What the system said.
        reason: String,
    },
    /// The device's key is locked, so nothing can be signed.
    #[error("the key of this device is locked; give its passphrase to write, reading works without")]
    Locked,
    /// The person's name was forgotten, for good.
    #[error(
        "the name of person {person} was forgotten by the crew, for good: it cannot be stated or taken in again; if \
         it is somebody else of that name, give them another one"
    )]
    Forgotten {
        /// The person.
        person: PersonId,
    },
    /// The person's name stands in the register, where it cannot be forgotten.
    #[error(
        "the name of person {person} stands in {document}, as an older version of this program wrote it: what once \
         stood in the register cannot be taken out of its history, on any device. To be rid of it, export the shots, \
         write another name in the column of observers, import them into a new folder, and delete this folder and its \
         copies on every device; rulings and what was made safe have to be stated anew there"
    )]
    NameInRegister {
        /// The person.
        person: PersonId,
        /// Where it stands.
        document: DocumentId,
    },
    /// An entry states a person's name where it may not stand, or something else where only a name may.
    #[error("entry {entry} does not belong in {document}: a person's name stands alone, in that person's own document")]
    Misplaced {
        /// The entry.
        entry: EntryId,
        /// Where it was to be written.
        document: DocumentId,
    },
    /// A broken rule inside the program: the stored log is untouched.
    #[error("a mistake in this program, not in your log: {what}")]
    Internal {
        /// Which rule.
        what: String,
    },
}

impl LogError {
    /// Returns the stable code of this error, for programs.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Store(e) => e.code(),
            Self::Entry { .. } => "E_LOG_ENTRY",
            Self::Unreadable { .. } => "E_LOG_UNREADABLE",
            Self::TooNew { .. } => "E_LOG_TOO_NEW",
            Self::BadCarry { .. } => "E_CARRY_DAMAGED",
            Self::Output { .. } => "E_OUTPUT",
            Self::Locked => "E_KEY_LOCKED",
            Self::Forgotten { .. } => "E_FORGOTTEN",
            Self::NameInRegister { .. } => "E_NAME_IN_REGISTER",
            Self::Misplaced { .. } => "E_LOG_MISPLACED",
            Self::Internal { .. } => "E_INTERNAL",
        }
    }
}
