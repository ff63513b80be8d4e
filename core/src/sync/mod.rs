//! Two logs that meet: the conversation between two devices, or a device and a server, as a state machine without I/O.
//!
//! Bytes and the time go in, bytes to send come out; sockets, TLS and timers belong to whoever drives it. One side
//! opens, the other answers: if both began, the first meeting would send everything twice. What was learnt of a peer is
//! kept with the log, so that a conversation that was cut goes on and does not start over.
//!
//! Everything that comes from a peer passes [`guard`] first, cheapest check first: size, rate, grammar, and then what is
//! inside the CRDT's own bytes (in `crate::log`), before anything is inflated or allocated for it.
//!
//! Not for: deciding who may speak (whoever accepts a connection has done that), or how bytes travel.

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

mod engine;
mod frame;
pub mod guard;
mod limits;
mod outline;
mod peer;
mod refusal;

pub use engine::{Config, Effect, Engine, Event, Progress, Stage};
pub use frame::{Frame, PROTOCOL};
pub use limits::Limits;
pub use refusal::Refusal;

#[cfg(test)]
mod tests;
