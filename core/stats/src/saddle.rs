//! The saddle-point form of the binomial point probability and of the beta density.
//!
//! A difference of log-gammas loses log10(n) of the sixteen digits at n trials; this form keeps them,
//! because every piece is small when the probability is not. Source: C. Loader, "Fast and accurate
//! computation of binomial probabilities" (2000). Not for tails or quantiles: see `special`.

use std::f64::consts::TAU;

/// Half of ln(2π).
const HALF_LN_TAU: f64 = 0.918_938_533_204_672_8;

/// Above this the asymptotic series below is good to the last digit.
const SERIES_FROM: f64 = 16.0;

/// Returns ln Γ(z+1) − [½ ln(2πz) + z ln z − z], the error of Stirling's formula, for z > 0.
pub(crate) fn stirling_error(z: f64) -> f64 {
    // Climb to where the series holds: δ(z) = δ(z+1) + (z + ½) ln(1 + 1/z) − 1.
    let mut climbed = 0.0;
    let mut at = z;
    while at < SERIES_FROM {
        climbed += (at + 0.5) * (1.0 / at).ln_1p() - 1.0;
        at += 1.0;
    }
    // Coefficients B(2k) / (2k (2k−1)), Abramowitz & Stegun 6.1.40.
    let w = 1.0 / (at * at);
    let tail = 1.0 / 1188.0 - w * (691.0 / 360_360.0 - w / 156.0);
    let series = 1.0 / 12.0 - w * (1.0 / 360.0 - w * (1.0 / 1260.0 - w * (1.0 / 1680.0 - w * tail)));
    climbed + series / at
}

/// Returns ln Γ(z) for z > 0, to about 1e-15 of the larger of it and one.
pub(crate) fn ln_gamma(z: f64) -> f64 {
    // Γ(z) = Γ(z+k) / (z (z+1) … (z+k−1)); sixteen factors below 17 do not overflow.
    let (mut factor, mut at) = (1.0, z);
    while at < SERIES_FROM {
        factor *= at;
        at += 1.0;
    }
    (at - 0.5) * at.ln() - at + HALF_LN_TAU + stirling_error(at) - f64::ln(factor)
}

/// Returns x ln(x/m) + m − x for x ≥ 0 and m > 0 without the cancellation near x = m.
pub(crate) fn deviance(x: f64, m: f64) -> f64 {
    if x == 0.0 {
        return m;
    }
    let difference = x - m;
    if difference.abs() >= 0.1 * (x + m) {
        return x * (x / m).ln() - difference;
    }
    // ln(x/m) = 2 (v + v³/3 + v⁵/5 + …) with v = (x−m)/(x+m).
    let v = difference / (x + m);
    let v2 = v * v;
    let mut sum = difference * v;
    let mut power = 2.0 * x * v;
    let mut odd = 3.0;
    loop {
        power *= v2;
        let next = sum + power / odd;
        if next == sum {
            return sum;
        }
        sum = next;
        odd += 2.0;
    }
}

/// Returns x^a y^b / B(a, b) for a, b > 0 and y = 1 − x, both strictly inside (0, 1).
///
/// This is also the derivative of the beta distribution function with respect to ln(x/y).
pub(crate) fn beta_power_term(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let n = a + b;
    let exponent = stirling_error(n) - stirling_error(a) - stirling_error(b) - deviance(a, n * x) - deviance(b, n * y);
    (a / n * b / TAU).sqrt() * exponent.exp()
}

/// Returns the logarithm of the probability of `x` successes in `n` trials, of rate `p` each.
///
/// `x` and `n` are whole, `0 ≤ x ≤ n`; `p` and `q = 1 − p` lie strictly inside (0, 1).
pub(crate) fn ln_binomial_point(x: f64, n: f64, p: f64, q: f64) -> f64 {
    let rest = n - x;
    if x == 0.0 {
        return n * ln_of(q, p);
    }
    if rest == 0.0 {
        return n * ln_of(p, q);
    }
    let stirling = stirling_error(n) - stirling_error(x) - stirling_error(rest);
    let deviances = deviance(x, n * p) + deviance(rest, n * q);
    stirling - deviances - HALF_LN_TAU - 0.5 * (x / n * rest).ln()
}

/// ln(p) where q = 1 − p, from whichever of the two is the smaller and so the better known.
fn ln_of(p: f64, q: f64) -> f64 {
    if q < 0.5 { (-q).ln_1p() } else { p.ln() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn assert_close(got: f64, want: f64, relative: f64) {
        assert!(((got - want) / want).abs() <= relative, "got {got:e}, want {want:e}");
    }

    #[test]
    fn stirling_error_of_half_one_and_a_hundred_is_the_known_one() {
        // ln Γ(3/2) = ln(√π / 2), ln Γ(2) = 0, ln 100! = 363.73937555556349… (A&S table 6.4).
        let half =
            (std::f64::consts::PI.sqrt() / 2.0).ln() + 0.5 - 0.5 * std::f64::consts::PI.ln() + 0.5 * 2.0_f64.ln();
        assert_close(stirling_error(0.5), half, 1e-14);
        assert_close(stirling_error(1.0), 1.0 - HALF_LN_TAU, 1e-14);
        assert_close(stirling_error(100.0), 8.333_305_556_349_2e-4, 1e-12);
    }

    #[test]
    fn deviance_has_no_step_where_the_series_takes_over() {
        let inside = deviance(100.0, 122.222);
        let outside = deviance(100.0, 122.2223);
        let slope = (122.222_f64 - 100.0) / 122.222;
        assert_close(outside - inside, slope * 0.0003, 1e-4);
        // mpmath, 40 digits.
        assert_close(deviance(1e6, 1_001_000.0), 0.499666916466833, 1e-14);
        assert_close(deviance(30.0, 30.001), 1.6666296305596e-8, 1e-11);
        assert_eq!(deviance(0.0, 3.0), 3.0);
        assert_eq!(deviance(3.0, 3.0), 0.0);
    }

    #[test]
    fn no_success_of_a_tiny_rate_keeps_its_digits() {
        assert_close(ln_binomial_point(0.0, 1e6, 1e-12, 1.0 - 1e-12), -1.000_000_000_000_5e-6, 1e-14);
    }

    #[test]
    fn binomial_points_add_up_to_one() {
        for (n, p) in [(1_u32, 0.3), (7, 0.01), (250, 0.5), (400, 0.999)] {
            let total: f64 = (0..=n).map(|x| ln_binomial_point(f64::from(x), f64::from(n), p, 1.0 - p).exp()).sum();
            assert_close(total, 1.0, 1e-13);
        }
    }
}
