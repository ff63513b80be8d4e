//! Documents, writes and pictures of a store that the checks share.

use std::collections::BTreeMap;

use crate::facts::{DocumentId, OutingId};
use crate::store::{DamagedPiece, Listed, PieceId, PieceKind, State, Store, Summary, Write};

pub(super) fn register(part: u32) -> DocumentId {
    DocumentId::Register { part }
}

pub(super) fn outing(name: &str) -> DocumentId {
    DocumentId::Outing { outing: OutingId::named(name), part: 1 }
}

pub(super) fn summary(entries: u64) -> Summary {
    Summary {
        entries,
        shots: entries * 10,
        first_ms: Some(-1),
        last_ms: (entries > 1).then_some(1_700_000_000_000 + entries.cast_signed()),
        title: format!("Quarry, day {entries} äöü"),
        state: (entries > 1).then_some(State { digest: [7; 16], pieces: entries, ids: u64::MAX - entries }),
    }
}

pub(super) fn append(document: DocumentId, chunk: &[u8]) -> Write {
    Write::Append { document, chunk: chunk.to_vec(), summary: summary(1) }
}

pub(super) fn compact(document: DocumentId, covers: &[PieceId], snapshot: &[u8]) -> Write {
    Write::Compact { document, covers: covers.to_vec(), snapshot: snapshot.to_vec(), summary: summary(2) }
}

pub(super) fn keep(key: &str, value: &[u8]) -> Write {
    Write::Keep { key: key.to_owned(), value: value.to_vec() }
}

/// Commits and returns the ids.
pub(super) fn commit(store: &mut impl Store, writes: &[Write]) -> Vec<PieceId> {
    store.commit(writes).expect("a commit without faults")
}

/// The bytes of a document's intact pieces, in order, with their kinds.
pub(super) fn pieces(store: &mut impl Store, document: &DocumentId) -> Vec<(PieceKind, Vec<u8>)> {
    let loaded = store.load(document).expect("a load without faults");
    loaded.pieces.into_iter().map(|piece| (piece.kind, piece.bytes)).collect()
}

pub(super) fn chunk(bytes: &[u8]) -> (PieceKind, Vec<u8>) {
    (PieceKind::Chunk, bytes.to_vec())
}

pub(super) fn snapshot(bytes: &[u8]) -> (PieceKind, Vec<u8>) {
    (PieceKind::Snapshot, bytes.to_vec())
}

/// Everything a store shows, but for the names of intact pieces.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Picture {
    list: Vec<Listed>,
    pieces: BTreeMap<DocumentId, Vec<(PieceKind, Vec<u8>)>>,
    damaged: Vec<DamagedPiece>,
    kept: Vec<Option<Vec<u8>>>,
}

pub(super) fn picture(store: &mut impl Store, keys: &[&str]) -> Picture {
    let mut picture = Picture { list: Vec::new(), pieces: BTreeMap::new(), damaged: Vec::new(), kept: Vec::new() };
    for line in store.list().expect("a list without faults") {
        let loaded = store.load(&line.document).expect("a load without faults");
        picture.damaged.extend(loaded.damaged);
        picture.pieces.insert(line.document, loaded.pieces.into_iter().map(|p| (p.kind, p.bytes)).collect());
    }
    // Listed again: loading may have set damaged pieces aside.
    picture.list = store.list().expect("a list without faults");
    picture.kept = keys.iter().map(|key| store.kept(key).expect("a read without faults")).collect();
    picture
}
