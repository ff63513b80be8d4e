//! What the shots fired so far have proved, and how many more would prove the rest.

use embertally_stats::{
    MAX_TRIALS, StatsError, confidence_proved, most_bad_in_lot, shots_to_prove, shots_to_prove_in_lot,
};
use serde::Serialize;

use crate::rates::Rate;

/// What one reading of the unresolved shots has proved.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Proved {
    /// Failures.
    pub failures: u64,
    /// Shots.
    pub shots: u64,
    /// The confidence with which they prove the reliability, from 0 to 1: as if from an endless supply.
    pub confidence: f64,
    /// Whether it is proved: by the lot's own rule where its size is given.
    pub is_proved: bool,
    /// How many more shots, none failing, would prove it; null where none up to the lot's end does.
    pub clean_shots_needed: Option<u64>,
    /// The most bad ones that the lot can have had, with the confidence asked for; null without its size.
    pub most_bad: Option<u64>,
}

/// What a record has proved, in both readings of what is unresolved.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Record {
    /// The reliability to prove.
    pub reliability: f64,
    /// The confidence asked for.
    pub confidence: f64,
    /// The lot's size, if it was given.
    pub lot_size: Option<u64>,
    /// Shots that are not settled.
    pub unresolved: u64,
    /// Unresolved shots left out.
    pub if_circuit: Proved,
    /// Unresolved shots taken as failures.
    pub if_igniter: Proved,
}

/// Returns what the shots counted in a rate have proved of a reliability.
///
/// A lot's size makes the answer that of the lot: the shots are then a sample of it, taken without putting back.
///
/// # Errors
/// A [`StatsError`] for numbers out of range or more shots than the lot has.
pub fn record(rate: &Rate, reliability: f64, confidence: f64, lot_size: Option<u64>) -> Result<Record, StatsError> {
    let settled = rate.shots - rate.unresolved;
    let read = |failures, shots| proved(failures, shots, reliability, confidence, lot_size);
    Ok(Record {
        reliability,
        confidence,
        lot_size,
        unresolved: rate.unresolved,
        if_circuit: read(rate.failures, settled)?,
        if_igniter: read(rate.failures + rate.unresolved, rate.shots)?,
    })
}

fn proved(
    failures: u64,
    shots: u64,
    reliability: f64,
    confidence: f64,
    lot_size: Option<u64>,
) -> Result<Proved, StatsError> {
    let most_bad = lot_size.map(|lot| most_bad_in_lot(lot, failures, shots, confidence)).transpose()?;
    let needed = match lot_size {
        Some(lot) => shots_to_prove_in_lot(lot, reliability, confidence, failures),
        None => shots_to_prove(reliability, confidence, failures),
    };
    let needed = match needed {
        Ok(needed) => Some(needed),
        Err(StatsError::CannotBeProved { .. }) => None,
        Err(other) => return Err(other),
    };
    let most = lot_size.unwrap_or(MAX_TRIALS);
    Ok(Proved {
        failures,
        shots,
        confidence: confidence_proved(failures, shots, reliability)?,
        is_proved: needed.is_some_and(|n| shots >= n),
        clean_shots_needed: needed.filter(|n| *n <= most).map(|n| n.saturating_sub(shots)),
        most_bad,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rates::Counts;
    use embertally_stats::IntervalMethod;

    fn rate(good: u64, failures: u64, unresolved: u64) -> Rate {
        Rate::new(Counts { good, failures, unresolved }, IntervalMethod::Exact, 0.95).unwrap()
    }

    #[test]
    fn fifty_nine_clean_shots_prove_95_at_95_and_an_open_one_moves_it_to_93() {
        // Touw & Hoogduin (2011), p. 126: 59 with no failure, 93 with one.
        let got = record(&rate(59, 0, 1), 0.95, 0.95, None).unwrap();
        assert!(got.if_circuit.is_proved && (got.if_circuit.confidence - 0.951_505).abs() < 1e-6);
        assert_eq!((got.if_circuit.clean_shots_needed, got.if_igniter.clean_shots_needed), (Some(0), Some(33)));
        assert!(!got.if_igniter.is_proved);
    }

    #[test]
    fn lot_has_its_own_rule_and_its_end() {
        // The same, p. 123: 45 of 1,200 at 90 %, 102 with two failures; p. 125: at most 25 bad ones in 1,200 after 102.
        let got = record(&rate(45, 0, 0), 0.95, 0.90, Some(1_200)).unwrap().if_circuit;
        assert!(got.is_proved);
        assert_eq!(record(&rate(102, 0, 0), 0.95, 0.90, Some(1_200)).unwrap().if_circuit.most_bad, Some(25));
        // Ten bad ones in a lot of twelve: nothing proves it any more.
        let lost = record(&rate(0, 10, 0), 0.95, 0.90, Some(12)).unwrap().if_circuit;
        assert_eq!((lost.is_proved, lost.clean_shots_needed, lost.most_bad), (false, None, Some(12)));
        assert!(record(&rate(13, 0, 0), 0.95, 0.90, Some(12)).is_err());
    }
}
