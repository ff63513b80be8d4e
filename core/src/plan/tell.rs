//! How many shots of each of two lots tell their failure rates apart.

use embertally_stats::{PowerTest, SamplingError, power, shots_for_power};
use serde::Serialize;

/// What is to be told apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerRequest {
    /// The two failure rates.
    pub rates: [f64; 2],
    /// The shots of each; none to ask for how many it takes.
    pub shots: Option<[u64; 2]>,
    /// The power that is wanted, where no shots are given.
    pub wanted: f64,
    /// The level of the two-sided test.
    pub alpha: f64,
    /// Which exact test.
    pub test: PowerTest,
}

/// How well two rates can be told apart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Power {
    /// The first rate.
    pub first: f64,
    /// The second.
    pub second: f64,
    /// The shots of the first lot.
    pub shots_first: u64,
    /// Those of the second.
    pub shots_second: u64,
    /// The level of the test.
    pub alpha: f64,
    /// `boschloo` or `fisher`.
    pub test: &'static str,
    /// The probability that the test finds the difference.
    pub power: f64,
    /// The power that was wanted, if shots were looked for.
    pub wanted: Option<f64>,
}

/// Returns the power of a number of shots, or the number of shots for a power.
///
/// # Errors
/// [`SamplingError`].
pub fn tell_apart(request: &PowerRequest) -> Result<Power, SamplingError> {
    let PowerRequest { rates, shots, wanted, alpha, test } = *request;
    let (shots, power, wanted) = match shots {
        Some(shots) => (shots, power(rates, shots, alpha, test)?, None),
        None => {
            let (n, power) = shots_for_power(rates, wanted, alpha, test)?;
            ([n, n], power, Some(wanted))
        }
    };
    Ok(Power {
        first: rates[0],
        second: rates[1],
        shots_first: shots[0],
        shots_second: shots[1],
        alpha,
        test: test.name(),
        power,
        wanted,
    })
}
