//! The chance that a series string fires whole, without drawing lots.
//!
//! Let K be each igniter's firing impulse and O the impulse that the loop has carried when its bridge opens. All fire if
//! the largest K comes before the smallest O (and before the pulse ends). With the largest at m, every other igniter must
//! have K ≤ m and O > m, so
//!
//! P = Σₖ nₖ ∫ fₖ(m) gₖ(m)^(nₖ−1) Π_{j≠k} gⱼ(m)^nⱼ dm,  g(m) = P(K ≤ m < O) = P(K ≤ m) − P(O ≤ m).
//!
//! One integral, whatever the length and the mix of types. With a steady current and a lag that never varies it is the
//! distribution of the range of n normal values.

use embertally_stats::normal_tail;

use super::{CircuitError, Source, SourceShape, at_least, positive};

/// Igniters of one kind in a string.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StringGroup {
    /// How many.
    pub count: u32,
    /// Mean firing impulse, A²s.
    pub impulse_a2s: f64,
    /// Its standard deviation.
    pub impulse_spread_a2s: f64,
    /// Mean lag from ignition to the opening of the bridge, s.
    pub lag_second: f64,
    /// Its standard deviation; with a capacitor the mean alone is used.
    pub lag_spread_second: f64,
}

/// The loop of a string.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StringLoop {
    /// The source; its resistance is part of `total_ohm`.
    pub source: Source,
    /// Source, leads and bridges together, Ω.
    pub total_ohm: f64,
}

impl StringLoop {
    /// Returns the current at the beginning, A.
    #[must_use]
    pub fn first_ampere(&self) -> f64 {
        self.source.volt / self.total_ohm
    }
}

/// Returns the lag that a string needs so that all fire for certain: (largest impulse − smallest) / I², in seconds.
///
/// # Errors
/// [`CircuitError::OutOfRange`].
pub fn lag_needed(least_a2s: f64, largest_a2s: f64, ampere: f64) -> Result<f64, CircuitError> {
    positive("the smallest impulse", least_a2s, "A²s")?;
    at_least("the largest impulse less the smallest", largest_a2s - least_a2s, "A²s", 0.0)?;
    positive("the current", ampere, "A")?;
    Ok((largest_a2s - least_a2s) / (ampere * ampere))
}

/// A group as the integral needs it, impulses in units of the largest mean.
struct Kind {
    count: f64,
    mean: f64,
    spread: f64,
    /// Of the impulse at opening; only with a steady source.
    open_mean: f64,
    open_spread: f64,
    lag: f64,
}

impl Kind {
    fn below(&self, m: f64) -> f64 {
        normal_tail((self.mean - m) / self.spread)
    }

    /// P(O ≤ m).
    fn opened(&self, m: f64, l: &StringLoop, unit: f64) -> f64 {
        match l.source.shape {
            SourceShape::Steady => normal_tail((self.open_mean - m) / self.open_spread),
            SourceShape::Capacitor { .. } => {
                // O ≤ m means that the igniter had its K a lag before the loop had carried m.
                let before = l.source.time_of_impulse(l.total_ohm, m * unit) - self.lag;
                if before.is_finite() && before > 0.0 {
                    self.below(l.source.impulse_until(l.total_ohm, before) / unit)
                } else if before > 0.0 {
                    1.0
                } else {
                    0.0
                }
            }
        }
    }
}

/// Returns the chance that every igniter of a series string fires: right to 1e-8.
///
/// Impulses and lags are normal and independent of each other; mixed types are as many groups. Heat losses are left out
/// (see [`super::advise`] for currents that are too small for it), and so is the spread of the bridge resistances, which
/// changes the current for all alike.
///
/// # Errors
/// [`CircuitError::NoIgniter`], [`CircuitError::OutOfRange`], [`CircuitError::TooWide`] for an impulse that spreads by over
/// a quarter of its mean.
///
/// # Source
/// The series rule is common in texts on electric blasting; the integral is checked against scipy's studentized range
/// (infinite degrees of freedom) and against simulation.
pub fn chance_all_fire(groups: &[StringGroup], string: &StringLoop) -> Result<f64, CircuitError> {
    let source = string.source.checked()?;
    positive("the loop's resistance", string.total_ohm, "Ω")?;
    let groups: Vec<&StringGroup> = groups.iter().filter(|g| g.count > 0).collect();
    let unit = groups.iter().map(|g| g.impulse_a2s).fold(0.0, f64::max);
    if groups.is_empty() {
        return Err(CircuitError::NoIgniter);
    }
    let square = string.first_ampere().powi(2);
    let mut kinds = Vec::with_capacity(groups.len());
    for g in &groups {
        kinds.push(kind(g, unit, square)?);
    }
    // The pulse must last until the last has its impulse, and a capacitor must hold so much.
    let end = source.pulse_second.unwrap_or(f64::INFINITY);
    let end = match source.shape {
        SourceShape::Steady if end.is_infinite() => f64::INFINITY,
        _ => source.impulse_until(string.total_ohm, end) / unit,
    };
    let marks = marks(&kinds, end);
    let mut chance = 0.0;
    for pair in marks.windows(2) {
        if let [from, to] = pair {
            chance += panel(*from, *to, |m| density(&kinds, m, string, unit));
        }
    }
    Ok(chance.clamp(0.0, 1.0))
}

fn kind(g: &StringGroup, unit: f64, square: f64) -> Result<Kind, CircuitError> {
    positive("a firing impulse", g.impulse_a2s, "A²s")?;
    at_least("the spread of an impulse", g.impulse_spread_a2s, "A²s", 0.0)?;
    at_least("a lag", g.lag_second, "s", 0.0)?;
    at_least("the spread of a lag", g.lag_spread_second, "s", 0.0)?;
    for (what, mean, spread) in
        [("the firing impulse", g.impulse_a2s, g.impulse_spread_a2s), ("the lag", g.lag_second, g.lag_spread_second)]
    {
        if spread > 0.25 * mean {
            return Err(CircuitError::TooWide { what, mean, spread });
        }
    }
    // No spread at all is a narrow one: the integral stays the same.
    let spread = g.impulse_spread_a2s.max(1e-6 * g.impulse_a2s) / unit;
    let mean = g.impulse_a2s / unit;
    let (lag, lag_spread) = (square * g.lag_second / unit, square * g.lag_spread_second / unit);
    let (open_mean, open_spread) = (mean + lag, spread.hypot(lag_spread));
    Ok(Kind { count: g.count.into(), mean, spread, open_mean, open_spread, lag: g.lag_second })
}

/// Places between which the integrand is smooth: whole deviations about each mean.
fn marks(kinds: &[Kind], end: f64) -> Vec<f64> {
    let mut marks = Vec::new();
    for k in kinds {
        for step in -9..=9 {
            marks.push(k.mean + f64::from(step) * k.spread);
            marks.push(k.open_mean + f64::from(step) * k.open_spread);
        }
    }
    let low = kinds.iter().map(|k| k.mean - 9.0 * k.spread).fold(f64::INFINITY, f64::min).max(0.0);
    let high = kinds.iter().map(|k| k.mean + 9.0 * k.spread).fold(0.0, f64::max).min(end);
    marks.extend([low, high]);
    marks.retain(|m| (low..=high).contains(m));
    marks.sort_unstable_by(f64::total_cmp);
    marks
}

/// The density of "the largest impulse is m, and all fire".
fn density(kinds: &[Kind], m: f64, string: &StringLoop, unit: f64) -> f64 {
    let within: Vec<f64> = kinds.iter().map(|k| (k.below(m) - k.opened(m, string, unit)).clamp(0.0, 1.0)).collect();
    // The largest is one of the k-th kind; the others of its kind, and all of the other kinds, are within.
    let largest_in = |(at, k): (usize, &Kind)| {
        let z = (m - k.mean) / k.spread;
        let f = (-0.5 * z * z).exp() / (std::f64::consts::TAU.sqrt() * k.spread);
        let others = kinds.iter().zip(&within).enumerate().map(|(j, (other, g))| {
            // 0 to the power of 0 is 1: the only one of its kind has no others.
            g.powf(if j == at { other.count - 1.0 } else { other.count })
        });
        k.count * f * others.product::<f64>()
    };
    kinds.iter().enumerate().map(largest_in).sum()
}

/// Gauss & Legendre with eight points.
fn panel(from: f64, to: f64, f: impl Fn(f64) -> f64) -> f64 {
    const NODES: [(f64, f64); 4] = [
        (0.183_434_642_495_649_8, 0.362_683_783_378_362),
        (0.525_532_409_916_329, 0.313_706_645_877_887_27),
        (0.796_666_477_413_626_7, 0.222_381_034_453_374_48),
        (0.960_289_856_497_536_3, 0.101_228_536_290_376_26),
    ];
    let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
    if half <= 0.0 {
        return 0.0;
    }
    half * NODES.iter().map(|(x, w)| w * (f(middle - half * x) + f(middle + half * x))).sum::<f64>()
}

/// Returns the longest string of one kind that fires whole with a chance of at least `reliability`, and that chance;
/// `None` if not even one igniter does. `bridge_ohm` is added to the loop for each igniter; `MOST` lengths are looked at.
///
/// # Errors
/// Those of [`chance_all_fire`].
pub fn longest_string(
    group: &StringGroup,
    source: &Source,
    rest_ohm: f64,
    bridge_ohm: f64,
    reliability: f64,
) -> Result<Option<(u32, f64)>, CircuitError> {
    const MOST: u32 = 200;
    positive("a bridge resistance", bridge_ohm, "Ω")?;
    let mut best = None;
    for count in 1..=MOST {
        let string = StringLoop { source: *source, total_ohm: rest_ohm + f64::from(count) * bridge_ohm };
        let chance = chance_all_fire(&[StringGroup { count, ..*group }], &string)?;
        if chance < reliability {
            break;
        }
        best = Some((count, chance));
    }
    Ok(best)
}
