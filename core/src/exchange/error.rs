//! What is wrong with a file, and where.

use std::fmt;

use serde::Serialize;
use thiserror::Error;

/// The most bad rows that are kept to be shown; all are counted.
pub const MAX_BAD_ROWS: usize = 1000;

/// The most characters of a bad cell that are shown.
const MAX_SHOWN: usize = 60;

/// A row that cannot be read, with the place and the reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RowError {
    /// The physical line in the file, from 1. A quoted cell may hold line ends, so this is not the row's number.
    pub line: u64,
    /// The column's number in the file, from 1; `None` where the file has no such column.
    pub column_number: Option<u32>,
    /// The name of the column, or of the JSON field; empty where a whole line cannot be read.
    pub column_name: String,
    /// What stands there, shortened.
    pub text: String,
    /// Why it cannot be read, as a sentence.
    pub reason: String,
}

impl fmt::Display for RowError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}", self.line)?;
        if let Some(n) = self.column_number {
            write!(f, ", column {n}")?;
        }
        if !self.column_name.is_empty() {
            write!(f, " ({})", self.column_name)?;
        }
        write!(f, ": {}", self.reason)?;
        if self.text.is_empty() { Ok(()) } else { write!(f, " (found {:?})", self.text) }
    }
}

/// A file that cannot be read at all, because it is not text of the shape expected.
#[derive(Debug, Clone, PartialEq, Eq, Error, Serialize)]
#[error("{}", located(*.line, *.column_number, .reason))]
pub struct FormatError {
    /// The physical line, from 1.
    pub line: u64,
    /// The column's number, from 1, where there is one.
    pub column_number: Option<u32>,
    /// Why it cannot be read.
    pub reason: String,
    /// The option that settles it (`delimiter`, `decimal`), where the file can be read in more than one way.
    pub settled_by: Option<&'static str>,
}

impl FormatError {
    pub(super) fn at(line: u64, column_number: Option<u32>, reason: impl Into<String>) -> Self {
        Self { line, column_number, reason: reason.into(), settled_by: None }
    }

    pub(super) fn settled_by(self, option: &'static str) -> Self {
        Self { settled_by: Some(option), ..self }
    }
}

fn located(line: u64, column: Option<u32>, reason: &str) -> String {
    match column {
        Some(column) => format!("line {line}, column {column}: {reason}"),
        None => format!("line {line}: {reason}"),
    }
}

/// A column that must be there and is not.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MissingColumn {
    /// Its name.
    pub name: &'static str,
    /// The file's own header that looks most like it, as a hint.
    pub nearest: Option<String>,
}

/// Why nothing was imported.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum ImportError {
    /// The file is not of the shape expected.
    #[error(transparent)]
    Format(#[from] FormatError),
    /// Columns that must be there are not.
    #[error("line {line}: {}", missing(.columns))]
    MissingColumns {
        /// The line of the header.
        line: u64,
        /// The columns.
        columns: Vec<MissingColumn>,
    },
    /// Some rows cannot be read, and the good ones were not asked for alone.
    #[error("{}", bad_rows(.bad, *.count))]
    BadRows {
        /// The bad rows in the order of the file, at most [`MAX_BAD_ROWS`] of them.
        bad: Vec<RowError>,
        /// How many there are in all.
        count: u64,
    },
    /// The file has more rows than allowed.
    #[error("line {line}: more than {max} rows; split the file or allow more")]
    TooManyRows {
        /// The line of the first row too many.
        line: u64,
        /// How many rows are allowed.
        max: u64,
    },
}

fn missing(columns: &[MissingColumn]) -> String {
    let one = |c: &MissingColumn| match &c.nearest {
        Some(near) => format!("there is no column {} (did you mean {near:?}?)", c.name),
        None => format!("there is no column {}", c.name),
    };
    columns.iter().map(one).collect::<Vec<_>>().join("; ")
}

fn bad_rows(bad: &[RowError], count: u64) -> String {
    match (bad.first(), count) {
        (Some(first), 0 | 1) => first.to_string(),
        (Some(first), n) => format!("{first} (and {} more bad rows)", n - 1),
        (None, n) => format!("{n} bad rows"),
    }
}

/// Shortens a cell for a message and shows line ends and other control characters as marks.
pub(super) fn shortened(text: &str) -> String {
    let mut shown: String =
        text.chars().take(MAX_SHOWN).map(|c| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c }).collect();
    if text.chars().nth(MAX_SHOWN).is_some() {
        shown.push('…');
    }
    shown
}

/// Collects bad rows up to the cap, and counts them all.
#[derive(Debug, Default)]
pub(super) struct BadRows {
    bad: Vec<RowError>,
    count: u64,
}

impl BadRows {
    pub(super) fn push(&mut self, error: RowError) {
        self.count += 1;
        // Kept in the order of the file: rows that contradict others are found after those that cannot be read.
        let place = self.bad.partition_point(|known| known.line <= error.line);
        if place < MAX_BAD_ROWS {
            self.bad.insert(place, error);
            self.bad.truncate(MAX_BAD_ROWS);
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.count == 0
    }

    pub(super) fn count(&self) -> u64 {
        self.count
    }

    pub(super) fn into_vec(self) -> Vec<RowError> {
        self.bad
    }
}
