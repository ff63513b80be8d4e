//! The level at which a share fires, and how sure that is.

use super::fit::ThresholdFit;
use super::link::Link;
use super::{ThresholdError, Trials};
use crate::special::normal_upper_quantile;

/// Stops a search that would not end.
const MOST_STEPS: u32 = 200;

/// A level with its one-sided limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelLimits {
    /// The share that fires there.
    pub share: f64,
    /// The best single value: mean + z · spread.
    pub level: f64,
    /// The lower limit by likelihood ratio; `None` if these shots set none at this confidence.
    pub low: Option<f64>,
    /// The upper limit by likelihood ratio, likewise.
    pub high: Option<f64>,
    /// The lower limit by the delta method: simple, and too narrow for few shots.
    pub delta_low: f64,
    /// The upper limit by the delta method.
    pub delta_high: f64,
}

impl ThresholdFit {
    /// Returns the level at which a share fires, with limits each of which holds by itself with a confidence (one-sided;
    /// both together hold with what is left after taking the doubt twice).
    ///
    /// The limits by likelihood ratio are the levels at which the profile of the log-likelihood has fallen by z²/2, z the
    /// normal quantile of the confidence. Where a slope of nothing fits nearly as well, there is no limit on that side,
    /// and `None` says so.
    ///
    /// # Errors
    /// [`ThresholdError::BadShare`] if `share` or `confidence` is not in (0, 1), or the confidence is not above ½.
    ///
    /// # Source
    /// Likelihood-ratio limits: Neyer, Technometrics 36 (1994) 61–70; checked in `tests/threshold.rs` against a profile
    /// worked out with scipy.
    pub fn level(&self, share: f64, confidence: f64) -> Result<LevelLimits, ThresholdError> {
        if !(share > 0.0 && share < 1.0) {
            return Err(ThresholdError::BadShare { value: share });
        }
        if !(confidence > 0.5 && confidence < 1.0) {
            return Err(ThresholdError::BadShare { value: confidence });
        }
        let z = self.link.quantile(share);
        let level = self.mean + z * self.spread;
        let sure = normal_upper_quantile(1.0 - confidence);
        let variance = self.mean_error.powi(2) + 2.0 * z * self.covariance + (z * self.spread_error).powi(2);
        let half = sure * variance.max(0.0).sqrt();
        let floor = self.log_likelihood - 0.5 * sure * sure;
        let limit = |side: f64| self.cross(z, level, side, floor, half);
        Ok(LevelLimits {
            share,
            level,
            low: limit(-1.0),
            high: limit(1.0),
            delta_low: level - half,
            delta_high: level + half,
        })
    }

    /// Looks outwards for the level at which the profile falls to `floor`.
    fn cross(&self, z: f64, level: f64, side: f64, floor: f64, half: f64) -> Option<f64> {
        let above = |x: f64| profile(self.link, &self.trials, z, x, 1.0 / self.spread) >= floor;
        let mut step = half.max(1e-6 * self.spread);
        let (mut inside, mut outside) = (level, level + side * step);
        let mut tries = 0;
        while above(outside) {
            inside = outside;
            step *= 2.0;
            outside = level + side * step;
            tries += 1;
            // Some 1e12 spreads out: there is no limit.
            if tries > 60 || !outside.is_finite() {
                return None;
            }
        }
        for _ in 0..MOST_STEPS {
            let middle = 0.5 * (inside + outside);
            if middle == inside || middle == outside {
                break;
            }
            if above(middle) { inside = middle } else { outside = middle }
        }
        Some(0.5 * (inside + outside))
    }
}

/// Returns the best log-likelihood of all curves on which the level `x` has the quantile `z`: z + b (t − x) over b > 0.
fn profile(link: Link, trials: &[Trials], z: f64, x: f64, start: f64) -> f64 {
    let value = |b: f64| -> f64 {
        let one = |count: u64, at: f64| if count > 0 { count as f64 * link.ln_share(at) } else { 0.0 };
        trials.iter().map(|t| one(t.fired, z + b * (t.level - x)) + one(t.failed(), -z - b * (t.level - x))).sum()
    };
    let slope = |b: f64| -> f64 {
        let one = |t: &Trials| {
            let at = z + b * (t.level - x);
            let g = t.fired as f64 * link.slope(at) - t.failed() as f64 * link.slope(-at);
            g * (t.level - x)
        };
        trials.iter().map(one).sum()
    };
    // Concave in b: the slope falls through 0 once. A bracket by powers of two, then halving on the logarithm.
    let (mut low, mut high) = (start, start);
    for _ in 0..MOST_STEPS {
        if slope(low) > 0.0 || low < 1e-300 {
            break;
        }
        low *= 0.5;
    }
    for _ in 0..MOST_STEPS {
        if slope(high) < 0.0 || high > 1e300 {
            break;
        }
        high *= 2.0;
    }
    for _ in 0..60 {
        let middle = (low * high).sqrt();
        if slope(middle) > 0.0 {
            low = middle
        } else {
            high = middle
        }
        if high / low < 1.0 + 1e-10 {
            break;
        }
    }
    value((low * high).sqrt())
}
