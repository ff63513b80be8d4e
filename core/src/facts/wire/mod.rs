//! The bytes of an entry: deterministic CBOR (RFC 8949 §4.2), described in `entry.cddl` (RFC 8610).
//!
//! One value has one encoding: definite lengths, shortest integers, no floats, map keys ascending, absent fields left
//! out, and a reference to a fact of the same entry written without the entry's id (the log keeps the id as the key).
//! So the bytes can be hashed and signed as they are.
//!
//! Reading skips fields and kinds of facts that it does not know; since an entry is never rewritten, they stay in its
//! bytes and are passed on. What is malformed is refused whole, with the place.

mod crew;
mod read;
mod read_facts;
mod write;
mod write_facts;

use thiserror::Error;

use super::entry::Entry;
use super::id::EntryId;

/// The description of an entry's bytes, in CDDL.
pub const CDDL: &str = include_str!("entry.cddl");

/// The largest entry that is read or written: 128 KiB, some two thousand shots.
pub const MAX_ENTRY_BYTES: usize = 128 * 1024;

/// Why bytes are not an entry, or an entry cannot be bytes.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum WireError {
    /// The bytes are not CBOR of the shape described.
    #[error("byte {at}: {what}")]
    Malformed {
        /// Where.
        at: usize,
        /// What was wrong.
        what: String,
    },
    /// A field has a value outside its limits.
    #[error("byte {at}: {field} has a value outside its limits")]
    OutOfRange {
        /// Where.
        at: usize,
        /// Which field.
        field: &'static str,
    },
    /// A field that must be there is not.
    #[error("byte {at}: {field} is missing")]
    Missing {
        /// Where the thing ends that should have held it.
        at: usize,
        /// Which field.
        field: &'static str,
    },
    /// The entry is larger than [`MAX_ENTRY_BYTES`].
    #[error("an entry of {length} bytes; the most is {MAX_ENTRY_BYTES}: write it in parts")]
    TooLarge {
        /// Its length.
        length: usize,
    },
}

impl Entry {
    /// Writes the entry's bytes; its id is not among them.
    ///
    /// # Errors
    /// [`WireError::TooLarge`].
    pub fn to_bytes(&self) -> Result<Vec<u8>, WireError> {
        let bytes = write_facts::entry(self);
        if bytes.len() > MAX_ENTRY_BYTES {
            return Err(WireError::TooLarge { length: bytes.len() });
        }
        Ok(bytes)
    }

    /// Reads an entry from its id and its bytes.
    ///
    /// # Errors
    /// A [`WireError`] that says where and what; never a panic, and nothing is allocated by a length that the bytes
    /// only claim.
    pub fn from_bytes(id: EntryId, bytes: &[u8]) -> Result<Self, WireError> {
        if bytes.len() > MAX_ENTRY_BYTES {
            return Err(WireError::TooLarge { length: bytes.len() });
        }
        read_facts::entry(id, bytes)
    }
}

#[cfg(test)]
mod tests;
