//! Tails and quantiles of the beta distribution, right in the relative sense however small they are.
//!
//! Why not `statrs`: its incomplete beta takes a difference of log-gammas (1e-9 relative at a + b = 1e6)
//! and stops after 140 terms, and its inverse stops on an absolute tolerance (1.6e-3 relative at a = 0.5,
//! b = 1e6). The normal quantile of `statrs` is good to 3e-16 and is used.

use statrs::function::erf::erfc_inv;
use std::f64::consts::SQRT_2;

use crate::saddle::beta_power_term;

/// Stops a fraction that would not end; the most seen up to [`crate::MAX_TRIALS`] is 955, at a = b.
const MOST_TERMS: u32 = 10_000;

/// Stops a search that would not end; the most seen is nine, at a = n, b = 1 and a tail of 1e-10.
const MOST_STEPS: u32 = 100;

/// The two tails of a distribution at one point; each is right on its own, however small.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Tails {
    /// Probability of at most the point.
    pub(crate) lower: f64,
    /// Probability of more than the point.
    pub(crate) upper: f64,
}

/// Returns both tails of Beta(a, b) at `x`, that is I_x(a, b) and I_y(b, a), with `y` = 1 − `x`.
///
/// `a`, `b` ≥ ½. Both `x` and `y` are asked for, because near 1 the other one holds the digits.
///
/// # Source
/// The continued fraction 8.17.22 of the NIST Digital Library of Mathematical Functions in its even
/// part (Didonato & Morris, ACM TOMS 18 (1992) 360–373, eq. 9).
pub(crate) fn beta_tails(a: f64, b: f64, x: f64, y: f64) -> Tails {
    beta_tails_and_slope(a, b, x, y).0
}

/// Returns the same, and the derivative of the lower tail with respect to ln(x/y).
pub(crate) fn beta_tails_and_slope(a: f64, b: f64, x: f64, y: f64) -> (Tails, f64) {
    if x <= 0.0 {
        return (Tails { lower: 0.0, upper: 1.0 }, 0.0);
    }
    if y <= 0.0 {
        return (Tails { lower: 1.0, upper: 0.0 }, 0.0);
    }
    let power = beta_power_term(a, b, x, y);
    // On this side of about the mean the fraction converges fast, and the tail is the one to know well.
    let tails = if x * (a + b + 2.0) <= a + 1.0 {
        let lower = (power / fraction(a, b, x, y)).min(1.0);
        Tails { lower, upper: 1.0 - lower }
    } else {
        let upper = (power / fraction(b, a, y, x)).min(1.0);
        Tails { lower: 1.0 - upper, upper }
    };
    (tails, power)
}

/// The continued fraction by which x^a y^b / B(a, b) is divided, by the modified Lentz method.
fn fraction(a: f64, b: f64, x: f64, y: f64) -> f64 {
    // Grouped so that the two large terms cancel once, before anything is added.
    let drift = a * y - b * x + 1.0;
    let mut value = a * drift / (a + 1.0);
    let mut c = value;
    let mut d = 0.0;
    for term in 1..=MOST_TERMS {
        let m = f64::from(term);
        let odd = a + 2.0 * m - 1.0;
        let top = (a + m - 1.0) / odd * (m * x) * ((a + b + m - 1.0) / odd) * ((b - m) * x);
        let bottom = m + m * (b - m) * x / odd + (a + m) * (drift + m * (1.0 + y)) / (a + 2.0 * m + 1.0);
        d = 1.0 / away_from_zero(bottom + top * d);
        c = away_from_zero(bottom + top / c);
        let factor = c * d;
        value *= factor;
        if (factor - 1.0).abs() <= f64::EPSILON {
            break;
        }
    }
    value
}

fn away_from_zero(value: f64) -> f64 {
    const TINY: f64 = 1e-290;
    if value.abs() < TINY { TINY } else { value }
}

/// Returns the `x` that Beta(a, b) stays below with probability `tail`, for `a`, `b` ≥ ½ and `tail` in [0, 1].
pub(crate) fn beta_quantile(a: f64, b: f64, tail: f64) -> f64 {
    if tail <= 0.5 { lower_quantile(a, b, tail).0 } else { lower_quantile(b, a, 1.0 - tail).1 }
}

/// Returns the `x` that Beta(a, b) exceeds with probability `tail`; limits as for [`beta_quantile`].
pub(crate) fn beta_upper_quantile(a: f64, b: f64, tail: f64) -> f64 {
    if tail <= 0.5 { lower_quantile(b, a, tail).1 } else { lower_quantile(a, b, 1.0 - tail).0 }
}

/// x and 1 − x where Beta(a, b) has the lower tail `tail`, in [0, ½].
///
/// Newton on ln(tail) in t = ln(x/(1−x)). INVARIANT: there the density is log-concave, so ln(tail) is
/// concave and rising, a Newton step never ends right of the root, and steps from its left only rise.
fn lower_quantile(a: f64, b: f64, tail: f64) -> (f64, f64) {
    // 1 − confidence can round to 0 or 1.
    if tail <= 0.0 {
        return (0.0, 1.0);
    }
    let middle = (a / b).ln();
    let spread = (1.0 / a + 1.0 / b).sqrt();
    let mut t = middle - spread * normal_upper_quantile(tail);
    for _ in 0..MOST_STEPS {
        let (x, y) = both_rates(t);
        let lower = beta_tails(a, b, x, y).lower;
        let slope = beta_power_term(a, b, x, y) / lower;
        let step = (tail.ln() - lower.ln()) / slope;
        // So far out that the tail or the slope underflows: come back towards the middle.
        if !step.is_finite() {
            t = 0.5 * (t + middle);
            continue;
        }
        t += step;
        // Newton squares the error, so a step this small leaves one below the last digit.
        if step.abs() <= 1e-9 * spread.min(1.0) {
            break;
        }
    }
    both_rates(t)
}

/// x and 1 − x from ln(x/(1−x)), each with all its digits.
fn both_rates(t: f64) -> (f64, f64) {
    (1.0 / (1.0 + (-t).exp()), 1.0 / (1.0 + t.exp()))
}

/// Returns the z that a standard normal exceeds with probability `tail`, in (0, 1).
pub(crate) fn normal_upper_quantile(tail: f64) -> f64 {
    SQRT_2 * erfc_inv(2.0 * tail)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Truth to fifty digits, see `tests/fixtures/make_binomial.py`.
    const QUANTILES: &str = include_str!("../tests/fixtures/beta.csv");

    /// The relative error allowed; the worst measured is 7e-15.
    const ALLOWED: f64 = 1e-12;

    fn rows() -> impl Iterator<Item = [f64; 4]> {
        QUANTILES.lines().skip(1).map(|line| {
            let mut fields = line.split(',').map(|field| field.parse().unwrap());
            std::array::from_fn(|_| fields.next().unwrap())
        })
    }

    #[test]
    fn quantiles_are_right_in_both_tails_for_every_pair_of_shapes() {
        let mut rows_seen = 0;
        for [a, b, tail, want] in rows() {
            let below = (beta_quantile(a, b, tail) / want - 1.0).abs();
            assert!(below <= ALLOWED, "Beta({a}, {b}) at {tail}: off by {below:e}");
            // 1 − tail is exact only from ½ up.
            if tail >= 0.5 {
                let above = (beta_upper_quantile(a, b, 1.0 - tail) / want - 1.0).abs();
                assert!(above <= ALLOWED, "Beta({a}, {b}) above {tail}");
            }
            rows_seen += 1;
        }
        assert_eq!(rows_seen, 1000);
    }

    #[test]
    fn tail_at_the_quantile_is_the_tail_asked_for() {
        for [a, b, tail, x] in rows() {
            // Near 1 the x of the table has lost digits that the tail depends on.
            if x < 0.5 {
                let lower = beta_tails(a, b, x, 1.0 - x).lower;
                let off = (lower / tail - 1.0).abs();
                assert!(off <= ALLOWED, "Beta({a}, {b}) at {x}: {off:e}");
            }
        }
    }

    #[test]
    fn tails_match_the_closed_forms_of_one_and_a_half() {
        // Beta(1, b) has the upper tail y^b, Beta(½, ½) the lower tail 2/π · asin √x.
        for (b, x) in [(1.0, 0.3), (5.0, 1e-12), (1e6, 1e-5), (2.5, 0.999)] {
            let tails = beta_tails(1.0, b, x, 1.0 - x);
            let lower = -(b * (-x).ln_1p()).exp_m1();
            assert!((tails.lower / lower - 1.0).abs() < 1e-12);
            assert!((tails.upper / (1.0 - x).powf(b) - 1.0).abs() < 1e-10);
        }
        for x in [1e-30, 1e-3, 0.25, 0.5, 0.9] {
            let want = std::f64::consts::FRAC_2_PI * f64::asin(f64::sqrt(x));
            assert!((beta_tails(0.5, 0.5, x, 1.0 - x).lower / want - 1.0).abs() < 1e-13);
        }
    }

    #[test]
    fn normal_quantile_is_the_known_one() {
        assert!((normal_upper_quantile(0.025) - 1.959_963_984_540_054).abs() < 1e-14);
        assert_eq!(normal_upper_quantile(0.5), 0.0);
    }
}
