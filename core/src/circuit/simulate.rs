//! Many pulses with drawn igniters, for circuits that no integral covers.

use embertally_stats::{Interval, clopper_pearson};

use super::firing::{Bridge, follow};
use super::network::Network;
use super::random::normal;
use super::{CircuitError, Part, Source, at_least, positive};
use crate::facts::RandomBits;

/// The most pulses of a simulation.
pub const MOST_RUNS: u32 = 1_000_000;

/// How one igniter is drawn: means and standard deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drawn {
    /// Bridge resistance, Ω.
    pub ohm: f64,
    /// Its spread.
    pub ohm_spread: f64,
    /// Firing impulse, A²s.
    pub impulse_a2s: f64,
    /// Its spread.
    pub impulse_spread_a2s: f64,
    /// Lag, s.
    pub lag_second: f64,
    /// Its spread.
    pub lag_spread_second: f64,
    /// Under this current it gathers nothing, A.
    pub no_fire_ampere: f64,
}

/// What is simulated.
#[derive(Debug, Clone)]
pub struct Simulation {
    /// The source.
    pub source: Source,
    /// What hangs on it.
    pub load: Part,
    /// The igniters, by index.
    pub igniters: Vec<Drawn>,
    /// How many pulses; at most [`MOST_RUNS`].
    pub runs: u32,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// The pulses.
    pub runs: u32,
    /// Those at which all fired.
    pub whole: u32,
    /// The chance of that with the interval (95 %, Clopper–Pearson) that the number of pulses leaves.
    pub interval: Interval,
    /// How often each igniter fired, by index.
    pub fired: Vec<u32>,
}

impl Simulated {
    /// Returns the share of pulses at which all fired.
    #[must_use]
    pub fn chance(&self) -> f64 {
        f64::from(self.whole) / f64::from(self.runs)
    }
}

/// Draws igniters and follows a pulse, over and over. The same bits give the same answer.
///
/// # Errors
/// Those of [`Network::new`], [`CircuitError::OutOfRange`], [`CircuitError::TooWide`].
pub fn simulate(simulation: &Simulation, random: &mut dyn RandomBits) -> Result<Simulated, CircuitError> {
    let Simulation { source, load, igniters, runs } = simulation;
    if !(1..=MOST_RUNS).contains(runs) {
        let (what, value) = ("the number of pulses", f64::from(*runs));
        return Err(CircuitError::OutOfRange { what, value, unit: "", range: "from 1 to 1,000,000" });
    }
    for d in igniters {
        positive("a bridge resistance", d.ohm, "Ω")?;
        positive("a firing impulse", d.impulse_a2s, "A²s")?;
        at_least("a lag", d.lag_second, "s", 0.0)?;
        at_least("a no-fire current", d.no_fire_ampere, "A", 0.0)?;
        for (what, mean, spread) in [
            ("the bridge resistance", d.ohm, d.ohm_spread),
            ("the firing impulse", d.impulse_a2s, d.impulse_spread_a2s),
            ("the lag", d.lag_second, d.lag_spread_second),
        ] {
            at_least("a spread", spread, "", 0.0)?;
            if spread > 0.25 * mean {
                return Err(CircuitError::TooWide { what, mean, spread });
            }
        }
    }
    // Checked once with the means; what is drawn differs in its values only.
    let means: Vec<f64> = igniters.iter().map(|d| d.ohm).collect();
    let mut network = Network::new(*source, load.clone(), means)?;
    let mut bridges = Vec::with_capacity(igniters.len());
    let mut ohms = Vec::with_capacity(igniters.len());
    let (mut whole, mut fired) = (0, vec![0; igniters.len()]);
    for _ in 0..*runs {
        bridges.clear();
        ohms.clear();
        for d in igniters {
            // A draw four deviations down is still above 0; beyond, it is held there.
            let mut drawn = |mean: f64, spread: f64| (mean + spread * normal(random)).max(1e-3 * mean);
            ohms.push(drawn(d.ohm, d.ohm_spread));
            let impulse_a2s = drawn(d.impulse_a2s, d.impulse_spread_a2s);
            let lag_second = drawn(d.lag_second, d.lag_spread_second);
            bridges.push(Bridge { impulse_a2s, lag_second, no_fire_ampere: d.no_fire_ampere });
        }
        network.set_bridges(&ohms);
        let firing = follow(&network, &bridges);
        whole += u32::from(firing.is_whole());
        for (count, fate) in fired.iter_mut().zip(&firing.fates) {
            *count += u32::from(fate.fired_second.is_some());
        }
    }
    let interval = clopper_pearson(whole.into(), (*runs).into(), 0.95)?;
    Ok(Simulated { runs: *runs, whole, interval, fired })
}
