//! The core of Embertally: what a crew records, how the records of many devices become one, and what they add up to.
//!
//! Modules point down only: `facts <- crew <- log <- ledger <- rates <- plan`, with [`store`] as the contract for keeping
//! bytes and [`exchange`] for files in and out.
//!
//! Not in here, on purpose: no async, no sockets, no files, no wall clock and no randomness. Time, random bits and
//! storage are handed in, so the same inputs give the same result on every device and in every test.

mod caution;
pub mod chart;
pub mod circuit;
pub mod crew;
pub mod exchange;
pub mod facts;
pub mod ledger;
pub mod log;
pub mod plan;
pub mod rates;
pub mod store;
pub mod sync;

pub use caution::{CAUTION, CAUTIONS};
