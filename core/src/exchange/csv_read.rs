//! The CSV contract to entries.

use super::error::FormatError;
use super::error::{BadRows, ImportError, MissingColumn, RowError};
use super::format::{Line, Next, Table, text};
use super::group::{Grouping, Known};
use super::import::Import;
use super::notice::Notices;
use super::options::{Delimiter, ImportOptions};
use super::row::{CellError, Cells, Column, Marks, parse_row, plain_header};

/// Reads a CSV file of shot sightings into entries.
///
/// Columns stand in any order; those that the contract does not know go into the note. A volley is one entry with one
/// fact for each observer; a name that `known` does not hold gets an entry of its own. All ids follow from the content,
/// so reading a file twice, or on two devices, gives the same entries.
///
/// # Errors
/// [`ImportError`]: nothing is taken from a file that is not of the shape expected, or (unless
/// [`ImportOptions::keep_good`]) has a bad row.
pub fn read_csv(bytes: &[u8], options: &ImportOptions, known: &Known) -> Result<Import, ImportError> {
    let mut notices = Notices::default();
    let text = text(bytes, &mut notices)?;
    let is_column = |header: &str| Column::from_header(header).is_some();
    let mut table = Table::open(text, options, &is_column, &mut notices)?;
    let columns = Columns::of(&table.header, table.header_line, &mut notices)?;
    let mut marks = Marks::new(options.decimal, table.delimiter != Delimiter::Comma);
    let mut bad = BadRows::default();
    let mut grouping = Grouping::new(&mut notices);
    loop {
        match table.next(grouping.notices())? {
            Next::End => break,
            Next::Bad(error) => {
                bad.push(error);
                grouping.spoil_line();
            }
            Next::Line(line) => {
                let cells = CsvCells { line: &line, columns: &columns };
                match parse_row(&cells, &mut marks) {
                    Ok(row) => grouping.push(row, line.line),
                    Err(error) => {
                        grouping.spoil(&cells);
                        bad.push(columns.located(error));
                    }
                }
            }
        }
    }
    marks.settle(grouping.notices())?;
    let grouped = grouping.finish(known, &|column| columns.number(column), &mut bad);
    Import::of(grouped, notices, bad, options)
}

/// Where the columns stand in a file.
struct Columns {
    places: [Option<usize>; Column::COUNT],
    /// Columns that the contract does not know, with their names.
    others: Vec<(usize, String)>,
}

impl Columns {
    fn of(header: &[String], line: u64, notices: &mut Notices) -> Result<Self, ImportError> {
        let mut columns = Self { places: [None; Column::COUNT], others: Vec::new() };
        for (place, name) in header.iter().enumerate() {
            let Some(column) = Column::from_header(name) else {
                columns.others.push((place, name.clone()));
                continue;
            };
            let Some(slot) = columns.places.get_mut(column.index()) else { continue };
            if let Some(earlier) = slot.replace(place) {
                let reason = format!("the column {} is there already, as column {}", column.name(), earlier + 1);
                return Err(FormatError::at(line, u32::try_from(place + 1).ok(), reason).into());
            }
        }
        let missing = Column::REQUIRED.into_iter().filter(|c| columns.place(*c).is_none());
        let missing: Vec<_> =
            missing.map(|c| MissingColumn { name: c.name(), nearest: nearest(c.name(), &columns.others) }).collect();
        if !missing.is_empty() {
            return Err(ImportError::MissingColumns { line, columns: missing });
        }
        columns.others.retain(|(_, name)| !name.is_empty());
        if !columns.others.is_empty() {
            let names =
                columns.others.iter().map(|(_, name)| super::error::shortened(name)).collect::<Vec<_>>().join(", ");
            notices
                .line("unknown-column", line, || format!("What stands in other columns goes into the note: {names}."));
        }
        Ok(columns)
    }

    fn place(&self, column: Column) -> Option<usize> {
        self.places.get(column.index()).copied().flatten()
    }

    fn number(&self, column: Column) -> Option<u32> {
        u32::try_from(self.place(column)? + 1).ok()
    }

    fn located(&self, error: CellError) -> RowError {
        RowError {
            line: error.line,
            column_number: self.number(error.column),
            column_name: error.column.name().to_owned(),
            text: error.text,
            reason: error.reason,
        }
    }
}

/// A line's cells by column.
struct CsvCells<'t> {
    line: &'t Line<'t>,
    columns: &'t Columns,
}

impl Cells for CsvCells<'_> {
    fn cell(&self, column: Column) -> &str {
        self.columns.place(column).map_or("", |place| self.line.cell(place))
    }

    fn others(&self) -> impl Iterator<Item = (&str, &str)> {
        self.columns.others.iter().map(|(place, name)| (name.as_str(), self.line.cell(*place)))
    }

    fn line(&self, column: Column) -> u64 {
        self.columns.place(column).map_or(self.line.line, |place| self.line.line_of(place))
    }

    fn number(&self, column: Column) -> Option<u32> {
        self.columns.number(column)
    }
}

/// Returns the header that looks most like a column's name, if any looks like it at all.
fn nearest(name: &str, others: &[(usize, String)]) -> Option<String> {
    let scored = others.iter().filter(|(_, other)| other.len() <= 64).map(|(_, other)| {
        let plain = plain_header(other);
        let distance = if plain.split('_').any(|part| part == name) { 1 } else { edits(name, &plain) };
        (distance, other)
    });
    let (distance, other) = scored.min_by_key(|(distance, _)| *distance)?;
    (distance <= 1 + name.chars().count() / 3).then(|| other.clone())
}

/// Counts the letters to change, add or leave out between two short words (Levenshtein distance).
fn edits(a: &str, b: &str) -> usize {
    let mut row: Vec<usize> = (0..=b.chars().count()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        for (slot, y) in row.iter_mut().skip(1).zip(b.chars()) {
            let above = *slot;
            left = (diagonal + usize::from(x != y)).min(above + 1).min(left + 1);
            diagonal = above;
            *slot = left;
        }
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
    }
    row.last().copied().unwrap_or(0)
}
