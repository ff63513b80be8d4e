//! The standard normal distribution, its tails with all their digits however far out.
//!
//! Why not `statrs`: its tail is off by 1e-10 and more far out, and underflows where its logarithm does not.
//!
//! Source: W. J. Cody, "Rational Chebyshev approximations for the error function", Math. Comp. 23 (1969) 631–637,
//! in the form that his ANORM of 1993 (SPECFUN, netlib) has for the normal distribution.

#![expect(clippy::excessive_precision, reason = "the coefficients stand as they are printed")]

use std::f64::consts::TAU;

/// The square root of 32: from here on the asymptotic form.
const FAR: f64 = 5.656_854_249_492_380_6;
/// Up to here the form around 0.
const NEAR: f64 = 0.674_489_75;
/// 1/√(2π).
const TOP: f64 = 0.398_942_280_401_432_68;

const A: [f64; 5] = [
    2.2352520354606839287,
    161.02823106855587881,
    1067.6894854603709582,
    18154.981253343561249,
    0.065682337918207449113,
];
const B: [f64; 4] = [47.20258190468824187, 976.09855173777669322, 10260.932208618978205, 45507.789335026729956];
const C: [f64; 9] = [
    0.39894151208813466764,
    8.8831497943883759412,
    93.506656132177855979,
    597.27027639480026226,
    2494.5375852903726711,
    6848.1904505362823326,
    11602.651437647350124,
    9842.7148383839780218,
    1.0765576773720192317e-8,
];
const D: [f64; 8] = [
    22.266688044328115691,
    235.38790178262499861,
    1519.377599407554805,
    6485.558298266760755,
    18615.571640885098091,
    34900.952721145977266,
    38912.003286093271411,
    19685.429676859990727,
];
const P: [f64; 6] = [
    0.21589853405795699,
    0.1274011611602473639,
    0.022235277870649807,
    0.001421619193227893466,
    2.9112874951168792e-5,
    0.02307344176494017303,
];
const Q: [f64; 5] =
    [1.28426009614491121, 0.468238212480865118, 0.0659881378689285515, 0.00378239633202758244, 7.29751555083966205e-5];

/// Returns the logarithm of the density at `z`.
pub(crate) fn ln_density(z: f64) -> f64 {
    -0.5 * z * z - 0.5 * TAU.ln()
}

/// Returns the probability of more than `z`; 1 and 0 at the infinities.
pub(crate) fn upper(z: f64) -> f64 {
    if z.abs() <= NEAR {
        return 0.5 - around_zero(z);
    }
    let tail = bell(z) * scaled_tail(z.abs());
    if z > 0.0 { tail } else { 1.0 - tail }
}

/// Returns the smaller tail at `z`, of more than |z|, and the density there; for |z| up to about 8, where z² needs no
/// splitting, and at the infinities.
pub(crate) fn tail_and_density(z: f64) -> (f64, f64) {
    let z = z.abs();
    let bell = (-0.5 * z * z).exp();
    let tail = if z <= NEAR { 0.5 - around_zero(z) } else { bell * scaled_tail(z) };
    (tail, TOP * bell)
}

/// Returns the probability of at most `z`.
pub(crate) fn lower(z: f64) -> f64 {
    upper(-z)
}

/// Returns the logarithm of [`upper`], right in the relative sense where that underflows too.
pub(crate) fn ln_upper(z: f64) -> f64 {
    if z.abs() <= NEAR {
        return (0.5 - around_zero(z)).ln();
    }
    if z > 0.0 {
        return if z.is_infinite() { f64::NEG_INFINITY } else { -0.5 * z * z + scaled_tail(z).ln() };
    }
    (-bell(z) * scaled_tail(-z)).ln_1p()
}

/// exp(−z²/2), with z² split so that its rounding does not show.
fn bell(z: f64) -> f64 {
    if z.abs() > 40.0 {
        return 0.0;
    }
    let coarse = (z * 16.0).trunc() / 16.0;
    (-0.5 * coarse * coarse).exp() * (-0.5 * (z - coarse) * (z + coarse)).exp()
}

/// Φ(z) − ½ for small z.
fn around_zero(z: f64) -> f64 {
    let [a0, a1, a2, a3, a4] = A;
    let [b0, b1, b2, b3] = B;
    let w = z * z;
    let above = (((a4 * w + a0) * w + a1) * w + a2) * w + a3;
    let below = (((w + b0) * w + b1) * w + b2) * w + b3;
    z * above / below
}

/// The upper tail over exp(−z²/2), for z > 0.
fn scaled_tail(z: f64) -> f64 {
    if z <= FAR {
        let [first @ .., last] = C;
        let above = first.iter().skip(1).fold(last * z + first.first().copied().unwrap_or(0.0), |sum, c| sum * z + c);
        let below = D.iter().fold(1.0, |sum, d| sum * z + d);
        return above / below;
    }
    if z.is_infinite() {
        return 0.0;
    }
    let w = 1.0 / (z * z);
    let [p0, p1, p2, p3, p4, p5] = P;
    let [q0, q1, q2, q3, q4] = Q;
    let above = ((((p5 * w + p0) * w + p1) * w + p2) * w + p3) * w + p4;
    let below = ((((w + q0) * w + q1) * w + q2) * w + q3) * w + q4;
    (TOP - w * above / below) / z
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tails_and_their_logarithms_have_their_digits() {
        for (z, want, ln_want) in TAILS {
            let (got, ln_got) = (upper(z), ln_upper(z));
            assert!((got - want).abs() <= 1e-14 * want, "{z}: {got:e}, not {want:e}");
            assert!((ln_got - ln_want).abs() <= 2e-15 * ln_want.abs().max(0.1), "{z}: {ln_got:e}, not {ln_want:e}");
        }
        assert_eq!((upper(f64::INFINITY), upper(f64::NEG_INFINITY)), (0.0, 1.0));
        assert_eq!((ln_upper(f64::INFINITY), ln_upper(f64::NEG_INFINITY)), (f64::NEG_INFINITY, 0.0));
    }

    // mpmath, 50 digits: erfc(z/√2)/2 and its logarithm.
    const TAILS: [(f64, f64, f64); 19] = [
        (-9.0, 1.0, -1.1285884059538405e-19),
        (-6.0, 0.9999999990134123, -9.865876455243758e-10),
        (-3.0, 0.9986501019683699, -0.0013508099647481938),
        (-1.0, 0.8413447460685429, -0.17275377902344988),
        (-0.7, 0.758036347776927, -0.2770239422771313),
        (-0.3, 0.6179114221889527, -0.4814101615884812),
        (0.0, 0.5, -std::f64::consts::LN_2),
        (0.2, 0.42074029056089696, -0.8657395226815953),
        (0.67, 0.2514288950953101, -1.3805950526951891),
        (0.68, 0.2482522304535705, -1.3933099913899847),
        (1.0, 0.15865525393145705, -1.8410216450092636),
        (1.96, 0.024997895148220435, -3.6889636517296385),
        (3.0, 0.0013498980316300946, -6.607726221510349),
        (5.6, 1.071759025831093e-08, -18.35137949590933),
        (5.7, 5.990371401063528e-09, -18.933112423224742),
        (8.0, 6.220960574271784e-16, -35.01343715991455),
        (12.0, 1.776482112077679e-33, -75.4106730015688),
        (30.0, 4.906713927148187e-198, -454.3212439563432),
        (37.0, 5.725571222524577e-300, -689.0305855768906),
    ];
}
