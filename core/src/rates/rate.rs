//! One rate with its interval and the two readings of what is unresolved.

use embertally_stats::{IntervalMethod, StatsError, binomial_interval};
use serde::Serialize;

use super::count::Counts;

/// A failure rate, and how little or how much is known of it. All shares are of one, not percentages.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rate {
    /// Shots that count for the measure, unresolved ones included.
    pub shots: u64,
    /// Failures that are settled.
    pub failures: u64,
    /// Shots whose outcome or cause is not settled.
    pub unresolved: u64,
    /// `failures` of the settled shots; none where no shot is settled.
    pub rate: Option<f64>,
    /// The low end: of the interval that takes every unresolved shot as the circuit's.
    pub low: f64,
    /// The high end: of the interval that takes every unresolved shot as the igniter's.
    pub high: f64,
    /// The rate if every unresolved shot was the igniter's failure.
    pub rate_if_igniter: Option<f64>,
    /// The rate if every unresolved shot was the circuit's, and so says nothing of the igniter.
    pub rate_if_circuit: Option<f64>,
}

fn share(part: u64, whole: u64) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

impl Rate {
    /// Returns the rate of some counts, with the interval of a method at a level such as 0.95.
    ///
    /// Without unresolved shots the interval is the method's own; with them its ends come from the two readings.
    ///
    /// # Errors
    /// [`StatsError::BadConfidence`], [`StatsError::TooManyTrials`].
    pub fn new(counts: Counts, method: IntervalMethod, level: f64) -> Result<Self, StatsError> {
        let Counts { good, failures, unresolved } = counts;
        let settled = good + failures;
        let shots = settled + unresolved;
        let as_circuit = binomial_interval(method, failures, settled, level)?;
        let as_igniter = binomial_interval(method, failures + unresolved, shots, level)?;
        Ok(Self {
            shots,
            failures,
            unresolved,
            rate: share(failures, settled),
            low: as_circuit.low.min(as_igniter.low),
            high: as_igniter.high.max(as_circuit.high),
            rate_if_igniter: share(failures + unresolved, shots),
            rate_if_circuit: share(failures, settled),
        })
    }
}
