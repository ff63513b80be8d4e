//! How far apart the times of one volley are: what the audience sees of a front.

use super::{CensoredTime, TimesError};
use crate::error::{StatsError, check_confidence};
use crate::gamma::chi_square_upper_quantile;

/// Holds the spread within volleys, in the unit of the times.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VolleySpread {
    /// The volleys with two times or more.
    pub volleys: u64,
    /// Their times.
    pub times: u64,
    /// Times less volleys: the degrees of freedom.
    pub degrees: u64,
    /// The pooled standard deviation of the middles of the intervals.
    pub deviation: f64,
    /// The least that the intervals allow it to be.
    pub least: f64,
    /// The most.
    pub most: f64,
    /// The low end of the interval for the true deviation, from `least`.
    pub low: f64,
    /// The high end, from `most`.
    pub high: f64,
    /// The widest volley, slowest less quickest, is at least this wide.
    pub widest_at_least: f64,
    /// And no volley is wider than this.
    pub widest_at_most: f64,
}

/// Returns the spread of times within volleys, pooled over the volleys.
///
/// √(Σ(x − x̄)² / Σ(k − 1)), each volley about its own mean, so that volleys may differ. Since only the ends of the
/// times are known, it lies between `least` (as near together as the intervals allow) and `most` (an upper bound on
/// as far apart as they allow); the interval takes the χ² limits of both, which holds for times that are normal within
/// a volley. Volleys of one time are left out; so is nothing else: an infinite end is refused.
///
/// # Errors
/// [`TimesError::NoTimes`] where no volley has two, [`TimesError::BadTime`] for an infinite end, [`TimesError::Stats`].
///
/// # Source
/// The pooled variance and its χ² interval: NIST/SEMATECH e-Handbook 7.2.3.1 and 1.3.5.8.
pub fn volley_spread(volleys: &[Vec<CensoredTime>], confidence: f64) -> Result<VolleySpread, TimesError> {
    check_confidence(confidence)?;
    let used = || volleys.iter().filter(|v| v.len() > 1);
    if let Some(open) = used().flatten().find(|t| t.high().is_infinite()) {
        return Err(TimesError::BadTime { low: open.low(), high: open.high() });
    }
    let (count, times) = (used().count() as u64, used().map(|v| v.len() as u64).sum::<u64>());
    if count == 0 {
        return Err(TimesError::NoTimes);
    }
    let degrees = times - count;
    let df = degrees as f64;
    let pooled = |squares: f64| (squares / df).sqrt();
    let least = pooled(used().map(|v| least_squares(v)).sum());
    let most = pooled(used().map(|v| most_squares(v)).sum());
    let tail = (1.0 - confidence) / 2.0;
    let degrees_small =
        usize::try_from(degrees).map_err(|_| StatsError::TooManyTrials { trials: degrees, most: crate::MAX_TRIALS })?;
    let ends = used().map(|volley| {
        let low = volley.iter().map(|t| t.low()).fold(0.0, f64::max);
        let high = volley.iter().map(|t| t.high()).fold(f64::INFINITY, f64::min);
        let first = volley.iter().map(|t| t.low()).fold(f64::INFINITY, f64::min);
        let last = volley.iter().map(|t| t.high()).fold(0.0, f64::max);
        ((low - high).max(0.0), last - first)
    });
    let (widest_at_least, widest_at_most) = ends.fold((0.0_f64, 0.0_f64), |(a, b), (c, d)| (a.max(c), b.max(d)));
    Ok(VolleySpread {
        volleys: count,
        times,
        degrees,
        deviation: pooled(used().map(|v| middle_squares(v)).sum()),
        least,
        most,
        low: least * (df / chi_square_upper_quantile(tail, degrees_small)).sqrt(),
        high: most * (df / chi_square_upper_quantile(1.0 - tail, degrees_small)).sqrt(),
        widest_at_least,
        widest_at_most,
    })
}

fn middle_squares(volley: &[CensoredTime]) -> f64 {
    let middle = |t: &CensoredTime| 0.5 * (t.low() + t.high());
    let mean = volley.iter().map(middle).sum::<f64>() / volley.len() as f64;
    volley.iter().map(|t| (middle(t) - mean).powi(2)).sum()
}

/// The least sum of squares: every time as near to one place as its interval allows, the place being their mean.
fn least_squares(volley: &[CensoredTime]) -> f64 {
    let nearest = |place: f64| volley.iter().map(move |t| place.clamp(t.low(), t.high()));
    let mut low = volley.iter().map(|t| t.low()).fold(f64::INFINITY, f64::min);
    let mut high = volley.iter().map(|t| t.high()).fold(0.0, f64::max);
    // The mean of the nearest less the place falls as the place rises.
    for _ in 0..200 {
        let place = 0.5 * (low + high);
        let excess: f64 = nearest(place).map(|x| x - place).sum();
        if excess > 0.0 { low = place } else { high = place }
    }
    let place = 0.5 * (low + high);
    nearest(place).map(|x| (x - place).powi(2)).sum()
}

/// A sum of squares that none exceeds: by max min ≤ min max, every time as far as it may from the best place.
fn most_squares(volley: &[CensoredTime]) -> f64 {
    let furthest = |place: f64| -> f64 {
        volley.iter().map(|t| (t.high() - place).abs().max((place - t.low()).abs()).powi(2)).sum()
    };
    let mut low = volley.iter().map(|t| t.low()).fold(f64::INFINITY, f64::min);
    let mut high = volley.iter().map(|t| t.high()).fold(0.0, f64::max);
    for _ in 0..200 {
        let third = (high - low) / 3.0;
        if furthest(low + third) < furthest(high - third) { high -= third } else { low += third }
    }
    furthest(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn volley(all: &[(f64, f64)]) -> Vec<CensoredTime> {
        all.iter().map(|(a, b)| CensoredTime::new(*a, *b).unwrap()).collect()
    }

    #[test]
    fn exact_times_give_the_pooled_deviation() {
        // Squares 2 + 8 = 10 over 3 degrees.
        let volleys = [volley(&[(1.0, 1.0), (3.0, 3.0)]), volley(&[(4.0, 4.0), (6.0, 6.0), (8.0, 8.0)])];
        let got = volley_spread(&volleys, 0.95).unwrap();
        let want = (10.0_f64 / 3.0).sqrt();
        for value in [got.deviation, got.least, got.most] {
            assert!((value - want).abs() < 1e-12, "{got:?}");
        }
        // scipy.stats.chi2.ppf([0.975, 0.025], 3) = 9.348403604496148, 0.21579528262389774.
        assert!((got.low - (10.0_f64 / 9.348_403_604_496_148).sqrt()).abs() < 1e-10);
        assert!((got.high - (10.0_f64 / 0.215_795_282_623_897_74).sqrt()).abs() < 1e-9);
        assert_eq!((got.volleys, got.times, got.degrees, got.widest_at_most), (2, 5, 3, 4.0));
    }

    #[test]
    fn intervals_bound_the_spread_of_every_choice_within_them() {
        let all = [(10.0, 30.0), (25.0, 27.0), (0.0, 12.0), (40.0, 41.0)];
        let got = volley_spread(&[volley(&all)], 0.9).unwrap();
        for choice in 0..81_u32 {
            let pick = |k: usize| {
                let (low, high) = all[k];
                low + (high - low) * f64::from(choice / 3_u32.pow(k as u32) % 3) / 2.0
            };
            let picked: Vec<CensoredTime> =
                (0..4).map(|k| CensoredTime::new(pick(k), pick(k).max(1e-9)).unwrap()).collect();
            let spread = volley_spread(&[picked], 0.9).unwrap().deviation;
            assert!(got.least <= spread + 1e-9 && spread <= got.most + 1e-9, "{choice}: {spread} in {got:?}");
        }
        assert_eq!((got.widest_at_least, got.widest_at_most), (28.0, 41.0));
    }

    #[test]
    fn single_shots_say_nothing_of_it() {
        assert_eq!(volley_spread(&[volley(&[(1.0, 2.0)]), Vec::new()], 0.9), Err(TimesError::NoTimes));
        let open = [volley(&[(1.0, 2.0), (1.0, f64::INFINITY)])];
        assert!(matches!(volley_spread(&open, 0.9), Err(TimesError::BadTime { .. })));
        let alike = volley_spread(&[volley(&[(5.0, 5.0), (5.0, 5.0)])], 0.9).unwrap();
        assert_eq!((alike.deviation, alike.low, alike.high), (0.0, 0.0, 0.0));
    }
}
