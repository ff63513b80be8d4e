//! Verdicts: what the rates say of a pairing, by rules that are stated and can be changed.

use std::fmt;

use embertally_stats::{StatsError, clean_shots_needed, probability_rate_above};
use serde::Serialize;

use super::rate::Rate;

/// What the rates say of a pairing. It is no permission: it says what the evidence so far supports.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The evidence supports using it.
    Use,
    /// Too little is known.
    TestMore,
    /// More likely than not worse than is tolerable.
    Restrict,
    /// Very likely worse than is tolerable.
    SetAside,
}

impl Verdict {
    /// Returns the words for it.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Use => "use",
            Self::TestMore => "test more",
            Self::Restrict => "restrict",
            Self::SetAside => "set aside",
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.words())
    }
}

/// The rules that verdicts follow. All are probabilities that the true failure rate is above what is tolerable.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rules {
    /// The failure rate that the crew tolerates.
    pub tolerable: f64,
    /// Set aside from here, even if every unresolved shot was the circuit's.
    pub set_aside_from: f64,
    /// Restrict from here, if anything failed, even if every unresolved shot was the circuit's.
    pub restrict_from: f64,
    /// Use up to here, even if every unresolved shot was the igniter's.
    pub use_up_to: f64,
}

impl Default for Rules {
    fn default() -> Self {
        Self { tolerable: 0.02, set_aside_from: 0.95, restrict_from: 0.5, use_up_to: 0.05 }
    }
}

/// A verdict with the numbers that it rests on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Judged {
    /// The verdict.
    pub verdict: Verdict,
    /// The probability that the true rate is above what is tolerable, every unresolved shot taken as the circuit's.
    pub probability_above: f64,
    /// The same, every unresolved shot taken as the igniter's.
    pub probability_above_if_igniter: f64,
    /// How many more shots, none failing, would support using it; none if it is supported already or out of reach.
    pub clean_shots_needed: Option<u64>,
}

/// Judges one rate by the rules.
///
/// The probabilities are of the Jeffreys posterior, Beta(failures + ½, good + ½): one pairing by itself, no other
/// pairing lends it strength.
///
/// # Errors
/// [`StatsError::BadRate`], [`StatsError::BadProbability`] for rules outside (0, 1).
pub fn judge(rate: &Rate, rules: &Rules) -> Result<Judged, StatsError> {
    let settled = rate.shots - rate.unresolved;
    let as_igniter = rate.failures + rate.unresolved;
    let above = probability_rate_above(rate.failures, settled, rules.tolerable)?;
    let above_if_igniter = probability_rate_above(as_igniter, rate.shots, rules.tolerable)?;
    // In a reading that drops shots the other way round can be the worse one; take the safe side.
    let worst = above.max(above_if_igniter);
    let best = above.min(above_if_igniter);
    let verdict = if rate.failures > 0 && best >= rules.set_aside_from {
        Verdict::SetAside
    } else if rate.failures > 0 && best >= rules.restrict_from {
        Verdict::Restrict
    } else if worst <= rules.use_up_to {
        Verdict::Use
    } else {
        Verdict::TestMore
    };
    let needed = match verdict {
        Verdict::Use => None,
        _ => clean_shots_needed(as_igniter, rate.shots, rules.tolerable, rules.use_up_to)?,
    };
    Ok(Judged {
        verdict,
        probability_above: above,
        probability_above_if_igniter: above_if_igniter,
        clean_shots_needed: needed,
    })
}
