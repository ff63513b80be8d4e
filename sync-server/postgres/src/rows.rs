//! Reading rows, whatever damage has made of them.

use embertally_core::facts::DocumentId;
use embertally_core::store::{DamagedPiece, Listed, Piece, PieceId, PieceKind, State, StoreError, Summary, piece_hash};
use tokio_postgres::Row;
use tokio_postgres::types::FromSql;

use crate::error::damaged;

/// Reads one value.
pub(crate) fn value<'r, T: FromSql<'r>>(row: &'r Row, column: usize) -> Result<T, StoreError> {
    row.try_get(column).map_err(|error| damaged(&error))
}

/// Reads the id of a piece.
pub(crate) fn piece_id(row: &Row, column: usize) -> Result<PieceId, StoreError> {
    Ok(PieceId(value::<i64>(row, column)?.cast_unsigned()))
}

/// Reads the name of a document.
pub(crate) fn name(row: &Row, column: usize) -> Result<DocumentId, StoreError> {
    let unreadable = |_| StoreError::Damaged { what: "the name of a document cannot be read".to_owned() };
    value::<&str>(row, column)?.parse().map_err(unreadable)
}

/// The number that stands for a kind of piece.
pub(crate) fn kind_number(kind: PieceKind) -> i16 {
    match kind {
        PieceKind::Snapshot => 0,
        PieceKind::Chunk => 1,
    }
}

fn kind(number: i16) -> Option<PieceKind> {
    match number {
        0 => Some(PieceKind::Snapshot),
        1 => Some(PieceKind::Chunk),
        _ => None,
    }
}

/// A piece as it was read.
pub(crate) enum Found {
    Intact(Piece),
    Damaged(DamagedPiece),
}

/// Reads `id, kind, hash, bytes` from column `first` on, and checks that they belong together.
pub(crate) fn found(row: &Row, first: usize, document: &DocumentId) -> Result<Found, StoreError> {
    let (id, hash, bytes) = (piece_id(row, first)?, value::<&[u8]>(row, first + 2)?, value::<&[u8]>(row, first + 3)?);
    Ok(match kind(value(row, first + 1)?) {
        Some(kind) if hash == piece_hash(document, kind, bytes) => {
            Found::Intact(Piece { id, kind, bytes: bytes.to_vec() })
        }
        _ => Found::Damaged(DamagedPiece { id, document: *document, length: bytes.len() as u64 }),
    })
}

/// A count; one below zero, which only damage can make, is shown as 0 (the log works summaries out again).
fn count(row: &Row, column: usize) -> Result<u64, StoreError> {
    Ok(u64::try_from(value::<i64>(row, column)?).unwrap_or(0))
}

/// A count as it is stored.
pub(crate) fn bounded(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

/// Reads a line of the list.
pub(crate) fn listed(row: &Row) -> Result<Listed, StoreError> {
    let summary = Summary {
        entries: count(row, 1)?,
        shots: count(row, 2)?,
        first_ms: value(row, 3)?,
        last_ms: value(row, 4)?,
        title: String::from_utf8_lossy(value(row, 5)?).into_owned(),
        state: value::<Option<&[u8]>>(row, 6)?.and_then(State::from_bytes),
    };
    Ok(Listed {
        document: name(row, 0)?,
        summary,
        chunks: count(row, 7)?,
        bytes: count(row, 8)?,
        pieces: count(row, 9)?,
        ids: value::<i64>(row, 10)?.cast_unsigned(),
        latest: value::<Option<i64>>(row, 11)?.map(|id| PieceId(id.cast_unsigned())),
    })
}
