//! What drives the pulse.

use super::{CircuitError, at_least, positive};

/// How the voltage behaves during the pulse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SourceShape {
    /// It stays.
    Steady,
    /// A charged capacitor.
    Capacitor {
        /// Its capacitance.
        farad: f64,
    },
}

/// A voltage behind a resistance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Source {
    /// Voltage without load, at the beginning of the pulse.
    pub volt: f64,
    /// Source resistance.
    pub ohm: f64,
    /// How the voltage behaves.
    pub shape: SourceShape,
    /// How long the pulse lasts; `None` until the loop opens.
    pub pulse_second: Option<f64>,
}

impl Source {
    /// Checks the values.
    ///
    /// # Errors
    /// [`CircuitError::OutOfRange`].
    pub fn checked(self) -> Result<Self, CircuitError> {
        positive("the supply voltage", self.volt, "V")?;
        at_least("the source resistance", self.ohm, "Ω", 0.0)?;
        if let SourceShape::Capacitor { farad } = self.shape {
            positive("the capacitance", farad, "F")?;
        }
        if let Some(pulse) = self.pulse_second {
            positive("the length of the pulse", pulse, "s")?;
        }
        Ok(self)
    }

    /// Returns the impulse that a resistance in all of `total_ohm` carries up to a time, in A²s: I₀²t, or
    /// I₀²τ/2 (1 − e^(−2t/τ)) with τ = RC.
    pub(super) fn impulse_until(&self, total_ohm: f64, second: f64) -> f64 {
        let first = (self.volt / total_ohm).powi(2);
        match self.shape {
            SourceShape::Steady => first * second,
            SourceShape::Capacitor { farad } => {
                let half = 0.5 * total_ohm * farad;
                -first * half * (-second / half).exp_m1()
            }
        }
    }

    /// Returns when that impulse is reached; infinite if never.
    pub(super) fn time_of_impulse(&self, total_ohm: f64, impulse: f64) -> f64 {
        let first = (self.volt / total_ohm).powi(2);
        match self.shape {
            SourceShape::Steady => impulse / first,
            SourceShape::Capacitor { farad } => {
                let half = 0.5 * total_ohm * farad;
                let left = 1.0 - impulse / (first * half);
                if left > 0.0 { -half * left.ln() } else { f64::INFINITY }
            }
        }
    }
}
