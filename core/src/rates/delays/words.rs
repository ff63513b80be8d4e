//! Delays in words.

use embertally_stats::Law;

use super::super::percent::percent;
use super::figures::{BoundFigures, DelayFigures};

/// A time to read: a tenth of a millisecond below ten, none above a hundred.
pub(super) fn ms(value: f64) -> String {
    if value < 10.0 { format!("{value:.1} ms") } else { format!("{value:.0} ms") }
}

/// An interval of times.
pub(super) fn between(bound: &BoundFigures) -> String {
    bound.high.map_or_else(|| format!("{} up", ms(bound.low)), |high| format!("{} to {}", ms(bound.low), ms(high)))
}

/// Says what a group's delays show.
pub(super) fn sentence(name: &str, figures: &DelayFigures, law: Law, share: f64) -> String {
    let unmeasured = figures.fired - figures.measured;
    let mut said = format!("{name}: {} of {} shots that fired were timed", figures.measured, figures.fired);
    if unmeasured > 0 && figures.measured > 0 {
        said.push_str(&format!(" (of the other {unmeasured} nothing is known)"));
    }
    if let Some(slow) = figures.slow {
        let across = slow.possibly - slow.surely;
        let across = if across > 0 { format!(" and {across} may be") } else { String::new() };
        said.push_str(&format!(
            "; {} of {} were slower than {}{across}: a true share between {} and {}",
            slow.surely,
            figures.measured,
            ms(slow.limit_ms),
            percent(slow.low),
            percent(slow.high),
        ));
    }
    if let Some(fit) = figures.fits.iter().find(|f| f.law == law.name()) {
        let bound = fit.bound_ms.map_or_else(|| "any time".to_owned(), ms);
        said.push_str(&format!(
            "; half fire within {} ({}) and {} within {bound}, if delays are {law}",
            ms(fit.median_ms.value),
            between(&fit.median_ms),
            percent(share),
        ));
    }
    if let Some(bound) = figures.bound_any_law_ms {
        said.push_str(&format!("; {} within {} whatever their law", percent(share), ms(bound)));
    }
    said.push('.');
    said
}
