//! The upper tail of the chi-square distribution, right in the relative sense however small it is.
//!
//! Why not `statrs`: its normal tail is off by 1e-10 and more far out.

use std::f64::consts::TAU;

use crate::saddle::{deviance, stirling_error};

/// Stops a series that would not end; the most seen is below 2 000, at 1e6 degrees of freedom.
const MOST_TERMS: u32 = 100_000;

/// Returns the probability that a chi-square of `degrees` ≥ 1 is above `statistic` ≥ 0.
///
/// # Source
/// Q(k/2, x/2); series 8.11.4 and continued fraction 8.9.2 of the NIST Digital Library of Mathematical Functions.
pub(crate) fn chi_square_upper(statistic: f64, degrees: usize) -> f64 {
    let (a, x) = (degrees as f64 / 2.0, statistic / 2.0);
    if x <= 0.0 {
        return 1.0;
    }
    // Infinity less infinity would be no number below.
    if x.is_infinite() {
        return 0.0;
    }
    // x^a e^−x / Γ(a + 1), in the form that keeps its digits.
    let power = (-deviance(a, x) - stirling_error(a)).exp() / (TAU * a).sqrt();
    if power == 0.0 {
        return if x < a { 1.0 } else { 0.0 };
    }
    if x < a + 1.0 { 1.0 - (power * series(a, x)).min(1.0) } else { (power * a * fraction(a, x)).min(1.0) }
}

/// Returns what a chi-square of `degrees` ≥ 1 exceeds with probability `tail`, in (0, 1).
pub(crate) fn chi_square_upper_quantile(tail: f64, degrees: usize) -> f64 {
    // By halves in the logarithm: the tail falls from 1 to below 1e-300 between these.
    let (mut low, mut high) = (-700.0_f64, (degrees as f64 + 3000.0).ln() + 1.0);
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if chi_square_upper(middle.exp(), degrees) > tail { low = middle } else { high = middle }
    }
    (0.5 * (low + high)).exp()
}

/// 1 + x/(a+1) + x²/((a+1)(a+2)) + …
fn series(a: f64, x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for n in 1..MOST_TERMS {
        term *= x / (a + f64::from(n));
        sum += term;
        if term <= sum * 1e-17 {
            break;
        }
    }
    sum
}

/// 1/(x+1−a− 1(1−a)/(x+3−a− …)), by the modified Lentz method.
fn fraction(a: f64, x: f64) -> f64 {
    const TINY: f64 = 1e-290;
    let mut bottom = x + 1.0 - a;
    let mut c = 1.0 / TINY;
    let mut d = 1.0 / bottom;
    let mut value = d;
    for n in 1..MOST_TERMS {
        let n = f64::from(n);
        let top = n * (a - n);
        bottom += 2.0;
        let below = top * d + bottom;
        d = 1.0 / if below.abs() < TINY { TINY } else { below };
        c = bottom + top / c;
        c = if c.abs() < TINY { TINY } else { c };
        value *= c * d;
        if (c * d - 1.0).abs() <= f64::EPSILON {
            break;
        }
    }
    value
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tails_have_their_digits_near_and_far() {
        // mpmath, 50 digits: gammainc(k/2, x/2, regularized=True).
        for (statistic, degrees, want) in TAILS {
            let got = chi_square_upper(statistic, degrees);
            assert!((got / want - 1.0).abs() < 1e-12, "{statistic} {degrees}: {got:e}, not {want:e}");
        }
        assert_eq!(chi_square_upper(0.0, 3), 1.0);
        assert_eq!(chi_square_upper(1e6, 1), 0.0);
        assert_eq!(chi_square_upper(f64::INFINITY, 2), 0.0);
    }

    #[test]
    fn quantiles_lead_back_to_their_tails() {
        for (statistic, degrees, tail) in TAILS {
            // Near 1 the tail has lost the digits of the quantile.
            if tail < 0.9 {
                let got = chi_square_upper_quantile(tail, degrees);
                assert!((got / statistic - 1.0).abs() < 1e-11, "{tail:e} {degrees}: {got}, not {statistic}");
            }
        }
    }

    const TAILS: [(f64, usize, f64); 14] = [
        (0.001, 1, 0.9747728793699604),
        (1.0, 1, 0.3173105078629141),
        (2.9, 1, 0.0885795525797768),
        (3.1, 1, 0.07829229414640987),
        (3.841458820694124, 1, 0.05000000000000006),
        (60.0, 1, 9.485737571073848e-15),
        (1400.0, 1, 2.1010145162642176e-306),
        (0.3, 2, 0.8607079764250578),
        (18.8255, 5, 0.002071402508655286),
        (5.0, 5, 0.41588018699550794),
        (7.1, 5, 0.21330878992839805),
        (100.0, 99, 0.4529585113209314),
        (150.0, 99, 0.0007204453957169629),
        (300.0, 99, 4.226653464419626e-22),
    ];
}
