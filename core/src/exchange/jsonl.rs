//! The rows of the CSV contract as JSON lines: one object a line, its fields named as the columns.

use std::fmt;
use std::io;

use serde::de::{Deserialize, Deserializer, MapAccess, Visitor};
use serde_json::Value;

use super::error::{BadRows, ImportError, RowError, shortened};
use super::format::text;
use super::group::{Grouping, Known};
use super::import::Import;
use super::notice::Notices;
use super::options::ImportOptions;
use super::row::{CellError, Cells, Column, DecimalMark, Marks, Row, parse_row};

/// The JSON Schema (draft 2020-12) of one row.
pub const ROW_SCHEMA: &str = include_str!("row.schema.json");

/// Writes rows as JSON lines: numbers are numbers, absent fields are absent. Returns how many were written.
///
/// # Errors
/// Those of the writer.
pub fn write_jsonl(mut out: impl io::Write, rows: impl IntoIterator<Item = Row>) -> io::Result<u64> {
    let mut written = 0;
    for row in rows {
        serde_json::to_writer(&mut out, &row)?;
        out.write_all(b"\n")?;
        written += 1;
    }
    out.flush()?;
    Ok(written)
}

/// Reads JSON lines of shot sightings into entries, by the rules of [`super::read_csv`]; see [`ROW_SCHEMA`].
///
/// Errors name the line and the field. A field that the schema does not know goes into the note if it is a text, a
/// number or a truth value.
///
/// # Errors
/// [`ImportError`]; the delimiter and decimal mark of `options` have no meaning here.
pub fn read_jsonl(bytes: &[u8], options: &ImportOptions, known: &Known) -> Result<Import, ImportError> {
    let mut notices = Notices::default();
    let text = text(bytes, &mut notices)?;
    let mut marks = Marks::new(Some(DecimalMark::Point), false);
    let mut bad = BadRows::default();
    let mut grouping = Grouping::new(&mut notices);
    let mut rows = 0;
    for (line, object) in (1_u64..).zip(text.split('\n')).filter(|(_, object)| !object.trim().is_empty()) {
        rows += 1;
        if rows > options.max_rows {
            return Err(ImportError::TooManyRows { line, max: options.max_rows });
        }
        match read_row(object, line, options, &mut marks, &mut grouping) {
            Ok(row) => grouping.push(row, line),
            Err(error) => bad.push(error),
        }
    }
    let grouped = grouping.finish(known, &|_| None, &mut bad);
    Import::of(grouped, notices, bad, options)
}

fn read_row(
    object: &str,
    line: u64,
    options: &ImportOptions,
    marks: &mut Marks,
    grouping: &mut Grouping<'_>,
) -> Result<Row, RowError> {
    let Fields(fields) = serde_json::from_str(object).map_err(|e| {
        grouping.spoil_line();
        RowError {
            line,
            column_number: None,
            column_name: String::new(),
            text: shortened(object),
            reason: format!("the line is not one JSON object (see its character {})", e.column()),
        }
    })?;
    let mut cells = JsonCells { line, texts: Default::default(), others: Vec::new() };
    let mut wrong = None;
    // All fields are taken, so that a bad row still says which volley it is of.
    for (name, value) in fields {
        if let Err((text, reason)) = cells.take(&name, value, options) {
            let (column_name, text) = (shortened(&name), shortened(&text));
            wrong.get_or_insert(RowError { line, column_number: None, column_name, text, reason });
        }
    }
    let read = wrong.map_or_else(|| parsed(&cells, marks), Err);
    if read.is_err() {
        grouping.spoil(&cells);
    }
    read
}

fn parsed(cells: &JsonCells, marks: &mut Marks) -> Result<Row, RowError> {
    parse_row(cells, marks).map_err(|CellError { column, line, text, reason }| RowError {
        line,
        column_number: None,
        column_name: column.name().to_owned(),
        text,
        reason,
    })
}

/// An object's fields as they stand, so that a name that stands there twice is seen.
struct Fields(Vec<(String, Value)>);

impl<'de> Deserialize<'de> for Fields {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Object;

        impl<'de> Visitor<'de> for Object {
            type Value = Fields;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Fields, A::Error> {
                let mut fields = Vec::new();
                while let Some(field) = map.next_entry()? {
                    fields.push(field);
                }
                Ok(Fields(fields))
            }
        }

        deserializer.deserialize_map(Object)
    }
}

/// A line's fields by column, as texts, so that CSV and JSON are read by the same rules.
struct JsonCells {
    line: u64,
    texts: [Option<String>; Column::COUNT],
    others: Vec<(String, String)>,
}

impl JsonCells {
    /// Takes a field; an error is what was found and why it cannot be taken.
    fn take(&mut self, name: &str, value: Value, options: &ImportOptions) -> Result<(), (String, String)> {
        let column = Column::TABLE.iter().find(|(_, known)| *known == name).map(|(column, _)| *column);
        let wanted = column.map(Column::json_type);
        let text = match (value, wanted) {
            (Value::String(text), None | Some(JsonType::Text | JsonType::Label)) => text.trim().to_owned(),
            (Value::Number(n), None | Some(JsonType::Number)) => n.to_string(),
            (Value::Number(n), Some(JsonType::Label)) if n.is_u64() => n.to_string(),
            (Value::Bool(truth), None) => truth.to_string(),
            (value, wanted) => {
                let wanted = wanted.map_or("a text, a number or a truth value", JsonType::name);
                return Err((value.to_string(), format!("it must be {wanted}, or be left out")));
            }
        };
        if text.len() > options.max_cell_bytes || name.len() > options.max_cell_bytes {
            let reason = format!("it has {} bytes; the most is {}", text.len(), options.max_cell_bytes);
            return Err((text, reason));
        }
        let Some(slot) = column.and_then(|c| self.texts.get_mut(c.index())) else {
            if self.others.iter().any(|(known, _)| known == name) {
                return Err((text, "the field is there twice".to_owned()));
            }
            self.others.push((name.to_owned(), text));
            return Ok(());
        };
        match slot.replace(text) {
            None => Ok(()),
            Some(earlier) => Err((earlier, "the field is there twice".to_owned())),
        }
    }
}

impl Cells for JsonCells {
    fn cell(&self, column: Column) -> &str {
        self.texts.get(column.index()).and_then(Option::as_deref).unwrap_or_default()
    }

    fn others(&self) -> impl Iterator<Item = (&str, &str)> {
        self.others.iter().map(|(name, text)| (name.as_str(), text.as_str()))
    }

    fn line(&self, _: Column) -> u64 {
        self.line
    }

    fn number(&self, _: Column) -> Option<u32> {
        None
    }
}

/// What a field holds in JSON.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum JsonType {
    Text,
    /// A text, or a whole number that stands for one.
    Label,
    Number,
}

impl JsonType {
    fn name(self) -> &'static str {
        match self {
            Self::Text => "a text",
            Self::Label => "a text or a whole number",
            Self::Number => "a number",
        }
    }
}

impl Column {
    fn json_type(self) -> JsonType {
        match self {
            Self::Unit | Self::Volley => JsonType::Label,
            Self::SlowLimitMs
            | Self::Channel
            | Self::StringLength
            | Self::Position
            | Self::Attempt
            | Self::DelayMs
            | Self::DelayLowMs
            | Self::DelayHighMs
            | Self::Frames
            | Self::Fps
            | Self::Strength
            | Self::TemperatureC
            | Self::HumidityPct
            | Self::WindMS => JsonType::Number,
            _ => JsonType::Text,
        }
    }
}
