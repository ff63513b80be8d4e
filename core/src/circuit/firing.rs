//! One pulse through a network, event by event: bridges gather their impulse, fire, and open.

use super::network::Network;
use super::source::SourceShape;
use super::{CircuitError, at_least, positive};

/// How one igniter's bridge behaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bridge {
    /// The impulse at which it fires, A²s.
    pub impulse_a2s: f64,
    /// From then until it opens.
    pub lag_second: f64,
    /// Under this current it gathers nothing, A.
    pub no_fire_ampere: f64,
}

/// What became of one igniter.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Fate {
    /// When it had its impulse and fired.
    pub fired_second: Option<f64>,
    /// When its bridge opened.
    pub opened_second: Option<f64>,
    /// The impulse that it had in all while still closed, A²s.
    pub impulse_a2s: f64,
    /// The current at the beginning, A.
    pub first_ampere: f64,
}

/// What became of a volley.
#[derive(Debug, Clone, PartialEq)]
pub struct Firing {
    /// Igniter by igniter.
    pub fates: Vec<Fate>,
}

impl Firing {
    /// Tells whether all fired.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.fates.iter().all(|f| f.fired_second.is_some())
    }

    /// Returns how many fired.
    #[must_use]
    pub fn fired(&self) -> usize {
        self.fates.iter().filter(|f| f.fired_second.is_some()).count()
    }
}

/// Follows one pulse. Between two events all currents are steady, or fall together by e^(−t/RC), so each step is exact.
///
/// # Errors
/// [`CircuitError::StringsDoNotFit`] unless there is one bridge an igniter, [`CircuitError::OutOfRange`].
pub fn fire(network: &Network, bridges: &[Bridge]) -> Result<Firing, CircuitError> {
    if bridges.len() != network.igniters() {
        return Err(CircuitError::StringsDoNotFit { strings: bridges.len(), igniters: network.igniters() });
    }
    for b in bridges {
        positive("a firing impulse", b.impulse_a2s, "A²s")?;
        at_least("a lag", b.lag_second, "s", 0.0)?;
        at_least("a no-fire current", b.no_fire_ampere, "A", 0.0)?;
    }
    Ok(follow(network, bridges))
}

/// The same without checks, for many pulses.
pub(super) fn follow(network: &Network, bridges: &[Bridge]) -> Firing {
    let source = network.source();
    let mut fates = vec![Fate::default(); bridges.len()];
    let mut open = vec![false; bridges.len()];
    let (mut now, mut volt) = (0.0, source.volt);
    let end = source.pulse_second.unwrap_or(f64::INFINITY);
    // Each igniter fires once, opens once and falls under its no-fire current at most once between openings.
    let most = 4 + bridges.len() * (bridges.len() + 3);
    for step in 0..most {
        let currents = network.currents(volt, &open);
        if step == 0 {
            for (fate, current) in fates.iter_mut().zip(&currents) {
                fate.first_ampere = *current;
            }
        }
        let total = network.total_ohm(&open);
        // All currents halve their square in this time, or never.
        let half = match source.shape {
            SourceShape::Steady => f64::INFINITY,
            SourceShape::Capacitor { farad } => 0.5 * total * farad,
        };
        let mut wait = end - now;
        for ((bridge, fate), current) in bridges.iter().zip(&fates).zip(&currents) {
            let wait_of = match (fate.fired_second, fate.opened_second) {
                (Some(fired), None) => (fired + bridge.lag_second - now).max(0.0),
                (None, _) if gathers(bridge, *current) => {
                    let missing = bridge.impulse_a2s - fate.impulse_a2s;
                    let fires = time_to(missing, current * current, half);
                    // The slip keeps a current that has just sunk to the limit from being looked at again.
                    let sinks = half * 2.0 * (current / bridge.no_fire_ampere).ln() * (1.0 + 1e-12) + 1e-15;
                    if sinks.is_nan() { fires } else { fires.min(sinks) }
                }
                _ => f64::INFINITY,
            };
            wait = wait.min(wait_of);
        }
        if !wait.is_finite() {
            break;
        }
        for (i, (bridge, fate)) in bridges.iter().zip(&mut fates).enumerate() {
            let current = currents.get(i).copied().unwrap_or(0.0);
            let gained = gained(current * current, half, wait);
            if fate.opened_second.is_none() && (fate.fired_second.is_some() || gathers(bridge, current)) {
                fate.impulse_a2s += gained;
            }
            let is_there = fate.impulse_a2s >= bridge.impulse_a2s * (1.0 - 1e-12);
            if fate.fired_second.is_none() && is_there {
                fate.fired_second = Some(now + wait);
            }
            let opens = fate.fired_second.map(|fired| fired + bridge.lag_second);
            if fate.opened_second.is_none() && opens.is_some_and(|at| at <= now + wait) {
                fate.opened_second = opens;
                if let Some(open) = open.get_mut(i) {
                    *open = true;
                }
            }
        }
        now += wait;
        if half.is_finite() {
            volt *= (-0.5 * wait / half).exp();
        }
        if now >= end {
            break;
        }
    }
    Firing { fates }
}

fn gathers(bridge: &Bridge, current: f64) -> bool {
    current > 0.0 && current >= bridge.no_fire_ampere
}

fn gained(square: f64, half: f64, wait: f64) -> f64 {
    if half.is_finite() { -square * half * (-wait / half).exp_m1() } else { square * wait }
}

fn time_to(impulse: f64, square: f64, half: f64) -> f64 {
    if !half.is_finite() {
        return (impulse / square).max(0.0);
    }
    let left = 1.0 - impulse / (square * half);
    if left > 0.0 { (-half * left.ln()).max(0.0) } else { f64::INFINITY }
}
