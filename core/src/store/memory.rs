//! A store in memory, for tests and for places that keep nothing.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

#[cfg(any(test, feature = "store-suite"))]
use super::suite::Faults;
use super::{DamagedPiece, Listed, Loaded, Piece, PieceId, PieceKind, Store, StoreError, Summary, Write, piece_hash};
use crate::facts::DocumentId;

/// A store that lives as long as its last handle.
///
/// Clones are further handles on the same memory, as two programs would have one file open: what one commits, the
/// others read. "Survives a crash" means no more here than "survives the handle".
#[derive(Debug, Clone, Default)]
pub struct MemoryStore {
    contents: Arc<Mutex<Contents>>,
    #[cfg(any(test, feature = "store-suite"))]
    faults: Faults,
}

#[derive(Debug, Default, Clone)]
struct Contents {
    documents: BTreeMap<DocumentId, Document>,
    kept: BTreeMap<String, Vec<u8>>,
    last_piece: u64,
}

#[derive(Debug, Default, Clone)]
struct Document {
    summary: Summary,
    pieces: BTreeMap<PieceId, Stored>,
    set_aside: BTreeMap<PieceId, Vec<u8>>,
}

#[derive(Debug, Clone)]
struct Stored {
    kind: PieceKind,
    hash: [u8; 32],
    bytes: Vec<u8>,
}

impl Stored {
    fn is_intact(&self, document: &DocumentId) -> bool {
        piece_hash(document, self.kind, &self.bytes) == self.hash
    }
}

impl Document {
    /// Moves the named piece aside if it is damaged; tells whether it was.
    fn set_aside_if_damaged(&mut self, name: &DocumentId, id: PieceId) -> bool {
        let damaged = self.pieces.get(&id).is_some_and(|piece| !piece.is_intact(name));
        if damaged && let Some(piece) = self.pieces.remove(&id) {
            self.set_aside.insert(id, piece.bytes);
        }
        damaged
    }
}

impl Contents {
    fn add(&mut self, name: DocumentId, kind: PieceKind, bytes: &[u8], summary: &Summary) -> PieceId {
        self.last_piece += 1;
        let id = PieceId(self.last_piece);
        let document = self.documents.entry(name).or_default();
        document.summary.clone_from(summary);
        let hash = piece_hash(&name, kind, bytes);
        document.pieces.insert(id, Stored { kind, hash, bytes: bytes.to_vec() });
        id
    }

    fn apply(&mut self, write: &Write) -> Option<PieceId> {
        match write {
            Write::Append { document, chunk, summary } => Some(self.add(*document, PieceKind::Chunk, chunk, summary)),
            Write::Compact { document: name, covers, snapshot, summary } => {
                let document = self.documents.entry(*name).or_default();
                for id in covers {
                    if !document.set_aside_if_damaged(name, *id) {
                        document.pieces.remove(id);
                    }
                }
                Some(self.add(*name, PieceKind::Snapshot, snapshot, summary))
            }
            Write::Drop { document } => {
                self.documents.remove(document);
                let end = format!("/{document}");
                self.kept.retain(|key, _| !key.ends_with(&end));
                None
            }
            Write::Keep { key, value } => {
                self.kept.insert(key.clone(), value.clone());
                None
            }
        }
    }
}

impl MemoryStore {
    /// Makes an empty store.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// A panic elsewhere leaves the contents whole, because a commit changes them only in steps that cannot fail.
    fn contents(&self) -> MutexGuard<'_, Contents> {
        self.contents.lock().unwrap_or_else(PoisonError::into_inner)
    }

    #[cfg(any(test, feature = "store-suite"))]
    fn step(&self) -> Result<(), StoreError> {
        self.faults.step().map_or(Ok(()), |fault| Err(fault.error()))
    }

    #[cfg(not(any(test, feature = "store-suite")))]
    #[expect(clippy::unused_self, clippy::unnecessary_wraps, reason = "the tests' twin of it can fail")]
    fn step(&self) -> Result<(), StoreError> {
        Ok(())
    }
}

#[cfg(any(test, feature = "store-suite"))]
impl MemoryStore {
    /// Returns the switch that makes this store's operations fail, shared by all its handles.
    #[must_use]
    pub fn faults(&self) -> Faults {
        self.faults.clone()
    }

    /// Returns a store of its own with the same contents, as a backup has them.
    #[must_use]
    pub fn copy(&self) -> Self {
        Self { contents: Arc::new(Mutex::new(self.contents().clone())), faults: Faults::default() }
    }

    /// Flips one bit of a stored piece, counted from the lowest bit of its first byte.
    ///
    /// Returns whether there is such a bit; pieces set aside have none any more.
    pub fn flip_bit(&self, piece: PieceId, bit: u64) -> bool {
        let mut contents = self.contents();
        let byte = usize::try_from(bit / 8).unwrap_or(usize::MAX);
        contents
            .documents
            .values_mut()
            .find_map(|document| document.pieces.get_mut(&piece)?.bytes.get_mut(byte))
            .map(|byte| *byte ^= 1 << (bit % 8))
            .is_some()
    }
}

impl Store for MemoryStore {
    fn list(&self) -> Result<Vec<Listed>, StoreError> {
        self.step()?;
        let line = |(name, document): (&DocumentId, &Document)| Listed {
            document: *name,
            summary: document.summary.clone(),
            chunks: document.pieces.values().filter(|piece| piece.kind == PieceKind::Chunk).count() as u64,
            pieces: document.pieces.len() as u64,
            ids: document.pieces.keys().fold(0, |sum, id| sum.wrapping_add(id.0)),
            latest: document.pieces.keys().next_back().copied(),
            bytes: document.pieces.values().map(|piece| piece.bytes.len() as u64).sum(),
        };
        Ok(self.contents().documents.iter().map(line).collect())
    }

    fn load(&mut self, name: &DocumentId) -> Result<Loaded, StoreError> {
        self.step()?;
        let mut contents = self.contents();
        let Some(document) = contents.documents.get_mut(name) else { return Ok(Loaded::default()) };
        for id in document.pieces.keys().copied().collect::<Vec<_>>() {
            self.step()?;
            document.set_aside_if_damaged(name, id);
        }
        let piece =
            |(id, stored): (&PieceId, &Stored)| Piece { id: *id, kind: stored.kind, bytes: stored.bytes.clone() };
        let damage =
            |(id, bytes): (&PieceId, &Vec<u8>)| DamagedPiece { id: *id, document: *name, length: bytes.len() as u64 };
        Ok(Loaded {
            pieces: document.pieces.iter().map(piece).collect(),
            damaged: document.set_aside.iter().map(damage).collect(),
        })
    }

    fn news(&self, after: PieceId) -> Result<Vec<(PieceId, DocumentId)>, StoreError> {
        self.step()?;
        let contents = self.contents();
        let newer = |(name, document): (&DocumentId, &Document)| {
            document.pieces.keys().filter(|id| **id > after).map(|id| (*id, *name)).collect::<Vec<_>>()
        };
        let mut news: Vec<_> = contents.documents.iter().flat_map(newer).collect();
        news.sort_unstable();
        Ok(news)
    }

    fn commit(&mut self, writes: &[Write]) -> Result<Vec<PieceId>, StoreError> {
        // Everything that may fail comes first, so that a failed commit has changed nothing.
        for _ in writes {
            self.step()?;
        }
        let mut contents = self.contents();
        Ok(writes.iter().filter_map(|write| contents.apply(write)).collect())
    }

    fn kept(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.step()?;
        Ok(self.contents().kept.get(key).cloned())
    }

    fn set_aside(&self, piece: PieceId) -> Result<Option<Vec<u8>>, StoreError> {
        self.step()?;
        Ok(self.contents().documents.values().find_map(|document| document.set_aside.get(&piece)).cloned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::suite::Fixture;

    #[derive(Default)]
    struct InMemory(MemoryStore);

    impl Fixture for InMemory {
        type Store = MemoryStore;

        fn open(&mut self) -> Result<MemoryStore, StoreError> {
            Ok(self.0.clone())
        }

        fn flip_bit(&mut self, piece: PieceId, bit: u64) {
            assert!(self.0.flip_bit(piece, bit), "no bit {bit} in {piece:?}");
        }

        fn faults(&self) -> Faults {
            self.0.faults()
        }
    }

    crate::store_suite!(InMemory::default);
}
