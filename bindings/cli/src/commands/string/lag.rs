//! Firing impulse and lag of a type from the delays in the log.

use clap::Args;
use embertally_core::circuit::{TimedShot, fit_impulse_and_lag};
use embertally_core::facts::{RegisterId, ShotId, TypeId, WiringKind};
use embertally_core::ledger::{DelayFinding, Ledger};
use serde_json::json;

use super::super::Context;
use super::CURRENT_CAUTION;
use super::why::currents;
use crate::error::{CliError, sentence};
use crate::names::{stated_name, unknown};
use crate::output::{self, Answer, line, say};

#[derive(Debug, Args)]
pub(super) struct LagArgs {
    /// The igniter type
    #[arg(value_name = "TYPE")]
    igniter_type: String,
}

/// Gathers timed shots whose current stayed what it was: single or in series, on a steady source.
fn timed(ledger: &Ledger, igniter_type: TypeId) -> Vec<TimedShot> {
    let register = ledger.register();
    let is_steady = |module| register.modules().get(module).is_some_and(|m| m.value.capacitance.is_none());
    let mut all = Vec::new();
    for view in ledger.volleys() {
        let kind = view.volley.wiring.kind();
        if !matches!(kind, WiringKind::Single | WiringKind::Series) || !view.volley.module.is_some_and(is_steady) {
            continue;
        }
        let Some(amperes) = currents(ledger, view.volley) else { continue };
        for (position, ampere) in (1..=u16::MAX).zip(amperes) {
            let Some(shot) = ledger.finding(ShotId { volley: view.id, position }) else { continue };
            let of = register.lots().get(shot.lot).and_then(|l| l.value.igniter_type);
            // A shot that several devices wrote down is taken where it has its id.
            if of != Some(igniter_type) || shot.id.volley != view.id {
                continue;
            }
            if let DelayFinding::Agreed(delay) = shot.finding.delay {
                all.push(TimedShot { ampere, delay_second: delay.middle_ms() / 1000.0 });
            }
        }
    }
    all
}

pub(super) fn lag(context: &Context, args: &LagArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let id = TypeId::named(&args.igniter_type);
    if ledger.register().types().get(id).is_none() {
        let known = ledger.register().types().iter().map(|(_, t)| t.value.name.clone()).collect();
        return Err(unknown("igniter type", &args.igniter_type, known, "embertally type add"));
    }
    let shots = timed(&ledger, id);
    let fit = fit_impulse_and_lag(&shots).map_err(|e| CliError::refused("E_CIRCUIT", sentence(&e.to_string())))?;
    if context.json {
        let answer = json!({
            "type": stated_name(&ledger, RegisterId::Type(id)),
            "shots": shots.len(),
            "impulse_mj_per_ohm": fit.impulse_a2s * 1e3,
            "impulse_error": fit.impulse_error * 1e3,
            "lag_ms": fit.lag_second * 1e3,
            "lag_error": fit.lag_error * 1e3,
            "scatter_ms": fit.scatter_second * 1e3,
            "caution": CURRENT_CAUTION,
        });
        return output::json(&Answer::new(answer, session.problems()));
    }
    line(&format!(
        "From {} timed shots: firing impulse {:.2} ± {:.2} mJ/Ω, lag {:.2} ± {:.2} ms; the delays scatter by {:.2} ms.",
        shots.len(),
        fit.impulse_a2s * 1e3,
        fit.impulse_error * 1e3,
        fit.lag_second * 1e3,
        fit.lag_error * 1e3,
        fit.scatter_second * 1e3
    ))?;
    say(
        "Delays end at first light, which is taken for the opening of the bridge and need not be it. The middle of each \
         measured interval is used; frames of a clip are coarse for this.",
    );
    say(&format!("\n{CURRENT_CAUTION}"));
    Ok(())
}
