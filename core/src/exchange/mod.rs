//! Files in and out: the CSV contract, the same rows as JSON lines, and weather logs.
//!
//! Reading is all or nothing unless the good rows are asked for alone: it gives entries, or errors that name line,
//! column and reason, and it writes nothing itself. What a reader found out about a file it says aloud as a [`Notice`];
//! what can be read in two ways is an error that names the option to settle it.
//!
//! Not for: opening files (bytes and writers are handed in), joining volleys of several devices (`crate::ledger`).

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

mod csv_read;
mod csv_write;
mod error;
mod format;
mod group;
mod import;
mod jsonl;
mod notice;
mod of_ledger;
mod options;
mod row;
mod rows_of;
mod weather_columns;
mod weather_csv;

#[cfg(test)]
mod tests;

pub use csv_read::read_csv;
pub use csv_write::write_csv;
pub use error::{FormatError, ImportError, MAX_BAD_ROWS, MissingColumn, RowError};
pub use group::Known;
pub use import::Import;
pub use jsonl::{ROW_SCHEMA, read_jsonl, write_jsonl};
pub use notice::Notice;
pub use of_ledger::{rows_of_volley, with_homes};
pub use options::{Delimiter, ImportOptions};
pub use row::{DecimalMark, Row, UNNUMBERED};
pub use rows_of::{Names, rows_of};
pub use weather_csv::read_weather;
