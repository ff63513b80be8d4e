//! What of a log could not be read, in words: the same as the command line's.

use embertally_core::log::Problem;

/// Returns what could not be read. What was mended is whole again and no part of it.
pub(super) fn problems(found: &[Problem]) -> Vec<String> {
    found.iter().filter(|p| !matches!(p, Problem::Mended { .. })).map(words).collect()
}

fn words(problem: &Problem) -> String {
    match problem {
        Problem::DamagedPiece(p) => format!(
            "Damage: piece {} of {} does not match its hash. It was set aside, not deleted; the rest is open.",
            p.id.0, p.document
        ),
        Problem::UnreadablePiece { document, piece, what } => {
            format!("Damage: piece {} of {document} cannot be read ({what}). The rest is open.", piece.0)
        }
        Problem::UnreadableEntry { document, entry, what } => {
            format!("Entry {entry} of {document} is not one ({what}). It is kept, and not counted.")
        }
        Problem::ContestedEntry { document, entry } => {
            format!("Two different entries of {document} stand under {entry}. Both are kept, one is counted.")
        }
        other => format!("Something could not be read: {other:?}."),
    }
}
