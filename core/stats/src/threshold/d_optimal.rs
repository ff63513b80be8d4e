//! A sequential test whose next level adds the most information on mean and spread together.
//!
//! Three parts: close in on the region where pieces begin to fire; make the outcomes overlap, so that an estimate exists;
//! then, each time, the level at which the determinant of the expected information on (mean, spread) grows most.

use super::fit::fit_threshold;
use super::link::Link;
use super::{ThresholdError, Trials};

/// What is guessed before the first shot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DOptimalGuess {
    /// A level that is thought to be at or below the mean.
    pub low: f64,
    /// A level that is thought to be at or above it.
    pub high: f64,
    /// The spread; rather too small than too large.
    pub spread: f64,
}

/// Which part of the test the next shot belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SearchPhase {
    /// Closing in on the region.
    CloseIn,
    /// Making outcomes overlap.
    Overlap,
    /// Refining mean and spread.
    Refine,
}

impl SearchPhase {
    /// Returns its words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::CloseIn => "closing in on where pieces begin to fire",
            Self::Overlap => "making the outcomes overlap, so that a spread can be told",
            Self::Refine => "refining mean and spread",
        }
    }
}

/// A level to try next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NextLevel {
    /// The level.
    pub level: f64,
    /// Which part of the test it belongs to.
    pub phase: SearchPhase,
}

/// Returns the next level of the D-optimal test, the normal curve being assumed.
///
/// The guess of the spread shrinks by a fifth with every shot of the second part that does not bring overlap; estimates
/// of the third part are held within the levels tried.
///
/// # Errors
/// [`ThresholdError::BadLimits`], [`ThresholdError::BadStep`] for the spread, [`ThresholdError::BadLevel`].
///
/// # Source
/// Neyer, Technometrics 36 (1994) 61–70. Checked in `tests/threshold.rs` against the levels of the example of
/// MIL-STD-331C, appendix G.
pub fn next_d_optimal(guess: &DOptimalGuess, shots: &[(f64, bool)]) -> Result<NextLevel, ThresholdError> {
    let DOptimalGuess { low, high, spread } = *guess;
    if !(low.is_finite() && high.is_finite() && low < high) {
        return Err(ThresholdError::BadLimits { low, high });
    }
    if !(spread > 0.0 && spread.is_finite()) {
        return Err(ThresholdError::BadStep { step: spread });
    }
    if let Some((level, _)) = shots.iter().find(|(level, _)| !level.is_finite()) {
        return Err(ThresholdError::BadLevel { level: *level });
    }
    let levels = shots.iter().map(|(level, _)| *level);
    let (least, most) = (levels.clone().fold(f64::INFINITY, f64::min), levels.fold(f64::NEG_INFINITY, f64::max));
    let close_in = |level: f64| Ok(NextLevel { level, phase: SearchPhase::CloseIn });
    if shots.is_empty() {
        return close_in(0.5 * (low + high));
    }
    let fire = shots.iter().filter(|(_, fired)| *fired).map(|(level, _)| *level).reduce(f64::min);
    let failure = shots.iter().filter(|(_, fired)| !*fired).map(|(level, _)| *level).reduce(f64::max);
    match (failure, fire) {
        (_, None) => close_in((0.5 * (high + most)).max(most + 2.0 * spread).max(2.0 * most - least)),
        (None, Some(_)) => close_in((0.5 * (low + least)).min(least - 2.0 * spread).min(2.0 * least - most)),
        (Some(failure), Some(fire)) if fire - failure > spread * (1.0 + 1e-9) => close_in(0.5 * (failure + fire)),
        (Some(failure), Some(fire)) if fire >= failure => {
            let middle = 0.5 * (failure + fire);
            let shrunk = spread * 0.8_f64.powi(shots_of_second_part(shots, spread));
            Ok(NextLevel { level: best(shots, middle, shrunk), phase: SearchPhase::Overlap })
        }
        _ => {
            let trials: Vec<Trials> = shots.iter().map(|(level, fired)| Trials::one(*level, *fired)).collect();
            // Overlap the wrong way round has no estimate; the middle of what was tried is as good as any.
            let (mean, width) = match fit_threshold(Link::Probit, &trials) {
                Ok(fit) => (fit.mean.clamp(least, most), fit.spread.min(most - least)),
                Err(_) => (0.5 * (least + most), most - least),
            };
            Ok(NextLevel { level: best(shots, mean, width), phase: SearchPhase::Refine })
        }
    }
}

/// Returns how many shots were fired since failures and fires first stood closer together than the spread guessed.
fn shots_of_second_part(shots: &[(f64, bool)], spread: f64) -> i32 {
    let (mut failure, mut fire) = (f64::NEG_INFINITY, f64::INFINITY);
    let mut count = 0;
    for (level, fired) in shots {
        if failure.is_finite() && fire.is_finite() && fire - failure <= spread * (1.0 + 1e-9) {
            count += 1;
        }
        if *fired { fire = fire.min(*level) } else { failure = failure.max(*level) }
    }
    count
}

/// Returns the level at which one more shot makes the determinant of the information largest.
fn best(shots: &[(f64, bool)], mean: f64, spread: f64) -> f64 {
    let (mut aa, mut ab, mut bb) = (0.0, 0.0, 0.0);
    let add = |z: f64| {
        let w = Link::Probit.weight(z);
        (w, w * z, w * z * z)
    };
    for (level, _) in shots {
        let (a, b, c) = add((level - mean) / spread);
        (aa, ab, bb) = (aa + a, ab + b, bb + c);
    }
    let gain = |z: f64| {
        let (a, b, c) = add(z);
        (aa + a) * (bb + c) - (ab + b) * (ab + b)
    };
    // Two humps, one either side: a fine grid finds the higher one, thirds sharpen it.
    const STEPS: i32 = 400;
    let at = |i: i32| f64::from(i) * 4.0 / f64::from(STEPS);
    let top = (-STEPS..=STEPS).map(at).max_by(|x, y| gain(*x).total_cmp(&gain(*y))).unwrap_or(0.0);
    let (mut left, mut right) = (top - 4.0 / f64::from(STEPS), top + 4.0 / f64::from(STEPS));
    for _ in 0..80 {
        let third = (right - left) / 3.0;
        if gain(left + third) < gain(right - third) { left += third } else { right -= third }
    }
    mean + spread * 0.5 * (left + right)
}
