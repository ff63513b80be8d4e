//! Firing impulse and lag from shots that were timed at known currents.

use super::{CircuitError, at_least, positive};

/// One igniter that fired, and when.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimedShot {
    /// The steady current that it had, A.
    pub ampere: f64,
    /// From pulse to first light, s: the middle of what was measured.
    pub delay_second: f64,
}

/// What the delays say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ImpulseAndLag {
    /// Firing impulse, A²s.
    pub impulse_a2s: f64,
    /// Its standard error.
    pub impulse_error: f64,
    /// From ignition to first light, s: taken for the lag to the opening of the bridge, which it need not be.
    pub lag_second: f64,
    /// Its standard error.
    pub lag_error: f64,
    /// Standard deviation of the delays about the line, s.
    pub scatter_second: f64,
}

/// Fits delay = impulse / I² + lag by least squares.
///
/// # Errors
/// [`CircuitError::TooFewTimedShots`] unless there are three shots at two currents; [`CircuitError::OutOfRange`], also where
/// the line falls (an impulse or a lag below 0 is no answer).
pub fn fit_impulse_and_lag(shots: &[TimedShot]) -> Result<ImpulseAndLag, CircuitError> {
    let mut points = Vec::with_capacity(shots.len());
    for s in shots {
        positive("a current", s.ampere, "A")?;
        at_least("a delay", s.delay_second, "s", 0.0)?;
        points.push((1.0 / (s.ampere * s.ampere), s.delay_second));
    }
    let mut different: Vec<f64> = points.iter().map(|p| p.0).collect();
    different.sort_unstable_by(f64::total_cmp);
    different.dedup_by(|a, b| (*a - *b).abs() <= 1e-9 * b.abs());
    if points.len() < 3 || different.len() < 2 {
        return Err(CircuitError::TooFewTimedShots { shots: points.len(), currents: different.len() });
    }
    let n = points.len() as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let xx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let xy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    let impulse = positive("the impulse that these delays give", xy / xx, "A²s")?;
    let lag = at_least("the lag that these delays give", my - impulse * mx, "s", 0.0)?;
    let left: f64 = points.iter().map(|p| (p.1 - lag - impulse * p.0).powi(2)).sum();
    let scatter = (left / (n - 2.0)).sqrt();
    Ok(ImpulseAndLag {
        impulse_a2s: impulse,
        impulse_error: scatter / xx.sqrt(),
        lag_second: lag,
        lag_error: scatter * (1.0 / n + mx * mx / xx).sqrt(),
        scatter_second: scatter,
    })
}
