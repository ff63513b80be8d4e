//! Tolerance bounds: under which time a share of all units stays, with a confidence.

use super::{CensoredSample, TimesError};
use crate::error::{check_confidence, check_probability};
use crate::normal::lower;
use crate::saddle::stirling_error;
use crate::special::{beta_tails, normal_upper_quantile};

/// The largest sample that [`tolerance_factor`] takes.
pub const MOST_FOR_FACTOR: u64 = 1_000_000;

/// The nodes and weights of Gauss and Legendre of eight points, on [−1, 1], one half.
const NODES: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_361_96),
    (0.525_532_409_916_329, 0.313_706_645_877_887_27),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_48),
    (0.960_289_856_497_536_3, 0.101_228_536_290_376_26),
];

/// Panels over which they are laid, in each part.
const PANELS: u32 = 30;

/// Returns the factor k with which mean + k · deviation of `n` values of a normal distribution exceeds what a `share`
/// of it stays under, with `confidence`.
///
/// `n` from 2 to [`MOST_FOR_FACTOR`], `share` and `confidence` in (0, 1); may be negative for small shares. Exact, by
/// the non-central t distribution; relative error below 1e-10.
///
/// # Errors
/// [`TimesError::TooFew`], [`TimesError::TooMany`], [`TimesError::Stats`].
///
/// # Source
/// k = t(γ; n − 1, z_P √n)/√n: NIST/SEMATECH e-Handbook 7.2.6.3; Owen, SCR-607 (1963).
pub fn tolerance_factor(n: u64, share: f64, confidence: f64) -> Result<f64, TimesError> {
    check_probability(share)?;
    check_confidence(confidence)?;
    if n < 2 {
        return Err(TimesError::TooFew { needed: 2, given: n });
    }
    if n > MOST_FOR_FACTOR {
        return Err(TimesError::TooMany { most: MOST_FOR_FACTOR, given: n });
    }
    let z = if share > 0.5 { normal_upper_quantile(1.0 - share) } else { -normal_upper_quantile(share) };
    let root = (n as f64).sqrt();
    let short = |k: f64| non_central_t(k * root, (n - 1) as f64, z * root) < confidence;
    let (mut low, mut high) = (z - 1.0, z + 1.0);
    let mut reach = 1.0;
    while !short(low) && reach < 1e9 {
        low -= reach;
        reach *= 2.0;
    }
    reach = 1.0;
    while short(high) && reach < 1e9 {
        high += reach;
        reach *= 2.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if short(middle) { low = middle } else { high = middle }
    }
    Ok(0.5 * (low + high))
}

/// P(T ≤ t) = ∫ Φ(t s − δ) f(s) ds, where s² is a χ² over its degrees.
fn non_central_t(t: f64, degrees: f64, delta: f64) -> f64 {
    // The density of s is below 1e-33 of its top beyond.
    let width = 12.5 / (2.0 * degrees).sqrt();
    let (from, to) = ((1.0 - width).max(0.0), 1.0 + width);
    // ln of 2 (ν/2)^(ν/2) / Γ(ν/2), by Stirling: the large terms cancel against those of s^(ν−1) exp(−ν s²/2).
    let h = degrees / 2.0;
    let constant = 2.0_f64.ln() + 0.5 * (h / std::f64::consts::TAU).ln() - stirling_error(h);
    let density = |s: f64| (constant + (degrees - 1.0) * s.ln() - h * (s * s - 1.0)).exp();
    // Where the distribution function climbs from 0 to 1: a feature of its own, which panels of one width would miss.
    let climb = [delta / t - 9.0 / t.abs(), delta / t, delta / t + 9.0 / t.abs()].map(|s| s.clamp(from, to));
    let [a, b, c] = if climb.iter().all(|s| s.is_finite()) { climb } else { [from; 3] };
    let parts = [(from, a), (a, b), (b, c), (c, to)];
    parts
        .into_iter()
        .filter(|(from, to)| to > from)
        .map(|(from, to)| integral(from, to, |s| lower(t * s - delta) * density(s)))
        .sum()
}

/// The integral by Gauss and Legendre over panels of one width.
fn integral(from: f64, to: f64, f: impl Fn(f64) -> f64) -> f64 {
    let half = (to - from) / f64::from(2 * PANELS);
    let mut sum = 0.0;
    for panel in 0..PANELS {
        let middle = from + half * f64::from(2 * panel + 1);
        for (node, weight) in NODES {
            sum += weight * (f(middle - half * node) + f(middle + half * node));
        }
    }
    sum * half
}

/// Returns the bound that a `share` of log-normal times stays under with `confidence`, exact for any number of times
/// that are known exactly.
///
/// # Errors
/// [`TimesError::NotExact`], [`TimesError::AllAlike`], [`TimesError::TooFew`] below two, [`TimesError::Stats`].
///
/// # Source
/// exp(mean + k · deviation) of the logarithms, k by [`tolerance_factor`].
pub fn log_normal_bound(sample: &CensoredSample, share: f64, confidence: f64) -> Result<f64, TimesError> {
    let intervals = sample.distinct().filter(|(t, _)| !t.is_exact()).count();
    if intervals > 0 {
        return Err(TimesError::NotExact { intervals });
    }
    let n = sample.len() as f64;
    let k = tolerance_factor(sample.len(), share, confidence)?;
    let mean = sample.distinct().map(|(t, count)| t.low().ln() * count).sum::<f64>() / n;
    let squares: f64 = sample.distinct().map(|(t, count)| (t.low().ln() - mean).powi(2) * count).sum();
    if sample.distinct().len() < 2 {
        return Err(TimesError::AllAlike);
    }
    Ok((mean + k * (squares / (n - 1.0)).sqrt()).exp())
}

/// Returns the fewest times of which the largest bounds a `share` with `confidence`, whatever their distribution:
/// ⌈ln(1 − confidence)/ln share⌉.
///
/// # Errors
/// [`TimesError::Stats`].
pub fn fewest_for_order_bound(share: f64, confidence: f64) -> Result<u64, TimesError> {
    Ok(crate::shots_to_prove(share, confidence, 0)?)
}

/// Returns the bound that a `share` of times stays under with `confidence`, whatever their distribution.
///
/// The r-th smallest high end, r the least with P(Bin(n, share) < r) ≥ confidence. Infinite where that end is. It
/// covers at least `confidence`, since a high end is never below its time.
///
/// # Errors
/// [`TimesError::TooFew`] where even the largest does not bound it, see [`fewest_for_order_bound`];
/// [`TimesError::Stats`].
///
/// # Source
/// Wilks, Ann. Math. Stat. 12 (1941) 91–96; NIST/SEMATECH e-Handbook 7.2.6.4.
pub fn order_statistic_bound(sample: &CensoredSample, share: f64, confidence: f64) -> Result<f64, TimesError> {
    let needed = fewest_for_order_bound(share, confidence)?;
    let n = sample.len();
    if n < needed {
        return Err(TimesError::TooFew { needed, given: n });
    }
    // P(Bin(n, share) < r) is the upper tail of Beta(r, n − r + 1) at the share; it rises with r.
    let covers = |r: u64| {
        let tail = beta_tails(r as f64, (n - r + 1) as f64, share, 1.0 - share).upper;
        tail >= confidence * (1.0 - 1e-12)
    };
    let (mut low, mut high) = (0, n);
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        if covers(middle) { high = middle } else { low = middle }
    }
    let mut highs: Vec<(f64, f64)> = sample.distinct().map(|(t, count)| (t.high(), count)).collect();
    highs.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let mut seen = 0.0;
    let found = highs.into_iter().find(|(_, count)| {
        seen += count;
        seen >= high as f64
    });
    Ok(found.map_or(f64::INFINITY, |(end, _)| end))
}

#[cfg(test)]
mod tests {
    use super::super::CensoredTime;
    use super::*;
    use crate::normal::upper;

    #[test]
    fn factors_are_those_of_the_tables() {
        // NIST/SEMATECH e-Handbook 7.2.6.3: 1.8740 for 43, 90 %, 99 %; 4.4111 for 6.
        let k = |n, share, confidence| tolerance_factor(n, share, confidence).unwrap();
        assert!((k(43, 0.90, 0.99) - 1.8740).abs() < 5e-5);
        assert!((k(6, 0.90, 0.99) - 4.4111).abs() < 5e-5);
        // Owen, SCR-607 (1963), as every table of one-sided factors has it.
        for (n, at95, at99) in [(5, 4.2027, 5.7411), (10, 2.9110, 3.9811), (20, 2.3960, 3.2952), (30, 2.2198, 3.0639)] {
            assert!((k(n, 0.95, 0.95) - at95).abs() < 6e-5 && (k(n, 0.99, 0.95) - at99).abs() < 6e-5, "{n}");
        }
        assert_eq!(tolerance_factor(1, 0.9, 0.9), Err(TimesError::TooFew { needed: 2, given: 1 }));
    }

    #[test]
    fn sample_without_a_bound_is_refused_with_the_number_that_would_do() {
        let times = |n: usize| {
            let all: Vec<CensoredTime> =
                (1..=n).map(|k| CensoredTime::new(k as f64 - 0.5, k as f64).unwrap()).collect();
            CensoredSample::new(&all).unwrap()
        };
        // 59 for 95 % and 95 %: the largest bounds it; 93 allow the second largest (Wilks; as in acceptance with one failure).
        let bound = |n| order_statistic_bound(&times(n), 0.95, 0.95);
        assert_eq!(bound(58), Err(TimesError::TooFew { needed: 59, given: 58 }));
        assert_eq!((bound(59), bound(92), bound(93), bound(124)), (Ok(59.0), Ok(92.0), Ok(92.0), Ok(122.0)));
    }

    #[test]
    fn density_of_the_root_of_chi_square_sums_to_one() {
        for degrees in [1.0, 2.0, 5.0, 100.0, 999_999.0] {
            let all = non_central_t(1e9, degrees, 0.0);
            assert!((all - 1.0).abs() < 1e-10 || (degrees == 1.0 && (all - 1.0).abs() < 1e-6), "{degrees}: {all}");
        }
        assert!((non_central_t(0.0, 7.0, 1.5) - upper(1.5)).abs() < 1e-13);
    }
}
