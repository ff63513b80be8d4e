//! The two laws that are fitted, in the logarithm of time: normal and smallest extreme value.

use std::fmt;
use std::str::FromStr;

use crate::normal;
use crate::special::normal_upper_quantile;

/// A law of times whose logarithm is a location plus a scale times a standard variable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Law {
    /// The logarithm is normal.
    LogNormal,
    /// Weibull: the logarithm has the smallest extreme value distribution; its shape is 1/scale.
    Weibull,
}

impl Law {
    /// All laws.
    pub const ALL: &'static [Self] = &[Self::LogNormal, Self::Weibull];

    /// Returns its word.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::LogNormal => "log-normal",
            Self::Weibull => "weibull",
        }
    }

    /// The standard variable's probability of more than `z`.
    pub(super) fn upper(self, z: f64) -> f64 {
        match self {
            Self::LogNormal => normal::upper(z),
            Self::Weibull => (-z.exp()).exp(),
        }
    }

    /// The standard variable's value that a share does not exceed.
    pub(super) fn quantile(self, share: f64) -> f64 {
        match self {
            Self::LogNormal if share > 0.5 => normal_upper_quantile(1.0 - share),
            Self::LogNormal => -normal_upper_quantile(share),
            Self::Weibull => (-(-share).ln_1p()).ln(),
        }
    }

    fn ln_density(self, z: f64) -> f64 {
        match self {
            Self::LogNormal => normal::ln_density(z),
            Self::Weibull => z - z.exp(),
        }
    }

    /// The density's derivative over the density.
    fn tilt(self, z: f64) -> f64 {
        match self {
            Self::LogNormal => -z,
            Self::Weibull => 1.0 - z.exp(),
        }
    }

    /// The density's logarithm and its two derivatives.
    pub(super) fn at(self, z: f64) -> (f64, f64, f64) {
        let bend = match self {
            Self::LogNormal => -1.0,
            Self::Weibull => -z.exp(),
        };
        (self.ln_density(z), self.tilt(z), bend)
    }

    /// The logarithm of the probability between two values, the first of which may be −∞, the second +∞.
    fn ln_between(self, from: f64, to: f64) -> f64 {
        match self {
            Self::Weibull => {
                let start = from.exp();
                if to == f64::INFINITY {
                    return -start;
                }
                // e^to − e^from without cancellation where they are near.
                let grown = if from == f64::NEG_INFINITY { to.exp() } else { start * (to - from).exp_m1() };
                (-(-grown).exp_m1()).ln() - start
            }
            Self::LogNormal => {
                let (width, middle) = (to - from, 0.5 * (to + from));
                if width * middle.abs().max(1.0) < 1e-2 {
                    // The density's Taylor series about the middle; the next term is below 1e-18.
                    let (m, w) = (middle * middle, width * width);
                    let bent = (m - 1.0) * w / 24.0 + (m * m - 6.0 * m + 3.0) * w * w / 1920.0;
                    return normal::ln_density(middle) + width.ln() + bent.ln_1p();
                }
                if to <= 0.0 {
                    return self.ln_between(-to, -from);
                }
                if from < 0.0 {
                    return (-(normal::upper(to) + normal::lower(from))).ln_1p();
                }
                let near = normal::ln_upper(from);
                near + (-(normal::ln_upper(to) - near).exp()).ln_1p()
            }
        }
    }

    /// The logarithm of the probability between two values, with its derivatives by them.
    pub(super) fn between(self, from: f64, to: f64) -> Between {
        match self {
            Self::Weibull => extreme_between(from, to),
            Self::LogNormal => normal_between(from, to).unwrap_or_else(|| self.between_far_out(from, to)),
        }
    }

    /// The same from logarithms alone, for what underflows otherwise or is narrow.
    fn between_far_out(self, from: f64, to: f64) -> Between {
        let ln = self.ln_between(from, to);
        let ratio = |z: f64| if z.is_finite() { (self.ln_density(z) - ln).exp() } else { 0.0 };
        let (r1, r2) = (ratio(from), ratio(to));
        let bent = |z: f64, r: f64| if z.is_finite() { r * self.tilt(z) } else { 0.0 };
        Between { ln, first: [-r1, r2], second: [-bent(from, r1) - r1 * r1, r1 * r2, bent(to, r2) - r2 * r2] }
    }
}

/// Beyond these the normal density and its tail have no common size.
const NEAR: f64 = 8.0;

/// Between two values of a standard normal variable that are not far out and not near each other: tails and densities come
/// from one exponential each.
fn normal_between(from: f64, to: f64) -> Option<Between> {
    let is_near = |z: f64| z.is_infinite() || z.abs() <= NEAR;
    let is_wide = (to - from) * (0.5 * (to + from)).abs().max(1.0) >= 1e-2;
    if !(is_near(from) && is_near(to) && is_wide) || (from.is_infinite() && to.is_infinite()) {
        return None;
    }
    let ((tail1, density1), (tail2, density2)) = (normal::tail_and_density(from), normal::tail_and_density(to));
    let (whole, ln) = if from >= 0.0 {
        (tail1 - tail2, (tail1 - tail2).ln())
    } else if to <= 0.0 {
        (tail2 - tail1, (tail2 - tail1).ln())
    } else {
        (1.0 - (tail1 + tail2), (-(tail1 + tail2)).ln_1p())
    };
    let (r1, r2) = (density1 / whole, density2 / whole);
    let bent = |z: f64, r: f64| if z.is_finite() { -r * z } else { 0.0 };
    Some(Between { ln, first: [-r1, r2], second: [-bent(from, r1) - r1 * r1, r1 * r2, bent(to, r2) - r2 * r2] })
}

/// Between two values of a standard smallest extreme value variable: with e = exp(from) and g = exp(to) − e the logarithm is
/// ln(1 − exp(−g)) − e.
fn extreme_between(from: f64, to: f64) -> Between {
    let start = from.exp();
    if to == f64::INFINITY {
        return Between { ln: -start, first: [-start, 0.0], second: [-start, 0.0, 0.0] };
    }
    let width = to - from;
    // exp(to) − exp(from) without cancellation where they are near.
    let grown = if width > 30.0 { to.exp() - start } else { start * width.exp_m1() };
    // 1 − exp(−g) and exp(−g), each with its digits.
    let (share, kept, ln_share) = if grown > 0.5 {
        let kept = (-grown).exp();
        (1.0 - kept, kept, (-kept).ln_1p())
    } else {
        let share = -(-grown).exp_m1();
        (share, 1.0 - share, share.ln())
    };
    let end = start + grown;
    let r1 = start / share;
    let r2 = if end.is_finite() { end * kept / share } else { 0.0 };
    let bent = |e: f64, r: f64| if r == 0.0 { 0.0 } else { r * (1.0 - e) };
    Between {
        ln: ln_share - start,
        first: [-r1, r2],
        second: [-bent(start, r1) - r1 * r1, r1 * r2, bent(end, r2) - r2 * r2],
    }
}

/// The logarithm of a probability between two values.
pub(super) struct Between {
    pub(super) ln: f64,
    /// Its derivatives by the two.
    pub(super) first: [f64; 2],
    /// By the first twice, by each once, by the second twice.
    pub(super) second: [f64; 3],
}

impl fmt::Display for Law {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for Law {
    type Err = String;

    /// Reads the word, in any case, outer white space cut.
    fn from_str(text: &str) -> Result<Self, String> {
        let word = text.trim();
        let found = Self::ALL.iter().copied().find(|l| l.name().eq_ignore_ascii_case(word));
        found.ok_or_else(|| format!("{word:?} is no law of delays; use log-normal or weibull"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn derivatives_are_those_of_the_logarithm() {
        let h = 1e-5;
        for law in Law::ALL.iter().copied() {
            for (a, b) in [(-1.0, 0.5), (0.2, 3.0), (-4.0, -2.5), (0.1, 0.105), (2.0, 2.3), (-0.8, -0.7)] {
                let got = law.between(a, b);
                let ln = |a, b| law.ln_between(a, b);
                let first = [(ln(a + h, b) - ln(a - h, b)) / (2.0 * h), (ln(a, b + h) - ln(a, b - h)) / (2.0 * h)];
                for (got, want) in got.first.iter().zip(first) {
                    assert!((got - want).abs() < 1e-4 * want.abs().max(1.0), "{law} {a} {b}: {got} for {want}");
                }
                let up = law.between(a + h, b).first;
                let down = law.between(a - h, b).first;
                for (got, k) in got.second.iter().zip(0..2) {
                    let want = (up[k] - down[k]) / (2.0 * h);
                    assert!((got - want).abs() < 1e-3 * want.abs().max(1.0), "{law} {a} {b}: {got} for {want}");
                }
            }
        }
    }

    #[test]
    fn the_short_ways_agree_with_the_logarithms_alone() {
        let places = [f64::NEG_INFINITY, -7.9, -3.0, -0.7, -0.2, 0.0, 0.4, 1.0, 2.5, 3.3, 6.0, 7.9, f64::INFINITY];
        for law in Law::ALL.iter().copied() {
            for (n, a) in places.iter().enumerate() {
                for b in &places[n + 1..] {
                    let (got, want) = (law.between(*a, *b), law.between_far_out(*a, *b));
                    let pairs = [(got.ln, want.ln)].into_iter();
                    let pairs = pairs.chain(got.first.into_iter().zip(want.first));
                    for (got, want) in pairs.chain(got.second.into_iter().zip(want.second)) {
                        // The logarithms alone lose digits where they are large: exp(7.9) is 2,697.
                        let near = (got - want).abs() <= 1e-9 * want.abs().max(1e-3);
                        assert!(near || (got == want), "{law} {a} {b}: {got:e}, not {want:e}");
                    }
                }
            }
        }
    }

    #[test]
    fn open_ends_and_narrow_intervals_meet_their_limits() {
        for law in Law::ALL.iter().copied() {
            assert_eq!(law.ln_between(f64::NEG_INFINITY, f64::INFINITY), 0.0);
            for z in [-2.0, 0.3, 1.7] {
                let above = law.ln_between(z, f64::INFINITY);
                assert!((above - law.upper(z).ln()).abs() < 1e-14);
                let narrow = law.ln_between(z - 5e-10, z + 5e-10);
                assert!((narrow - law.ln_density(z) - 1e-9_f64.ln()).abs() < 1e-6, "{law} {z}");
            }
            for share in [0.05, 0.5, 0.95] {
                assert!((law.upper(law.quantile(share)) - (1.0 - share)).abs() < 1e-14);
            }
        }
        // Where the series takes over from the tails.
        for (a, w) in [(0.3, 0.00999), (3.0, 0.003_32), (-6.0, 0.001_66)] {
            let law = Law::LogNormal;
            let halves = law.ln_between(a, a + w / 2.0).exp() + law.ln_between(a + w / 2.0, a + w).exp();
            assert!((law.ln_between(a, a + w * 1.000_001).exp() / halves - 1.0).abs() < 3e-6);
            assert!((law.ln_between(a, a + 1.01 * w).exp() / halves - 1.01).abs() < 1e-3);
        }
    }
}
