//! Rates as the plain numbers that charts are made from.

use embertally_core::chart::{Figures, Tone};
use embertally_core::rates::{Rate, Verdict};

/// Returns a rate's numbers.
pub(crate) fn figures(rate: &Rate) -> Figures {
    let (low, high) = rate.shown();
    Figures {
        failures: rate.failures,
        shots: rate.shots,
        unresolved: rate.unresolved,
        rate: rate.rate,
        low,
        high,
        if_circuit: rate.rate_if_circuit,
        if_igniter: rate.rate_if_igniter,
    }
}

/// Returns how a verdict is marked.
pub(crate) fn tone(verdict: Verdict) -> Tone {
    match verdict {
        Verdict::Use => Tone::Use,
        Verdict::TestMore => Tone::TestMore,
        Verdict::Restrict => Tone::Restrict,
        Verdict::SetAside => Tone::SetAside,
    }
}
