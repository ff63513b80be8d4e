//! The hash that every store keeps beside a piece.

use super::PieceKind;
use crate::facts::DocumentId;

/// Returns the BLAKE3 hash a store keeps with a piece: of the document's name, the kind and the bytes.
///
/// Name and kind are part of it so that a piece which damage moved to another document, or made a snapshot of, is
/// noticed like a flipped bit.
#[must_use]
pub fn piece_hash(document: &DocumentId, kind: PieceKind, bytes: &[u8]) -> [u8; 32] {
    let mut hasher = blake3::Hasher::new();
    hasher.update(document.to_string().as_bytes());
    // A document's name holds no byte below 32, so where it ends is certain.
    hasher.update(match kind {
        PieceKind::Snapshot => &[0, 0],
        PieceKind::Chunk => &[0, 1],
    });
    hasher.update(bytes);
    *hasher.finalize().as_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn document_kind_and_bytes_all_change_the_hash() {
        let (one, two) = (DocumentId::Register { part: 1 }, DocumentId::Register { part: 11 });
        let first = piece_hash(&one, PieceKind::Chunk, b"1");
        assert_eq!(first, piece_hash(&one, PieceKind::Chunk, b"1"));
        assert_ne!(first, piece_hash(&two, PieceKind::Chunk, b""));
        assert_ne!(first, piece_hash(&one, PieceKind::Snapshot, b"1"));
        assert_ne!(first, piece_hash(&one, PieceKind::Chunk, b"2"));
    }
}
