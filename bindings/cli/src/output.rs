//! What the tool prints: tables or one JSON object on standard output, words on standard error.

use std::io::{self, IsTerminal, Write};

use comfy_table::{CellAlignment, ContentArrangement, Table};
use embertally_core::log::Problem;
pub(crate) use embertally_core::rates::percent;
use serde::Serialize;

use crate::error::CliError;

/// Says something to the person, on standard error.
pub(crate) fn say(text: &str) {
    // A closed standard error must not stop what is being done.
    let _ = writeln!(io::stderr().lock(), "{text}");
}

/// Prints a line of the result.
pub(crate) fn line(text: &str) -> Result<(), CliError> {
    match writeln!(io::stdout().lock(), "{text}") {
        // The reader has had enough (`| head`).
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => std::process::exit(0),
        Err(e) => Err(CliError::refused("E_OUTPUT", format!("Cannot print the result: {e}."))),
        Ok(()) => Ok(()),
    }
}

/// Prints the one JSON object of a command.
pub(crate) fn json(value: &impl Serialize) -> Result<(), CliError> {
    let text = serde_json::to_string_pretty(value)
        .map_err(|e| CliError::refused("E_INTERNAL", format!("Cannot write the result as JSON: {e}.")))?;
    line(&text)
}

/// Tells whether colour and drawing for a terminal are wanted.
pub(crate) fn fancy() -> bool {
    io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
}

/// Makes an aligned table; columns named in `right` are set to the right.
pub(crate) fn table(headers: &[&str], right: &[usize], rows: Vec<Vec<String>>) -> String {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING).set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(headers.to_vec());
    for row in rows {
        table.add_row(row);
    }
    for index in 0..headers.len() {
        if let Some(column) = table.column_mut(index) {
            column.set_padding((0, 2));
            if right.contains(&index) {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
    }
    let mut lines: Vec<String> = table.lines().map(|l| l.trim_end().to_owned()).collect();
    let width = lines.iter().map(|l| l.chars().count()).max().unwrap_or(0);
    lines.insert(1.min(lines.len()), "─".repeat(width));
    lines.join("\n")
}

/// Says in words what of a log could not be read.
pub(crate) fn problem(problem: &Problem) -> String {
    match problem {
        Problem::DamagedPiece(p) => format!(
            "Damage: piece {} of {} does not match its hash. It was set aside, not deleted; the rest is open.",
            p.id.0, p.document
        ),
        Problem::UnreadablePiece { document, piece, what } => {
            format!("Damage: piece {} of {document} cannot be read ({what}). The rest is open.", piece.0)
        }
        Problem::Mended { document, entries } => {
            format!("Mended: {entries} entries of {document} stood behind the damage and were written anew.")
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

macro_rules! cautions {
    ($($text:literal),+) => {
        /// The cautions wherever failed or unlit shots are spoken of, a sentence or two each.
        pub(crate) const CAUTIONS: &[&str] = &[$($text),+];
        /// The same in one piece.
        pub(crate) const CAUTION: &str = cautions!(@join $($text),+);
    };
    (@join $first:literal $(, $more:literal)*) => { concat!($first $(, " ", $more)*) };
}

cautions!(
    "Treat every shot that failed or whose fuse was not lit as live.",
    "Wait the time that the site's rules give before anybody approaches, approach as the person in charge directs, and \
     follow local codes, the maker's instructions and licensed practice.",
    "No number here is a permission."
);
