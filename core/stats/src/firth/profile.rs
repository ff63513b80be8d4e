//! Ends of profile penalised-likelihood intervals, for one coefficient or any sum of them.

use super::fit::{FirthFit, LONGEST_STEP, MOST_STEPS};
use super::square::dot;

/// The two ends of a profile interval, on the scale of log odds; none where the search found no end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProfileInterval {
    /// The lower end.
    pub low: Option<f64>,
    /// The upper end.
    pub high: Option<f64>,
}

/// A rate that the model expects, with its interval: shares from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RatePrediction {
    /// The rate.
    pub rate: f64,
    /// The lower end; 0 where the search found none.
    pub low: f64,
    /// The upper end; 1 where the search found none.
    pub high: f64,
}

/// Returns where cᵀβ, all else at its best, has the penalised log-likelihood `drop` below the top.
///
/// Towards larger values for a `side` of 1, smaller for −1. Each step solves the quadratic that fits here: it maximises
/// cᵀβ under the likelihood wanted.
///
/// # Source
/// Venzon & Moolgavkar, Appl. Stat. 37 (1988) 87–94.
pub(super) fn end(fit: &FirthFit, direction: &[f64], drop: f64, side: f64) -> Option<f64> {
    let wanted = fit.log_likelihood - drop;
    // To begin with, the end if the likelihood were quadratic.
    let toward = fit.covariance.times(direction);
    let variance = dot(direction, &toward);
    // A variance that is no number is refused too.
    if variance.is_nan() || variance <= 0.0 {
        return None;
    }
    let reach = side * (2.0 * drop / variance).sqrt();
    let mut beta: Vec<f64> = fit.coefficients.iter().zip(&toward).map(|(b, t)| b + reach * t).collect();
    let mut longest_step = LONGEST_STEP;
    let mut last_miss = f64::INFINITY;
    let mut look = fit.design.look(&beta);
    for _ in 0..MOST_STEPS {
        let Ok(here) = look else {
            // So far out that the information is lost: halfway back to the fit.
            beta.iter_mut().zip(&fit.coefficients).for_each(|(b, f)| *b = 0.5 * (*b + f));
            look = fit.design.look(&beta);
            continue;
        };
        let solved = here.factor.solve(&here.score);
        let toward = here.factor.solve(direction);
        let (across, gain) = (dot(direction, &toward), dot(&here.score, &solved));
        let miss = here.log_likelihood - wanted;
        // Σ along the surface: what of the score does not point along the direction.
        let along = dot(direction, &solved);
        let off = (gain - along * along / across).max(0.0);
        if miss.abs() <= 1e-9 && off <= 1e-9 {
            return Some(dot(direction, &beta));
        }
        let inside = 2.0 * miss + gain;
        let lambda = side * (inside.max(0.0) / across).sqrt();
        let mut step: Vec<f64> = solved.iter().zip(&toward).map(|(s, t)| s + lambda * t).collect();
        if miss.abs() > last_miss {
            longest_step *= 0.5;
        }
        last_miss = miss.abs();
        let longest = step.iter().fold(0.0_f64, |most, s| most.max(s.abs()));
        if longest > longest_step {
            step.iter_mut().for_each(|s| *s *= longest_step / longest);
        }
        if longest <= 1e-13 {
            return (miss.abs() <= 1e-6).then(|| dot(direction, &beta));
        }
        beta.iter_mut().zip(&step).for_each(|(b, s)| *b += s);
        look = fit.design.look(&beta);
    }
    None
}

pub(super) fn predict(fit: &FirthFit, values: &[f64], drop: f64) -> RatePrediction {
    let rate = |eta: f64| 1.0 / (1.0 + (-eta).exp());
    let bound = |side: f64| end(fit, values, drop, side).map(rate);
    RatePrediction {
        rate: rate(dot(values, &fit.coefficients)),
        low: bound(-1.0).unwrap_or(0.0),
        high: bound(1.0).unwrap_or(1.0),
    }
}
