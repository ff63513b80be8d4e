//! The two shapes of the share that fires, with logarithms and slopes that hold far out.

use std::f64::consts::TAU;
use std::fmt;

use crate::gamma::chi_square_upper;
use crate::special::normal_upper_quantile;

/// Which curve the share that fires follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Link {
    /// The normal distribution; the spread is its standard deviation.
    #[default]
    Probit,
    /// The logistic distribution; the spread is its scale, its standard deviation is π/√3 times that.
    Logit,
}

impl Link {
    /// Both.
    pub const ALL: &'static [Self] = &[Self::Probit, Self::Logit];

    /// Returns its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Probit => "probit",
            Self::Logit => "logit",
        }
    }

    /// Returns ln F(z).
    pub(super) fn ln_share(self, z: f64) -> f64 {
        match self {
            Self::Probit => ln_normal_tail(-z),
            // −ln(1 + e^−z), without overflow.
            Self::Logit if z < 0.0 => z - z.exp().ln_1p(),
            Self::Logit => -(-z).exp().ln_1p(),
        }
    }

    /// Returns f(z)/F(z), the slope of ln F.
    pub(super) fn slope(self, z: f64) -> f64 {
        match self {
            Self::Probit => (ln_normal_density(z) - ln_normal_tail(-z)).exp(),
            Self::Logit => 1.0 / (1.0 + z.exp()),
        }
    }

    /// Returns minus the slope of [`Link::slope`]: positive, since both curves are log-concave.
    pub(super) fn bend(self, z: f64) -> f64 {
        let h = self.slope(z);
        match self {
            Self::Probit => (h * (z + h)).max(0.0),
            Self::Logit => h * (1.0 - h),
        }
    }

    /// Returns the expected information of one trial, f²/(F(1 − F)).
    pub(super) fn weight(self, z: f64) -> f64 {
        // f/F at z times f/(1 − F), which is f/F at −z.
        self.slope(z) * self.slope(-z)
    }

    /// Returns the z below which a share in (0, 1) lies.
    pub(super) fn quantile(self, share: f64) -> f64 {
        match self {
            Self::Probit => -normal_upper_quantile(share),
            Self::Logit => (share / (1.0 - share)).ln(),
        }
    }
}

impl fmt::Display for Link {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

fn ln_normal_density(z: f64) -> f64 {
    -0.5 * z * z - 0.5 * TAU.ln()
}

/// Returns the probability that a standard normal is above `z`; right in the relative sense down to 1e-300.
///
/// # Source
/// Half the tail of χ² with one degree of freedom at z².
#[must_use]
pub fn normal_tail(z: f64) -> f64 {
    let outside = 0.5 * chi_square_upper(z * z, 1);
    if z >= 0.0 { outside } else { 1.0 - outside }
}

/// Returns ln of [`normal_tail`], also where that is too small to write down.
fn ln_normal_tail(z: f64) -> f64 {
    if z < 30.0 {
        return normal_tail(z).ln();
    }
    // The asymptotic series 7.12.1 of the NIST Digital Library of Mathematical Functions; at 30 its next term is 1e-10.
    let w = 1.0 / (z * z);
    ln_normal_density(z) - z.ln() + (-w * (1.0 - w * (3.0 - w * (15.0 - w * 105.0)))).ln_1p()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tails_hold_far_out_and_join_without_a_step() {
        // scipy.stats.norm.logsf, scipy.special.expit.
        for (z, want) in [(-3.0, -0.001_350_809_964_748_193_8), (5.0, -15.064_998_393_988_727)] {
            assert!((ln_normal_tail(z) / want - 1.0).abs() < 1e-12, "{z}");
        }
        let (below, above) = (ln_normal_tail(30.0 - 1e-9), ln_normal_tail(30.0));
        assert!((below - above).abs() < 1e-7, "{below} {above}");
        assert!((ln_normal_tail(40.0) - -804.608_442_013_753_8).abs() < 1e-9);
        assert!(ln_normal_tail(1e8).is_finite());
    }

    #[test]
    fn slopes_are_those_of_the_logarithm() {
        for link in Link::ALL {
            for z in [-6.0, -1.0, 0.0, 0.3, 2.0, 5.0] {
                let h = 1e-5;
                let slope = (link.ln_share(z + h) - link.ln_share(z - h)) / (2.0 * h);
                assert!((link.slope(z) - slope).abs() < 1e-6, "{link} {z}");
                let bend = (link.slope(z - h) - link.slope(z + h)) / (2.0 * h);
                assert!((link.bend(z) - bend).abs() < 1e-6, "{link} {z}");
            }
            assert!((link.quantile(0.5)).abs() < 1e-15);
        }
    }
}
