//! Writing what happens to standard error, for people or for programs.
//!
//! No token, no name, no note and no row is ever written: only ids, addresses, codes and counts.

use std::io;

use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::{SubscriberInitExt, TryInitError};
use tracing_subscriber::{Layer, fmt};

/// How lines look.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Lines {
    /// For people.
    #[default]
    Text,
    /// One JSON object a line.
    Json,
}

/// How much is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Detail {
    /// What somebody must look at.
    Warnings,
    /// Each session and request too.
    #[default]
    Usual,
    /// Each connection that did not come about too.
    Everything,
}

/// Begins to write to standard error. Once in a process.
///
/// # Errors
/// [`TryInitError`] if something else is set up to write already.
pub fn begin(lines: Lines, detail: Detail) -> Result<(), TryInitError> {
    let level = match detail {
        Detail::Warnings => LevelFilter::WARN,
        Detail::Usual => LevelFilter::INFO,
        Detail::Everything => LevelFilter::DEBUG,
    };
    // Libraries only when something is wrong: they may quote what came over the line.
    let filter = Targets::new().with_default(LevelFilter::WARN).with_target("embertally", level);
    let layer = match lines {
        Lines::Text => fmt::layer().with_ansi(false).with_target(false).with_writer(io::stderr).boxed(),
        Lines::Json => fmt::layer().json().flatten_event(true).with_writer(io::stderr).boxed(),
    };
    tracing_subscriber::registry().with(layer.with_filter(filter)).try_init()
}
