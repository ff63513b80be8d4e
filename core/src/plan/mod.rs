//! How many to test.
//!
//! Not for: when to stop while testing (see [`crate::rates::watch`]), or what to expect of a show, which is not there
//! yet.

mod record;
mod sample;
mod tell;

pub use record::{Proved, Record, record};
pub use sample::{
    DesignedPlan, OcPoint, OperatingCharacteristic, TablePlan, designed_plan, operating_characteristic, table_plan,
};
pub use tell::{Power, PowerRequest, tell_apart};

use embertally_stats::{StatsError, shots_to_prove, shots_to_prove_in_lot, too_many_bad};
use serde::Serialize;

/// What is to be proved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProofRequest {
    /// The share of good ones to prove, such as 0.95.
    pub reliability: f64,
    /// With which confidence, such as 0.95.
    pub confidence: f64,
    /// How many failures are allowed among the shots.
    pub failures: u64,
    /// The size of the lot that the shots are taken from; none for a lot so large that it does not matter.
    pub lot_size: Option<u64>,
}

/// A test that proves it, or nothing proves it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proof {
    /// How many to fire.
    pub shots: u64,
    /// How many of them may fail.
    pub failures: u64,
    /// The reliability proved.
    pub reliability: f64,
    /// The confidence.
    pub confidence: f64,
    /// The lot's size, if it was given.
    pub lot_size: Option<u64>,
    /// How many are left of the lot afterwards.
    pub left: Option<u64>,
    /// How many bad ones in the lot would be too many, if its size was given.
    pub too_many_bad: Option<u64>,
    /// By which rule: `binomial` or `hypergeometric`.
    pub rule: &'static str,
}

/// Returns the fewest shots that prove a reliability with a confidence.
///
/// The least n with P(at most c failures | n, 1 − R) ≤ 1 − C: binomial, or hypergeometric where the lot's size is
/// given. With no failure allowed this is n = ⌈ln(1 − C) / ln R⌉, the success-run rule.
///
/// # Errors
/// A [`StatsError`] for numbers outside their limits, or a lot too small to prove it.
pub fn prove(request: &ProofRequest) -> Result<Proof, StatsError> {
    let ProofRequest { reliability, confidence, failures, lot_size } = *request;
    let shots = match lot_size {
        Some(lot) => shots_to_prove_in_lot(lot, reliability, confidence, failures)?,
        None => shots_to_prove(reliability, confidence, failures)?,
    };
    Ok(Proof {
        shots,
        failures,
        reliability,
        confidence,
        lot_size,
        left: lot_size.map(|lot| lot.saturating_sub(shots)),
        too_many_bad: lot_size.map(|lot| too_many_bad(lot, reliability)).transpose()?,
        rule: if lot_size.is_some() { "hypergeometric" } else { "binomial" },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shots(reliability: f64, confidence: f64, failures: u64, lot_size: Option<u64>) -> u64 {
        prove(&ProofRequest { reliability, confidence, failures, lot_size }).unwrap().shots
    }

    #[test]
    fn published_test_sizes_are_met() {
        // Touw & Hoogduin, Statistiek voor audit en controlling (2011), p. 126 table 1 (quoted in R package tests).
        assert_eq!([0, 1, 2, 3].map(|c| shots(0.95, 0.95, c, None)), [59, 93, 124, 153]);
        assert_eq!([0, 1, 2, 3].map(|c| shots(0.99, 0.95, c, None)), [299, 473, 628, 773]);
        // The same, p. 123: a lot of 1,200 at 90 %.
        assert_eq!([0, 2].map(|c| shots(0.95, 0.90, c, Some(1_200))), [45, 102]);
    }

    #[test]
    fn what_cannot_be_is_refused() {
        let ask = |reliability, lot_size| prove(&ProofRequest { reliability, confidence: 0.95, failures: 0, lot_size });
        assert!(ask(1.0, None).is_err());
        assert!(ask(f64::NAN, None).is_err());
        assert!(ask(0.95, Some(0)).is_err());
    }
}
