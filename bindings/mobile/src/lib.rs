//! Embertally on phones: one surface for Kotlin, Swift and Python.
//!
//! An [`Embertally`] is the log of this device, open. Any thread may call it. What is named a quick call waits for the
//! disk at most and may stand on a thread that draws; what may take longer is async, and letting go of the future (a
//! cancelled coroutine or task) cancels it. Whatever goes wrong is an [`EmbertallyError`] in words to be shown as they are.
//!
//! By file: `surface` (the page that is exported), `words`, `records` and `views` (what goes in and out), `callbacks` (what
//! the shell hands in), `desk` (the open log), `crier` (who is told), then the work itself: `register`, `logging`, `decide`,
//! `read`, `files`, `crew`, `meeting`.
//!
//! Not for: reckoning (`embertally-core`), how bytes travel (`embertally-link`).

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

mod callbacks;
mod crew;
mod crier;
mod decide;
mod desk;
mod error;
mod files;
mod hands;
mod keys;
mod logging;
mod long;
mod meeting;
mod random;
mod read;
mod records;
mod register;
mod surface;
mod views;
mod words;

pub use callbacks::{CallbackError, Clock, KeyStore, Observer};
pub use crier::Observation;
pub use error::EmbertallyError;
pub use records::*;
pub use surface::{Embertally, cautions};
pub use views::*;
pub use words::*;

uniffi::setup_scaffolding!();
