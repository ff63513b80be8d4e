//! One rate with its interval and the two readings of what is unresolved.

use embertally_stats::{ClusterCounts, IntervalMethod, StatsError, binomial_interval, widened_interval};
use serde::Serialize;

use super::count::Counts;

/// How the shots of a group hang together in volleys.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clustering {
    /// The size of the volley that a shot is in, on average over the shots; at least 1.
    pub mean_size: f64,
    /// The correlation of two shots of one volley, from 0 to 1.
    pub correlation: f64,
}

/// What a rate says when shots of one volley are alike, beside what it says when they are independent.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Clustered {
    /// By how much fewer shots count; 1 is not at all.
    pub design_effect: f64,
    /// The low end of the widened interval; made as `low` is.
    pub low_clustered: f64,
    /// The high end of it.
    pub high_clustered: f64,
}

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
    /// The low end: of the interval that takes every unresolved shot as the circuit's, and shots as independent.
    pub low: f64,
    /// The high end: of the interval that takes every unresolved shot as the igniter's, and shots as independent.
    pub high: f64,
    /// The rate if every unresolved shot was the igniter's failure.
    pub rate_if_igniter: Option<f64>,
    /// The rate if every unresolved shot was the circuit's, and so says nothing of the igniter.
    pub rate_if_circuit: Option<f64>,
    /// The same with shots of one volley alike; none where that was not looked into.
    #[serde(flatten)]
    pub clustered: Option<Clustered>,
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
            clustered: None,
        })
    }

    /// Returns the rate with the interval widened as well, for shots that hang together in volleys.
    ///
    /// # Errors
    /// Those of [`Rate::new`], and those of `widened_interval` for a clustering that is none.
    pub fn clustered(counts: Counts, method: IntervalMethod, level: f64, by: Clustering) -> Result<Self, StatsError> {
        let plain = Self::new(counts, method, level)?;
        let widened = |failures: u64, trials: u64| {
            let counts = ClusterCounts { failures, trials, mean_size: by.mean_size };
            widened_interval(method, counts, by.correlation, level)
        };
        let as_circuit = widened(plain.failures, plain.shots - plain.unresolved)?;
        let as_igniter = widened(plain.failures + plain.unresolved, plain.shots)?;
        let clustered = Clustered {
            design_effect: as_circuit.design_effect.max(as_igniter.design_effect),
            low_clustered: as_circuit.widened.low.min(as_igniter.widened.low),
            high_clustered: as_igniter.widened.high.max(as_circuit.widened.high),
        };
        Ok(Self { clustered: Some(clustered), ..plain })
    }

    /// Returns the interval to show: widened where it is known by how much.
    #[must_use]
    pub fn shown(&self) -> (f64, f64) {
        self.clustered.map_or((self.low, self.high), |c| (c.low_clustered, c.high_clustered))
    }

    /// Returns by how much fewer shots count, 1 where that was not looked into.
    #[must_use]
    pub fn design_effect(&self) -> f64 {
        self.clustered.map_or(1.0, |c| c.design_effect)
    }
}
