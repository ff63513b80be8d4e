//! Exported tables, read without the tool's own reader.

use std::collections::BTreeMap;

/// A line of a table: its cells by their columns' names.
pub type Row = BTreeMap<String, String>;

/// Reads the rows of a CSV file with commas.
#[track_caller]
pub fn rows(file: &[u8]) -> Vec<Row> {
    let mut reader = csv::Reader::from_reader(file);
    reader.deserialize().map(|row| row.expect("the export is not CSV")).collect()
}
