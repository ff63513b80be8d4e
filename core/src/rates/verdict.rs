//! Verdicts: what the rates say of a pairing, by rules that are stated and can be changed.

use std::fmt;

use embertally_stats::{
    StatsError, clean_shots_needed, effective_clean_shots_needed, effective_probability_rate_above,
    probability_rate_above,
};
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
    /// Use up to here, even if every unresolved shot was the igniter's and shots of one volley are alike.
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
    /// The larger of the two with shots of one volley alike: failures and shots over the design effect.
    pub probability_above_clustered: f64,
    /// How many more shots, none failing and each fired by itself, would support using it; none if it is supported already or out of reach.
    pub clean_shots_needed: Option<u64>,
}

/// Judges one rate by the rules.
///
/// The probabilities are of the Jeffreys posterior, Beta(failures + ½, good + ½): one pairing by itself, no other
/// pairing lends it strength. All errs on the safe side: what is worse is judged by all shots as independent, what is
/// good enough must be so with shots of one volley alike as well.
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
    let effect = rate.design_effect();
    let effective = |failures: u64, shots: u64| (failures as f64 / effect, shots as f64 / effect);
    let (of_circuit, of_igniter) = (effective(rate.failures, settled), effective(as_igniter, rate.shots));
    let clustered = effective_probability_rate_above(of_circuit.0, of_circuit.1, rules.tolerable)?
        .max(effective_probability_rate_above(of_igniter.0, of_igniter.1, rules.tolerable)?);
    let verdict = if rate.failures > 0 && best >= rules.set_aside_from {
        Verdict::SetAside
    } else if rate.failures > 0 && best >= rules.restrict_from {
        Verdict::Restrict
    } else if worst.max(clustered) <= rules.use_up_to {
        Verdict::Use
    } else {
        Verdict::TestMore
    };
    let needed = match verdict {
        Verdict::Use => None,
        _ => {
            let plain = clean_shots_needed(as_igniter, rate.shots, rules.tolerable, rules.use_up_to)?;
            let (failures, shots) = of_igniter;
            let alike = effective_clean_shots_needed(failures, shots, rules.tolerable, rules.use_up_to)?;
            plain.zip(alike).map(|(plain, alike)| plain.max(alike))
        }
    };
    Ok(Judged {
        verdict,
        probability_above: above,
        probability_above_if_igniter: above_if_igniter,
        probability_above_clustered: clustered,
        clean_shots_needed: needed,
    })
}
