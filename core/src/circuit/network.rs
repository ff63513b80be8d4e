//! A source and what hangs on it: series and parallel parts within each other, and the current through each igniter.

use super::{CircuitError, Source, at_least, positive};
use crate::facts::Wiring;

/// How deep parts may lie within each other.
const MOST_DEEP: usize = 64;

/// A piece of the circuit.
#[derive(Debug, Clone, PartialEq)]
pub enum Part {
    /// An igniter, by its index.
    Igniter(usize),
    /// A resistance in ohms.
    Wire(f64),
    /// One after the other.
    Series(Vec<Part>),
    /// Across the same two points.
    Parallel(Vec<Part>),
}

/// A source with its load.
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    source: Source,
    load: Part,
    bridge_ohm: Vec<f64>,
}

impl Network {
    /// Checks a network: each igniter stands in it exactly once.
    ///
    /// # Errors
    /// Any [`CircuitError`] that has to do with circuits.
    pub fn new(source: Source, load: Part, bridge_ohm: Vec<f64>) -> Result<Self, CircuitError> {
        let source = source.checked()?;
        if bridge_ohm.is_empty() {
            return Err(CircuitError::NoIgniter);
        }
        for ohm in &bridge_ohm {
            positive("a bridge resistance", *ohm, "Ω")?;
        }
        let mut seen = vec![false; bridge_ohm.len()];
        check(&load, &bridge_ohm, &mut seen, 0)?;
        if let Some(igniter) = seen.iter().position(|s| !s) {
            return Err(CircuitError::WrongIgniter { igniter });
        }
        Ok(Self { source, load, bridge_ohm })
    }

    /// Makes the network of a volley: its igniters, in order, as they were wired, behind leads of `lead_ohm` out and back.
    ///
    /// # Errors
    /// [`CircuitError::StringsDoNotFit`] if the strings of a series-parallel volley are not stated or do not add up, and
    /// those of [`Network::new`].
    pub fn of_volley(
        source: Source,
        lead_ohm: f64,
        wiring: &Wiring,
        bridge_ohm: Vec<f64>,
    ) -> Result<Self, CircuitError> {
        let count = bridge_ohm.len();
        let all = || (0..count).map(Part::Igniter).collect::<Vec<_>>();
        let load = match wiring {
            Wiring::Single | Wiring::Series => Part::Series(all()),
            Wiring::Parallel => Part::Parallel(all()),
            Wiring::SeriesParallel(lengths) => {
                let strings: usize = lengths.iter().map(|n| usize::from(*n)).sum();
                if strings != count || lengths.contains(&0) {
                    return Err(CircuitError::StringsDoNotFit { strings, igniters: count });
                }
                let mut next = 0;
                let string = |n: &u16| {
                    let from = next;
                    next += usize::from(*n);
                    Part::Series((from..next).map(Part::Igniter).collect())
                };
                Part::Parallel(lengths.iter().map(string).collect())
            }
        };
        Self::new(source, Part::Series(vec![Part::Wire(lead_ohm), load]), bridge_ohm)
    }

    /// Takes other bridge resistances, as many and all above 0.
    pub(super) fn set_bridges(&mut self, ohms: &[f64]) {
        for (bridge, ohm) in self.bridge_ohm.iter_mut().zip(ohms) {
            *bridge = *ohm;
        }
    }

    /// Returns the source.
    #[must_use]
    pub fn source(&self) -> &Source {
        &self.source
    }

    /// Returns what hangs on the source.
    #[must_use]
    pub fn load(&self) -> &Part {
        &self.load
    }

    /// Returns how many igniters there are.
    #[must_use]
    pub fn igniters(&self) -> usize {
        self.bridge_ohm.len()
    }

    /// Returns the resistance that the source sees, its own included; infinite where no loop is closed. `open` tells
    /// which igniters have opened, by index; those beyond its end have not.
    #[must_use]
    pub fn total_ohm(&self, open: &[bool]) -> f64 {
        self.source.ohm + self.ohm(&self.load, open)
    }

    /// Returns the current through each igniter while the source holds `volt`, in amperes.
    #[must_use]
    pub fn currents(&self, volt: f64, open: &[bool]) -> Vec<f64> {
        let mut currents = vec![0.0; self.bridge_ohm.len()];
        let total = self.total_ohm(open);
        if total.is_finite() {
            self.spread(&self.load, volt / total, open, &mut currents);
        }
        currents
    }

    fn ohm(&self, part: &Part, open: &[bool]) -> f64 {
        match part {
            Part::Igniter(i) if open.get(*i).copied().unwrap_or(false) => f64::INFINITY,
            Part::Igniter(i) => self.bridge_ohm.get(*i).copied().unwrap_or(f64::INFINITY),
            Part::Wire(ohm) => *ohm,
            Part::Series(parts) => parts.iter().map(|p| self.ohm(p, open)).sum(),
            Part::Parallel(parts) => 1.0 / parts.iter().map(|p| 1.0 / self.ohm(p, open)).sum::<f64>(),
        }
    }

    fn spread(&self, part: &Part, ampere: f64, open: &[bool], currents: &mut [f64]) {
        match part {
            Part::Igniter(i) => {
                if let Some(current) = currents.get_mut(*i) {
                    *current = ampere;
                }
            }
            Part::Wire(_) => {}
            Part::Series(parts) => parts.iter().for_each(|p| self.spread(p, ampere, open, currents)),
            Part::Parallel(parts) => {
                let volt = ampere * self.ohm(part, open);
                for p in parts {
                    let ohm = self.ohm(p, open);
                    if ohm.is_finite() {
                        self.spread(p, volt / ohm, open, currents);
                    }
                }
            }
        }
    }
}

/// Returns the resistance with nothing open.
fn check(part: &Part, bridges: &[f64], seen: &mut [bool], depth: usize) -> Result<f64, CircuitError> {
    if depth > MOST_DEEP {
        return Err(CircuitError::TooDeep { most: MOST_DEEP });
    }
    match part {
        Part::Igniter(i) => match (seen.get_mut(*i), bridges.get(*i)) {
            (Some(seen), Some(ohm)) if !*seen => {
                *seen = true;
                Ok(*ohm)
            }
            _ => Err(CircuitError::WrongIgniter { igniter: *i }),
        },
        Part::Wire(ohm) => at_least("a lead's resistance", *ohm, "Ω", 0.0),
        Part::Series(parts) => parts.iter().map(|p| check(p, bridges, seen, depth + 1)).sum(),
        Part::Parallel(parts) if parts.is_empty() => Err(CircuitError::NoIgniter),
        Part::Parallel(parts) => {
            let mut siemens = 0.0;
            for p in parts {
                let ohm = check(p, bridges, seen, depth + 1)?;
                if ohm <= 0.0 {
                    return Err(CircuitError::ShortCircuit);
                }
                siemens += 1.0 / ohm;
            }
            Ok(1.0 / siemens)
        }
    }
}
