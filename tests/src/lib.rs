//! Helpers shared by the whole-system tests: a [`Device`] is a log folder with a home of its own, and everything is
//! done with it by running the real tool.
//!
//! Not for: tests of one rule, which stand beside the code that they test.

mod binary;
mod device;
mod outcome;
mod table;
mod words;

pub use binary::binary;
pub use device::Device;
pub use embertally_testkit::Rng;
pub use outcome::Outcome;
pub use table::{Row, rows};
pub use words::words;
