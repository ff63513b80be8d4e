//! Mean and spread of a threshold by maximum likelihood.

use super::link::Link;
use super::{ThresholdError, Trials, checked, extremes};

/// Stops a search that would not end; the most seen is 12.
const MOST_STEPS: u32 = 200;

/// Mean and spread of a threshold.
#[derive(Debug, Clone, PartialEq)]
pub struct ThresholdFit {
    /// The curve.
    pub link: Link,
    /// The level at which half fire.
    pub mean: f64,
    /// The spread: see [`Link`].
    pub spread: f64,
    /// Standard error of the mean, from the expected information.
    pub mean_error: f64,
    /// Standard error of the spread.
    pub spread_error: f64,
    /// Covariance of the two.
    pub covariance: f64,
    /// The logarithm of the likelihood of the shots one by one (without binomial coefficients).
    pub log_likelihood: f64,
    /// −2 ln of the likelihood ratio to the shares as they were at each level; with a few shots a level it says how
    /// well the curve fits, with one shot a level nothing.
    pub deviance: f64,
    pub(super) trials: Vec<Trials>,
}

impl ThresholdFit {
    /// Returns the intercept of the line on the scale of z.
    #[must_use]
    pub fn intercept(&self) -> f64 {
        -self.mean / self.spread
    }

    /// Returns the slope of the line on the scale of z.
    #[must_use]
    pub fn slope(&self) -> f64 {
        1.0 / self.spread
    }
}

/// Fits a curve to trials by maximum likelihood.
///
/// The logarithm of the likelihood is concave in intercept and slope, so there is one maximum, where there is one: levels
/// at which some fired must overlap those at which some failed, and more must fire higher up. Levels may be currents,
/// voltages, energies or their logarithms.
///
/// # Errors
/// [`ThresholdError::NoOverlap`] and [`ThresholdError::NotRising`] where no maximum exists, and the errors of arguments.
///
/// # Source
/// Existence: Silvapulle, J. R. Stat. Soc. B 43 (1981) 310–313. Checked in `tests/threshold.rs` against published fits.
pub fn fit_threshold(link: Link, trials: &[Trials]) -> Result<ThresholdFit, ThresholdError> {
    let trials = checked(trials)?;
    let (highest_failure, lowest_fire) = extremes(&trials)?;
    if highest_failure <= lowest_fire {
        return Err(ThresholdError::NoOverlap { highest_failure, lowest_fire });
    }
    // Levels about 0 and about 1, so that currents in milliamperes and energies in joules behave alike.
    let shots: f64 = trials.iter().map(|t| t.tried as f64).sum();
    let middle = trials.iter().map(|t| t.level * t.tried as f64).sum::<f64>() / shots;
    let square = trials.iter().map(|t| (t.level - middle).powi(2) * t.tried as f64).sum::<f64>() / shots;
    let unit = square.sqrt();
    if !(unit > 0.0 && unit.is_finite()) {
        return Err(ThresholdError::NotRising);
    }
    let points: Vec<Point> = trials
        .iter()
        .map(|t| Point { at: (t.level - middle) / unit, fired: t.fired as f64, failed: t.failed() as f64 })
        .collect();
    // A likelihood that rises with the slope at slope 0, its intercept best, has its maximum at a positive slope.
    let fired: f64 = points.iter().map(|p| p.fired).sum();
    let cross: f64 = points.iter().map(|p| p.at * p.fired).sum();
    if cross <= 1e-12 * fired {
        return Err(ThresholdError::NotRising);
    }
    let (a, b) = climb(link, &points, link.quantile(fired / shots)).ok_or(ThresholdError::NotFound)?;
    let (mean, spread) = (middle - unit * a / b, unit / b);
    // Expected information of (mean, spread): Σ n w(z) (1, z)(1, z)ᵀ / spread².
    let mut info = [0.0; 3];
    for t in &trials {
        let z = (t.level - mean) / spread;
        let w = link.weight(z) * t.tried as f64;
        info = [info[0] + w, info[1] + w * z, info[2] + w * z * z];
    }
    let [aa, ab, bb] = info;
    let determinant = aa * bb - ab * ab;
    if !(determinant > 0.0 && mean.is_finite() && spread > 0.0 && spread.is_finite()) {
        return Err(ThresholdError::NotFound);
    }
    let scale = spread * spread / determinant;
    let log_likelihood = likelihood(link, &points, a, b);
    let full: f64 = points.iter().map(|p| saturated(p.fired, p.failed)).sum();
    Ok(ThresholdFit {
        link,
        mean,
        spread,
        mean_error: (bb * scale).sqrt(),
        spread_error: (aa * scale).sqrt(),
        covariance: -ab * scale,
        log_likelihood,
        deviance: (2.0 * (full - log_likelihood)).max(0.0),
        trials,
    })
}

struct Point {
    at: f64,
    fired: f64,
    failed: f64,
}

fn saturated(fired: f64, failed: f64) -> f64 {
    let part = |x: f64| if x > 0.0 { x * (x / (fired + failed)).ln() } else { 0.0 };
    part(fired) + part(failed)
}

fn likelihood(link: Link, points: &[Point], a: f64, b: f64) -> f64 {
    let one = |count: f64, z: f64| if count > 0.0 { count * link.ln_share(z) } else { 0.0 };
    points.iter().map(|p| one(p.fired, a + b * p.at) + one(p.failed, -(a + b * p.at))).sum()
}

/// Newton with halved steps on a concave function; `None` if it does not settle.
fn climb(link: Link, points: &[Point], start: f64) -> Option<(f64, f64)> {
    let (mut a, mut b) = (start, 0.0);
    let mut value = likelihood(link, points, a, b);
    for _ in 0..MOST_STEPS {
        let (mut ga, mut gb, mut haa, mut hab, mut hbb) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for p in points {
            let z = a + b * p.at;
            let g = p.fired * link.slope(z) - p.failed * link.slope(-z);
            let h = p.fired * link.bend(z) + p.failed * link.bend(-z);
            (ga, gb) = (ga + g, gb + g * p.at);
            (haa, hab, hbb) = (haa + h, hab + h * p.at, hbb + h * p.at * p.at);
        }
        let determinant = haa * hbb - hab * hab;
        let (da, db) = ((ga * hbb - gb * hab) / determinant, (gb * haa - ga * hab) / determinant);
        if !(da.is_finite() && db.is_finite()) {
            return None;
        }
        let mut part = 1.0;
        let better = loop {
            let next = likelihood(link, points, a + part * da, b + part * db);
            // What is lost in rounding near the top is no loss.
            if next >= value - 1e-13 * value.abs() {
                break next;
            }
            part *= 0.5;
            if part < 1e-12 {
                break value;
            }
        };
        (a, b) = (a + part * da, b + part * db);
        value = better;
        if da.abs() <= 1e-11 * (1.0 + a.abs()) && db.abs() <= 1e-11 * (1.0 + b.abs()) {
            return (b > 0.0).then_some((a, b));
        }
    }
    None
}
