//! A store in one SQLite file, `log.sqlite3`, in a folder of its own.
//!
//! A commit is one transaction in a write-ahead log that is flushed to the device before the commit returns
//! (`synchronous=FULL`). Any number of processes on one machine may have the same folder open.
//!
//! Not for: network file systems (the write-ahead log needs shared memory), or browsers.

mod backup;
mod error;
mod open;
mod schema;
mod scratch;
mod sql;
mod store;
#[cfg(test)]
mod tests;

pub use open::{FILE_NAME, Options};
pub use store::SqliteStore;
