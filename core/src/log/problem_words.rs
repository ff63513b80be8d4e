//! What of a log could not be read, in words.

use std::fmt;

use super::open::Problem;

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::DamagedPiece(p) => write!(
                f,
                "Damage: piece {} of {} does not match its hash. It was set aside, not deleted; the rest is open.",
                p.id.0, p.document
            ),
            Self::UnreadablePiece { document, piece, what } => {
                write!(f, "Damage: piece {} of {document} cannot be read ({what}). The rest is open.", piece.0)
            }
            Self::Mended { document, entries } => {
                let noun = if *entries == 1 { "entry" } else { "entries" };
                write!(f, "Mended: {entries} {noun} of {document} behind the damage, written anew.")
            }
            Self::UnreadableEntry { document, entry, what } => {
                write!(f, "Entry {entry} of {document} is not one ({what}). It is kept, and not counted.")
            }
            Self::ContestedEntry { document, entry } => {
                write!(f, "Two different entries of {document} stand under {entry}. Both are kept, one is counted.")
            }
        }
    }
}
