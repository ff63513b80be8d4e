//! A delimited text as a header and lines, each line with the place where it stands in the file.

use csv::{ReaderBuilder, StringRecord, Terminator};

use super::super::error::{FormatError, ImportError, RowError, shortened};
use super::super::notice::Notices;
use super::super::options::{Delimiter, ImportOptions};
use super::super::row::unmarked;
use super::{delimiter, line_ends, notice_line_ends, quotes};

pub(super) fn reader(text: &str, delimiter: Delimiter) -> csv::Reader<&[u8]> {
    ReaderBuilder::new()
        .delimiter(delimiter.byte())
        .has_headers(false)
        .flexible(true)
        .terminator(Terminator::CRLF)
        .from_reader(text.as_bytes())
}

/// One line of a table: its cells, and where it begins.
#[derive(Debug)]
pub(in super::super) struct Line<'t> {
    record: &'t StringRecord,
    /// The physical line on which it begins.
    pub(in super::super) line: u64,
}

impl<'t> Line<'t> {
    /// Returns a cell as the text that it stands for; empty where there is none.
    pub(in super::super) fn cell(&self, place: usize) -> &'t str {
        unmarked(self.record.get(place).unwrap_or_default().trim())
    }

    /// Returns the physical line on which a cell begins: quoted cells before it may hold line ends.
    pub(in super::super) fn line_of(&self, place: usize) -> u64 {
        self.line + self.record.iter().take(place).map(|cell| line_ends(cell.as_bytes(), None)).sum::<u64>()
    }
}

/// A delimited text that is read line by line.
pub(in super::super) struct Table<'a> {
    text: &'a str,
    reader: csv::Reader<&'a [u8]>,
    record: StringRecord,
    /// The header's cells.
    pub(in super::super) header: Vec<String>,
    /// The line of the header.
    pub(in super::super) header_line: u64,
    /// What separates the cells.
    pub(in super::super) delimiter: Delimiter,
    /// A place in `text` and the physical line there.
    counted: (usize, u64),
    rows: u64,
    max_rows: u64,
    max_cell_bytes: usize,
}

/// What comes next in a table.
pub(in super::super) enum Next<'t> {
    Line(Line<'t>),
    Bad(RowError),
    End,
}

impl<'a> Table<'a> {
    /// Finds the delimiter and reads the header; `known` tells whether a header cell names a column.
    pub(in super::super) fn open(
        text: &'a str,
        options: &ImportOptions,
        known: &dyn Fn(&str) -> bool,
        notices: &mut Notices,
    ) -> Result<Self, FormatError> {
        notice_line_ends(text, notices);
        let (delimiter, skipped) = delimiter::find(text, options.delimiter, known, notices)?;
        let body = text.get(skipped..).unwrap_or_default();
        // Behind a separator line stands its line end, which the first line begins with.
        quotes::check(body, delimiter, 1)?;
        let mut table = Self {
            text: body,
            reader: reader(body, delimiter),
            record: StringRecord::new(),
            header: Vec::new(),
            header_line: 1,
            delimiter,
            counted: (0, 1),
            rows: 0,
            max_rows: options.max_rows,
            max_cell_bytes: options.max_cell_bytes,
        };
        let Some(line) = table.advance()? else {
            return Err(FormatError::at(1, None, "the file is empty; the first line must name the columns"));
        };
        table.header_line = line;
        table.header = table.record.iter().map(|cell| unmarked(cell.trim()).to_owned()).collect();
        if let Some(place) = table.record.iter().position(|cell| cell.len() > table.max_cell_bytes) {
            return Err(FormatError::at(line, u32::try_from(place + 1).ok(), "a column's name is too long"));
        }
        Ok(table)
    }

    /// Reads the next record and returns the physical line on which it begins.
    fn advance(&mut self) -> Result<Option<u64>, FormatError> {
        let start = usize::try_from(self.reader.position().byte()).unwrap_or(usize::MAX);
        match self.reader.read_record(&mut self.record) {
            Ok(true) => {}
            Ok(false) => return Ok(None),
            // The text is UTF-8 and rows may differ in length: nothing is left that could go wrong.
            Err(e) => return Err(FormatError::at(self.counted.1, None, e.to_string())),
        }
        // The reader passes over empty lines without counting them.
        let bytes = self.text.as_bytes();
        let behind = bytes.get(start..).unwrap_or_default();
        let blank = behind.iter().take_while(|b| matches!(b, b'\r' | b'\n')).count();
        let begin = start + blank;
        let (place, line) = self.counted;
        let between = bytes.get(place..begin).unwrap_or_default();
        self.counted = (begin, line + line_ends(between, bytes.get(begin).copied()));
        Ok(Some(self.counted.1))
    }

    /// Returns the next line that is not empty.
    pub(in super::super) fn next(&mut self, notices: &mut Notices) -> Result<Next<'_>, ImportError> {
        let line = loop {
            let Some(line) = self.advance()? else { return Ok(Next::End) };
            if self.record.iter().any(|cell| !cell.trim().is_empty()) {
                break line;
            }
            notices.line("empty-row", line, || "The row is empty and is left out.".to_owned());
        };
        self.rows += 1;
        if self.rows > self.max_rows {
            return Err(ImportError::TooManyRows { line, max: self.max_rows });
        }
        if let Some(error) = self.misshapen(line) {
            return Ok(Next::Bad(error));
        }
        if self.record.len() < self.header.len() {
            notices.line("short-row", line, || {
                format!("The row has {} cells of {}; those that lack are empty.", self.record.len(), self.header.len())
            });
        }
        Ok(Next::Line(Line { record: &self.record, line }))
    }

    fn misshapen(&self, line: u64) -> Option<RowError> {
        let located = |place: usize, text: &str, reason: String| RowError {
            line: Line { record: &self.record, line }.line_of(place),
            column_number: u32::try_from(place + 1).ok(),
            column_name: self.header.get(place).map(|name| shortened(name)).unwrap_or_default(),
            text: shortened(text),
            reason,
        };
        let mut cells = self.record.iter().enumerate();
        if let Some((place, text)) = cells.clone().find(|(_, cell)| cell.len() > self.max_cell_bytes) {
            let reason = format!("the cell has {} bytes; the most is {}", text.len(), self.max_cell_bytes);
            return Some(located(place, text, reason));
        }
        let (place, text) = cells.find(|(place, cell)| *place >= self.header.len() && !cell.trim().is_empty())?;
        let reason = format!(
            "the row has more cells than the header, which has {}; a cell that holds a {} must be quoted",
            self.header.len(),
            self.delimiter.word()
        );
        Some(located(place, text, reason))
    }
}
