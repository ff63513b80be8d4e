//! String physics: the current through each igniter of a volley over time, and the chance that all of a string fire.
//!
//! A bridge fires once it has had its firing impulse ∫I²dt, and opens a lag later. In a series string the quickest opens
//! the loop for all, so every igniter must have its impulse before that. Heat that leaves a bridge while it warms is not
//! modelled beyond this: under its no-fire current a bridge gathers nothing.
//!
//! Plain numbers in SI units in and out (ohm, volt, ampere, second, farad; impulses in A²s, which is J/Ω). It knows
//! neither the register nor the ledger. Not for: saying that a circuit may be fired. The maker's data and the site's rules
//! come first.

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

mod advice;
mod chance;
mod firing;
mod lag;
mod lengths;
mod network;
mod random;
mod simulate;
mod source;
#[cfg(test)]
mod tests;
mod wire;

use thiserror::Error;

pub use advice::{Advice, Margins, StatedCurrents, advise, margins};
pub use chance::{StringGroup, StringLoop, chance_all_fire, lag_needed, longest_string};
pub use firing::{Bridge, Fate, Firing, fire};
pub use lag::{ImpulseAndLag, TimedShot, fit_impulse_and_lag};
pub use lengths::{LengthProof, ProvenLength, StringsTried, proven_lengths};
pub use network::{Network, Part};
pub use random::SplitMix;
pub use simulate::{Drawn, MOST_RUNS, Simulated, Simulation, simulate};
pub use source::{Source, SourceShape};
pub use wire::{COPPER_ALPHA_20, WireSize, copper_ohm_per_m, standard_limit_ohm_per_km};

/// What makes a circuit unanswerable.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum CircuitError {
    /// A value is out of its range.
    #[error("{what} is {value} {unit}; it must be {range}")]
    OutOfRange {
        /// What it is of.
        what: &'static str,
        /// The value.
        value: f64,
        /// Its unit.
        unit: &'static str,
        /// What it may be.
        range: &'static str,
    },
    /// No igniter is wired.
    #[error("there is no igniter in the circuit")]
    NoIgniter,
    /// The strings do not add up to the igniters.
    #[error("strings of {strings} igniters in all do not hold the {igniters} of the volley")]
    StringsDoNotFit {
        /// The igniters in the strings.
        strings: usize,
        /// The igniters of the volley.
        igniters: usize,
    },
    /// An igniter stands twice or not at all in the network, or is none of those given.
    #[error("igniter {igniter} must stand exactly once in the network")]
    WrongIgniter {
        /// Its index, from 0.
        igniter: usize,
    },
    /// A branch across others has no resistance.
    #[error("a branch without any resistance short-circuits those beside it")]
    ShortCircuit,
    /// Parts lie too deep within each other.
    #[error("parts lie more than {most} deep within each other")]
    TooDeep {
        /// The most.
        most: usize,
    },
    /// The spread is too wide for the normal curve to stand for what cannot be negative.
    #[error("{what} spreads by {spread} about a mean of {mean}: over a quarter of it, too wide for a normal curve")]
    TooWide {
        /// What it is of.
        what: &'static str,
        /// The mean.
        mean: f64,
        /// The standard deviation.
        spread: f64,
    },
    /// The shots do not tell impulse and lag apart.
    #[error(
        "impulse and lag cannot be told apart from {shots} timed shots at {currents} different currents; at least 3 at 2"
    )]
    TooFewTimedShots {
        /// The shots.
        shots: usize,
        /// The different currents.
        currents: usize,
    },
    /// A question about counts that has no answer.
    #[error(transparent)]
    Stats(#[from] embertally_stats::StatsError),
}

fn at_least(what: &'static str, value: f64, unit: &'static str, least: f64) -> Result<f64, CircuitError> {
    if value.is_finite() && value >= least && value < 1e12 {
        return Ok(value);
    }
    let range = if least > 0.0 { "a number above 0" } else { "0 or more" };
    Err(CircuitError::OutOfRange { what, value, unit, range })
}

fn positive(what: &'static str, value: f64, unit: &'static str) -> Result<f64, CircuitError> {
    at_least(what, value, unit, f64::MIN_POSITIVE)
}
