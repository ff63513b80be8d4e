//! What the tool prints: tables or one JSON object on standard output, words on standard error.

use std::fmt::Write as _;
use std::io::{self, IsTerminal, Write};

use comfy_table::{CellAlignment, ContentArrangement, Table};
use embertally_core::facts::is_steering;
use embertally_core::log::Problem;
pub(crate) use embertally_core::rates::percent;
pub(crate) use embertally_core::{CAUTION, CAUTIONS};
use serde::Serialize;

use crate::error::CliError;

/// The most characters of a cell, so that one long name does not push the others off the screen.
const MOST_IN_CELL: usize = 60;
/// The same of the last cell of a row, which holds sentences and pushes nothing.
const MOST_IN_LAST_CELL: usize = 240;

/// Shows a name or another text of one line without what would steer a terminal.
pub(crate) fn clean(text: &str) -> String {
    text.chars().map(|c| if is_steering(c) { char::REPLACEMENT_CHARACTER } else { c }).collect()
}

/// Shows a longer text so; its line ends are ours.
fn clean_lines(text: &str) -> String {
    text.chars().map(|c| if is_steering(c) && c != '\n' { char::REPLACEMENT_CHARACTER } else { c }).collect()
}

/// Shortens a text to a number of characters.
pub(crate) fn capped(text: &str, most: usize) -> String {
    if text.chars().nth(most).is_none() {
        return text.to_owned();
    }
    text.chars().take(most.saturating_sub(1)).chain(['…']).collect()
}

/// Returns a number with its noun: 1 entry, 2 entries.
pub(crate) fn counted(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// Says something to the person, on standard error.
pub(crate) fn say(text: &str) {
    // A closed standard error must not stop what is being done.
    let _ = writeln!(io::stderr().lock(), "{}", clean_lines(text));
}

/// Prints a line of the result.
pub(crate) fn line(text: &str) -> Result<(), CliError> {
    raw_line(&clean_lines(text))
}

/// Prints a text that this program made alone, such as a completion script.
pub(crate) fn raw_line(text: &str) -> Result<(), CliError> {
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
    line(&escaped(&text))
}

/// Writes what would steer a terminal as JSON's own escapes: the value is the same, and harmless to look at.
pub(crate) fn escaped(json: &str) -> String {
    let mut out = String::with_capacity(json.len());
    for c in json.chars() {
        if is_steering(c) && c != '\n' {
            // All of them have four hexadecimal digits; writing to a text cannot fail.
            let _ = write!(out, "\\u{:04x}", u32::from(c));
        } else {
            out.push(c);
        }
    }
    out
}

/// An answer that says whether all of the log could be read for it.
#[derive(Serialize)]
pub(crate) struct Answer<T> {
    #[serde(flatten)]
    answer: T,
    complete: bool,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    problems: Vec<String>,
}

impl<T: Serialize> Answer<T> {
    pub(crate) fn new(answer: T, problems: Vec<String>) -> Self {
        Self { answer, complete: problems.is_empty(), problems }
    }
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
        let last = row.len().saturating_sub(1);
        table.add_row(
            row.into_iter().enumerate().map(|(index, cell)| {
                capped(&clean(&cell), if index == last { MOST_IN_LAST_CELL } else { MOST_IN_CELL })
            }),
        );
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
    problem.to_string()
}
