//! The contract for keeping a log's bytes, and an in-memory store.
//!
//! A store knows documents by name and keeps, for each, a *snapshot* (at most one is current) and the *chunks* written
//! since. It knows nothing of what the bytes mean. A log is opened by reading the snapshot and all chunks of a document
//! and merging them, in any order; reading a chunk twice does no harm. That is why two processes may append to one
//! document at once, and why compaction may only remove the pieces it names.
//!
//! Every piece is kept with its BLAKE3 hash ([`piece_hash`]), checked on every load and before compaction removes it: a
//! damaged piece is reported by name, set aside (never deleted) and the rest still opens.
//!
//! Not for: understanding documents (that is [`crate::log`]), or deciding when to compact.

mod error;
mod hash;
mod memory;
#[cfg(any(test, feature = "store-suite"))]
pub mod suite;

pub use error::StoreError;
pub use hash::piece_hash;
pub use memory::MemoryStore;

use crate::facts::DocumentId;

/// The name of one stored piece (a snapshot or a chunk) of a document; it only ever grows within one store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PieceId(pub u64);

/// Whether a piece is a whole document or what was added since.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PieceKind {
    /// A whole document, as it stood when it was compacted.
    Snapshot,
    /// Changes written after some snapshot.
    Chunk,
}

/// One intact piece of a document, as read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Piece {
    /// Its name in this store.
    pub id: PieceId,
    /// Snapshot or chunk.
    pub kind: PieceKind,
    /// Its bytes; their hash was checked.
    pub bytes: Vec<u8>,
}

/// A piece whose bytes no longer match their hash. It has been set aside under the same name and is not deleted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DamagedPiece {
    /// Its name in this store.
    pub id: PieceId,
    /// The document it belonged to.
    pub document: DocumentId,
    /// How many bytes were found.
    pub length: u64,
}

/// What a store holds of one document.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Loaded {
    /// Intact pieces, oldest first.
    pub pieces: Vec<Piece>,
    /// Damaged pieces, now set aside; empty when all is well.
    pub damaged: Vec<DamagedPiece>,
}

/// The line that lists show for a document, kept beside its bytes so that a list needs no document to be loaded.
///
/// The log works it out; the store only keeps it, and replaces it whole with each write.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Summary {
    /// How many entries the document holds.
    pub entries: u64,
    /// How many shots its volleys hold.
    pub shots: u64,
    /// The earliest entry's time, in milliseconds since 1970 by its device's clock.
    pub first_ms: Option<i64>,
    /// The latest entry's time, likewise.
    pub last_ms: Option<i64>,
    /// What a person calls it (an outing's name).
    pub title: String,
    /// What the document held when this was written; `None` where whoever wrote it did not know.
    pub state: Option<State>,
}

/// What a document held at a write, so that two logs can be compared without reading their documents.
///
/// Another process may have added pieces that the writer had not read. The pieces it had read are counted and their ids
/// added up: a piece added later has a higher id than any it replaces, so the same count and the same sum are the same
/// pieces, and [`Listed::state`] is certain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct State {
    /// A hash of the document's heads.
    pub digest: [u8; 16],
    /// How many pieces were there before the write, and are there after it.
    pub pieces: u64,
    /// Their ids, added up (wrapping).
    pub ids: u64,
}

impl State {
    /// Returns the 32 bytes that a store may keep it as.
    #[must_use]
    pub fn to_bytes(&self) -> [u8; 32] {
        let mut bytes = [0; 32];
        bytes[..16].copy_from_slice(&self.digest);
        bytes[16..24].copy_from_slice(&self.pieces.to_be_bytes());
        bytes[24..].copy_from_slice(&self.ids.to_be_bytes());
        bytes
    }

    /// Reads what [`State::to_bytes`] wrote; `None` if it is anything else.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (digest, rest) = bytes.split_first_chunk::<16>()?;
        let (pieces, rest) = rest.split_first_chunk::<8>()?;
        let ids = rest.try_into().ok()?;
        Some(Self { digest: *digest, pieces: u64::from_be_bytes(*pieces), ids: u64::from_be_bytes(ids) })
    }
}

/// One line of [`Store::list`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// The document.
    pub document: DocumentId,
    /// The summary last written with it.
    pub summary: Summary,
    /// How many chunks wait for compaction.
    pub chunks: u64,
    /// How many pieces there are, set-aside ones not counted.
    pub pieces: u64,
    /// The ids of these pieces, added up (wrapping).
    pub ids: u64,
    /// The newest of these pieces.
    pub latest: Option<PieceId>,
    /// The bytes of snapshot and chunks together.
    pub bytes: u64,
}

impl Listed {
    /// Returns the hash of the document's heads, if the last write knew every piece that is there.
    #[must_use]
    pub fn state(&self) -> Option<[u8; 16]> {
        let (state, latest) = (self.summary.state?, self.latest?);
        let known = state.pieces + 1 == self.pieces && state.ids == self.ids.wrapping_sub(latest.0);
        known.then_some(state.digest)
    }
}

/// One write. A slice of them is committed together or not at all.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Write {
    /// Adds a chunk to a document (which is begun if it is new).
    Append {
        /// The document.
        document: DocumentId,
        /// The chunk's bytes.
        chunk: Vec<u8>,
        /// The summary from now on.
        summary: Summary,
    },
    /// Replaces the pieces named in `covers` by one snapshot that holds all of them. Pieces not named stay: another
    /// process may have added them since. Naming a piece that is already gone, or one of another document, removes
    /// nothing and is no error; a named piece that turns out damaged is set aside instead of removed.
    Compact {
        /// The document.
        document: DocumentId,
        /// The pieces that the snapshot holds.
        covers: Vec<PieceId>,
        /// The snapshot's bytes.
        snapshot: Vec<u8>,
        /// The summary from now on.
        summary: Summary,
    },
    /// Removes a document whole and for ever: its line in the list, its pieces, those set aside, and every kept value
    /// whose name ends with a stroke and the document's name. A document that is not there is no error.
    ///
    /// When the commit stands, its bytes are gone from all that the store itself can reach, leftovers of earlier
    /// pieces included; what could not be cleared away then (a full disk, another reader) is cleared at a later opening.
    /// Names of pieces are not used again, and a later write begins the document anew.
    Drop {
        /// The document.
        document: DocumentId,
    },
    /// Keeps a small named value of this device alone (its device id, its choices); never part of the shared log.
    Keep {
        /// Its name, ASCII.
        key: String,
        /// Its bytes.
        value: Vec<u8>,
    },
}

/// Where a log's bytes are kept.
///
/// INVARIANT: when [`Store::commit`] has returned `Ok`, everything in it survives a crash and a loss of power. When it
/// has returned [`StoreError::OutcomeUnknown`], all of it or none of it was kept; with any other error, none of it.
///
/// Every implementation passes the suite in `store::suite` (feature `store-suite`).
pub trait Store {
    /// Lists the documents, without reading them, ordered by document id.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn list(&self) -> Result<Vec<Listed>, StoreError>;

    /// Reads the pieces of a document. A document never written gives an empty [`Loaded`].
    ///
    /// Damaged pieces are set aside durably and reported; they are reported again at each load, and stay readable by
    /// [`Store::set_aside`]. Where there is no room or no right to set one aside, it stays where it is and is reported
    /// all the same: what is intact can always be read.
    ///
    /// # Errors
    /// Any [`StoreError`] but damage to single pieces, which is reported in the result.
    fn load(&mut self, document: &DocumentId) -> Result<Loaded, StoreError>;

    /// Reads the pieces of a document that are newer than one; what is damaged among them is reported as by
    /// [`Store::load`].
    ///
    /// # Errors
    /// As [`Store::load`].
    fn load_after(&mut self, document: &DocumentId, after: PieceId) -> Result<Loaded, StoreError> {
        let mut loaded = self.load(document)?;
        loaded.pieces.retain(|piece| piece.id > after);
        Ok(loaded)
    }

    /// Lists the pieces that are newer than one, oldest first, with their documents: what any process added since.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn news(&self, after: PieceId) -> Result<Vec<(PieceId, DocumentId)>, StoreError>;

    /// Writes all of `writes` durably, or none.
    ///
    /// Returns the ids given to the appended or compacted pieces, in order of the writes (`Keep` and `Drop` give none).
    ///
    /// # Errors
    /// Any [`StoreError`]; nothing of `writes` is kept then, except perhaps with [`StoreError::OutcomeUnknown`].
    fn commit(&mut self, writes: &[Write]) -> Result<Vec<PieceId>, StoreError>;

    /// Reads a value kept by [`Write::Keep`].
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn kept(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError>;

    /// Reads the raw bytes of a damaged piece that was set aside.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn set_aside(&self, piece: PieceId) -> Result<Option<Vec<u8>>, StoreError>;
}

impl<T: Store + ?Sized> Store for Box<T> {
    fn list(&self) -> Result<Vec<Listed>, StoreError> {
        (**self).list()
    }

    fn load(&mut self, document: &DocumentId) -> Result<Loaded, StoreError> {
        (**self).load(document)
    }

    fn load_after(&mut self, document: &DocumentId, after: PieceId) -> Result<Loaded, StoreError> {
        (**self).load_after(document, after)
    }

    fn news(&self, after: PieceId) -> Result<Vec<(PieceId, DocumentId)>, StoreError> {
        (**self).news(after)
    }

    fn commit(&mut self, writes: &[Write]) -> Result<Vec<PieceId>, StoreError> {
        (**self).commit(writes)
    }

    fn kept(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        (**self).kept(key)
    }

    fn set_aside(&self, piece: PieceId) -> Result<Option<Vec<u8>>, StoreError> {
        (**self).set_aside(piece)
    }
}
