//! A simulated world for tests: disk, clock, network, random bits, and a model to check against.
//!
//! Everything here is a function of a seed and of the calls made: no threads, no files, no sockets, no wall clock. A
//! run that failed is run again by its seed.
//!
//! Not for: anything that is shipped. As in tests, broken expectations panic here.

pub mod builders;
mod clock;
mod crew;
mod disk;
mod gathering;
mod journal;
mod model;
mod net;
mod rng;
#[cfg(test)]
mod schedules;

pub use clock::{DeviceClock, SimClock};
pub use crew::{SimCrew, Tally};
pub use disk::{SimDisk, SimStore};
pub use gathering::{Gathered, SimGathering};
pub use model::{Broken, Model};
pub use net::{Delivery, Link, SimNet};
pub use rng::Rng;
