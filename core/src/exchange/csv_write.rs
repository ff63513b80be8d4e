//! Rows to the CSV contract.

use std::io;

use csv::{QuoteStyle, Terminator, WriterBuilder};

use super::row::{Cell, Column, Row, harmless};

/// Writes rows as CSV: UTF-8, RFC 4180 with CR LF, commas, decimal points, every column of the contract, a header first.
///
/// A text that a spreadsheet would take for a formula gets a leading apostrophe, which reading takes off again.
/// Returns how many rows were written.
///
/// # Errors
/// Those of the writer.
pub fn write_csv(out: impl io::Write, rows: impl IntoIterator<Item = Row>) -> io::Result<u64> {
    let mut writer =
        WriterBuilder::new().terminator(Terminator::CRLF).quote_style(QuoteStyle::Necessary).from_writer(out);
    writer.write_record(Column::TABLE.map(|(_, name)| name))?;
    let mut written = 0;
    for row in rows {
        for (column, _) in Column::TABLE {
            match row.cell(column) {
                Cell::Absent => writer.write_field("")?,
                Cell::Text(text) => writer.write_field(harmless(text).as_ref())?,
                Cell::Word(word) => writer.write_field(word)?,
                Cell::Time(at) => writer.write_field(at.to_string())?,
                Cell::Whole(n) => writer.write_field(n.to_string())?,
                Cell::Decimal(d) => writer.write_field(d.to_string())?,
            }
        }
        writer.write_record(None::<&[u8]>)?;
        written += 1;
    }
    writer.flush()?;
    Ok(written)
}
