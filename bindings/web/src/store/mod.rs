//! A store over two files that are written one after another, for browsers and for whatever else has no database.
//!
//! Commits are appended to one file and made durable before they are acknowledged. When more than half of it is of no
//! use any more, what counts is written to the other file, which is in force from the moment at which its first bytes
//! say so. Nothing in between can lose an acknowledged commit: a record whose end is missing was never acknowledged, and
//! a file without its first bytes does not count.
//!
//! Pieces stay on the disk and only their places are held in memory, so what is read is what is kept.
//!
//! Not for: two programs at once. Whoever opens it has the files alone.

mod disk;
mod file;
mod record;
#[cfg(test)]
mod tests;

pub use disk::{Disk, Side};
pub use file::FileStore;
