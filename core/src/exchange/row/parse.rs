//! Cells to a row: words, numbers with their limits, times with their offset.

use std::ops::RangeInclusive;
use std::str::FromStr;

use super::Row;
use super::column::Column;
use super::decimal::Decimal;
use super::delay::delay;
use super::marks::Marks;
use super::weather::{humidity, temperature, wind};
use crate::facts::{Conditions, Moment, WordError};

/// The longest string and the last position that a volley can have.
const MAX_POSITION: u16 = 10_000;

/// The cells of one line, by column.
pub(in super::super) trait Cells {
    /// Returns the text, outer white space cut; empty where there is none.
    fn cell(&self, column: Column) -> &str;
    /// Returns the texts of columns that the contract does not know, with their names.
    fn others(&self) -> impl Iterator<Item = (&str, &str)>;
    /// Returns the line of the file that a column's cell stands on.
    fn line(&self, column: Column) -> u64;
    /// Returns the column's number in the file, from 1.
    fn number(&self, column: Column) -> Option<u32>;
}

/// A cell that cannot be read.
#[derive(Debug)]
pub(in super::super) struct CellError {
    pub(in super::super) column: Column,
    pub(in super::super) line: u64,
    pub(in super::super) text: String,
    pub(in super::super) reason: String,
}

impl CellError {
    pub(in super::super) fn new(column: Column, cells: &impl Cells, reason: impl Into<String>) -> Self {
        let text = super::super::error::shortened(cells.cell(column));
        Self { column, line: cells.line(column), text, reason: reason.into() }
    }
}

/// Reads one line.
pub(in super::super) fn parse_row(cells: &impl Cells, marks: &mut Marks) -> Result<Row, CellError> {
    let row = Row {
        outing: required_name(cells, Column::Outing, "")?,
        outing_kind: word(cells, Column::OutingKind)?,
        slow_limit_ms: small(cells, Column::SlowLimitMs, 1..=u16::MAX)?,
        time: time(cells)?,
        device: name(cells, Column::Device)?,
        observer: name(cells, Column::Observer)?,
        volley: name(cells, Column::Volley)?,
        module: name(cells, Column::Module)?,
        channel: small(cells, Column::Channel, 0..=u16::MAX)?,
        wiring: word(cells, Column::Wiring)?,
        string_length: small(cells, Column::StringLength, 1..=MAX_POSITION)?,
        position: small(cells, Column::Position, 1..=MAX_POSITION)?,
        lot: required_name(cells, Column::Lot, "")?,
        unit: required_name(cells, Column::Unit, "; write ? for an igniter without a number")?,
        attempt: small(cells, Column::Attempt, 1..=255)?.map(|n| u8::try_from(n).unwrap_or(u8::MAX)),
        fuse: name(cells, Column::Fuse)?,
        ignition: word(cells, Column::Ignition)?.ok_or_else(|| missing(cells, Column::Ignition, ""))?,
        transfer: word(cells, Column::Transfer)?,
        delay: delay(cells, marks)?,
        strength: small(cells, Column::Strength, 1..=5)?.map(|n| u8::try_from(n).unwrap_or(u8::MAX)),
        cause: word(cells, Column::Cause)?,
        conditions: conditions(cells, marks)?,
        note: note(cells)?,
    };
    Ok(row)
}

fn missing(cells: &impl Cells, column: Column, hint: &str) -> CellError {
    CellError::new(column, cells, format!("empty, which it must not be{hint}"))
}

fn required_name(cells: &impl Cells, column: Column, hint: &str) -> Result<String, CellError> {
    name(cells, column)?.ok_or_else(|| missing(cells, column, hint))
}

/// Reads a name, which stands on one line.
fn name(cells: &impl Cells, column: Column) -> Result<Option<String>, CellError> {
    let text = cells.cell(column);
    if text.is_empty() {
        return Ok(None);
    }
    if text.chars().any(char::is_control) {
        return Err(CellError::new(column, cells, "a name must not have line ends or other control characters"));
    }
    Ok(Some(text.to_owned()))
}

/// Reads a name of a row that may be bad elsewhere.
pub(in super::super) fn readable_name(cells: &impl Cells, column: Column) -> Option<String> {
    name(cells, column).ok().flatten()
}

/// Reads a free text and adds what stands in columns that the contract does not know.
fn note(cells: &impl Cells) -> Result<Option<String>, CellError> {
    let mut note = cells.cell(Column::Note).to_owned();
    for (name, text) in cells.others().filter(|(_, text)| !text.is_empty()) {
        if !note.is_empty() {
            note.push_str("; ");
        }
        note.extend([name, ": ", text]);
    }
    if note.chars().any(|c| c.is_control() && !matches!(c, '\n' | '\r' | '\t')) {
        return Err(CellError::new(
            Column::Note,
            cells,
            "a note must not have control characters other than line ends",
        ));
    }
    Ok((!note.is_empty()).then_some(note))
}

/// Reads a word of a list, in any case, with spaces or underscores for hyphens.
fn word<T: FromStr<Err = WordError>>(cells: &impl Cells, column: Column) -> Result<Option<T>, CellError> {
    let text = cells.cell(column);
    if text.is_empty() {
        return Ok(None);
    }
    // Almost all words are written as they should be; the others are worth a second look.
    let read = text.parse().or_else(|_| super::plain_header(text).replace('_', "-").parse());
    read.map(Some).map_err(|e: WordError| {
        CellError::new(column, cells, format!("not a known {}; use one of: {}", e.what, e.allowed))
    })
}

fn time(cells: &impl Cells) -> Result<Option<Moment>, CellError> {
    let text = cells.cell(Column::Time);
    if text.is_empty() {
        return Ok(None);
    }
    moment(text).map(Some).ok_or_else(|| CellError::new(Column::Time, cells, NOT_A_TIME))
}

pub(in super::super) const NOT_A_TIME: &str =
    "not a date and time with an offset from UTC, such as 2031-05-09T21:30:00+02:00 (RFC 3339)";

/// Reads RFC 3339; between date and time a space may stand for the T.
pub(in super::super) fn moment(text: &str) -> Option<Moment> {
    match text.as_bytes().get(10) {
        Some(b' ') => text.replacen(' ', "T", 1).parse().ok(),
        _ => text.parse().ok(),
    }
}

/// Reads a whole number within limits.
pub(super) fn whole(cells: &impl Cells, column: Column, limits: RangeInclusive<u32>) -> Result<Option<u32>, CellError> {
    let text = cells.cell(column);
    if text.is_empty() {
        return Ok(None);
    }
    // `u32::from_str` would take a plus sign.
    let read = if text.bytes().all(|b| b.is_ascii_digit()) { text.parse().ok() } else { None };
    read.filter(|n| limits.contains(n)).map(Some).ok_or_else(|| {
        let reason = format!("not a whole number from {} to {}", limits.start(), limits.end());
        CellError::new(column, cells, reason)
    })
}

fn small(cells: &impl Cells, column: Column, limits: RangeInclusive<u16>) -> Result<Option<u16>, CellError> {
    let wide = u32::from(*limits.start())..=u32::from(*limits.end());
    Ok(whole(cells, column, wide)?.map(|n| u16::try_from(n).unwrap_or(u16::MAX)))
}

/// Reads a decimal number with either mark.
pub(super) fn number(cells: &impl Cells, column: Column, marks: &mut Marks) -> Result<Option<Decimal>, CellError> {
    let text = cells.cell(column);
    if text.is_empty() {
        return Ok(None);
    }
    let reason = "not a plain number of at most 15 digits, such as 18.5";
    let (number, mark) = Decimal::read(text).ok_or_else(|| CellError::new(column, cells, reason))?;
    if let Some(mark) = mark {
        marks
            .meet(number, mark, || (cells.line(column), cells.number(column)))
            .map_err(|reason| CellError::new(column, cells, reason))?;
    }
    Ok(Some(number))
}

fn conditions(cells: &impl Cells, marks: &mut Marks) -> Result<Conditions, CellError> {
    let mut value = |column| number(cells, column, marks);
    let wrong = |column| move |reason: &'static str| CellError::new(column, cells, reason);
    let (t, h, w) = (Column::TemperatureC, Column::HumidityPct, Column::WindMS);
    Ok(Conditions {
        temperature: value(t)?.map(|n| temperature(n, 0, 1, 1)).transpose().map_err(wrong(t))?,
        humidity: value(h)?.map(humidity).transpose().map_err(wrong(h))?,
        wind: value(w)?.map(|n| wind(n, 1, 1)).transpose().map_err(wrong(w))?,
        precipitation: word(cells, Column::Precipitation)?,
    })
}
