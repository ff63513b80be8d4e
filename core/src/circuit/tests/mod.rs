//! Circuits against identities, another solver, a circuit simulator, statute and practice.

mod chances;
mod firing;
mod live;
mod networks;
mod trade;

use super::*;

/// A steady source.
fn steady(volt: f64, ohm: f64) -> Source {
    Source { volt, ohm, shape: SourceShape::Steady, pulse_second: None }
}

fn capacitor(volt: f64, ohm: f64, farad: f64) -> Source {
    Source { shape: SourceShape::Capacitor { farad }, ..steady(volt, ohm) }
}

fn bridge(impulse_a2s: f64, lag_second: f64) -> Bridge {
    Bridge { impulse_a2s, lag_second, no_fire_ampere: 0.0 }
}
