//! One volley of the log, shot by shot, with the grounds.

use std::collections::BTreeMap;

use clap::Args;
use embertally_core::chart::{BarStyle, volley_boxes};
use embertally_core::circuit::{Advice, Network, Source, SourceShape, WireSize, advise, copper_ohm_per_m};
use embertally_core::facts::{Cause, FiringModule, Ignition, RegisterId, ShotId, TypeId, Volley, WiringKind};
use embertally_core::ledger::{Ledger, ShotView};
use serde_json::json;

use super::super::Context;
use super::super::bridge::{BRIDGE_CAUTION, reading_lines, readings_json};
use super::fire::stated;
use super::{CURRENT_CAUTION, drawn};
use crate::error::CliError;
use crate::names::{find_volley, name_of, short_shot, short_volley};
use crate::output::{self, Answer, CAUTION, counted, fancy, line, say};

#[derive(Debug, Args)]
pub(super) struct WhyArgs {
    /// The volley, by its id or the end of it
    volley: String,
}

/// Returns a module's source, where its voltage is stated; an unknown source resistance counts as none.
pub(super) fn source_of(module: &FiringModule) -> Option<Source> {
    let shape = match module.capacitance {
        Some(c) => SourceShape::Capacitor { farad: c.as_f64() * 1e-6 },
        None => SourceShape::Steady,
    };
    let ohm = module.source_resistance.map_or(0.0, |r| r.as_f64());
    Some(Source { volt: module.supply?.as_f64(), ohm, shape, pulse_second: None })
}

/// Works out the current of each igniter at the beginning of the pulse, where the register holds what that takes.
pub(super) fn currents(ledger: &Ledger, volley: &Volley) -> Option<Vec<f64>> {
    let register = ledger.register();
    let source = source_of(&register.modules().get(volley.module?)?.value)?;
    let lead = match volley.leads {
        Some(leads) => {
            let celsius = volley.conditions.temperature.map_or(20.0, |t| t.as_f64());
            2.0 * leads.length.as_f64()
                * copper_ohm_per_m(WireSize::SquareMm(leads.cross_section.as_f64()), celsius).ok()?
        }
        None => 0.0,
    };
    let bridge = |lot| {
        let of = register.lots().get(lot)?.value.igniter_type?;
        Some(register.types().get(of)?.value.bridge_resistance?.as_f64())
    };
    let bridges: Option<Vec<f64>> = volley.shots.iter().map(|s| bridge(s.lot)).collect();
    let network = Network::of_volley(source, lead, &volley.wiring, bridges?).ok()?;
    Some(network.currents(source.volt, &[]))
}

/// Returns what the current says against the circuit, type by type.
fn against(ledger: &Ledger, volley: &Volley, amperes: &[f64]) -> Vec<Advice> {
    let is_series = matches!(volley.wiring.kind(), WiringKind::Series | WiringKind::SeriesParallel);
    let type_of = |lot| ledger.register().lots().get(lot).and_then(|l| l.value.igniter_type);
    let mut least: BTreeMap<TypeId, f64> = BTreeMap::new();
    for (shot, ampere) in volley.shots.iter().zip(amperes) {
        if let Some(of) = type_of(shot.lot) {
            let entry = least.entry(of).or_insert(*ampere);
            *entry = entry.min(*ampere);
        }
    }
    let of = |(id, ampere): (TypeId, f64)| {
        let found = ledger.register().types().get(id);
        found.map(|t| advise(&stated(&t.value), ampere, is_series, None)).unwrap_or_default()
    };
    least.into_iter().flat_map(of).collect()
}

pub(super) fn why(context: &Context, args: &WhyArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let id = find_volley(&ledger, &args.volley)?;
    let view = ledger.volley(id).ok_or_else(|| CliError::refused("E_NOT_FOUND", "That volley is not in effect."))?;
    let amperes = currents(&ledger, view.volley);
    let mut types = Vec::new();
    let mut shots = Vec::new();
    for (index, shot) in view.volley.shots.iter().enumerate() {
        let position = u16::try_from(index + 1).unwrap_or(u16::MAX);
        let Some(found) = ledger.finding(ShotId { volley: id, position }) else { continue };
        types.extend(ledger.register().lots().get(shot.lot).and_then(|l| l.value.igniter_type));
        shots.push((position, found));
    }
    types.sort_unstable();
    types.dedup();
    let kind = view.volley.wiring.kind();
    let is_mixed = types.len() > 1 && !matches!(kind.word(), "parallel" | "single");
    let ampere = |position: u16| amperes.as_ref().and_then(|a| a.get(usize::from(position) - 1)).copied();
    if context.json {
        let warnings = amperes.as_deref().map(|a| against(&ledger, view.volley, a)).unwrap_or_default();
        let warnings: Vec<_> = warnings.iter().map(|a| json!({ "code": a.code(), "says": a.sentence() })).collect();
        let rows = shots.iter().map(|(position, s)| {
            json!({
                "position": position,
                "lot": crate::names::stated_name(&ledger, RegisterId::Lot(s.lot)),
                "unit": s.unit,
                "ignition": s.finding.ignition.settled().map(Ignition::word),
                "cause": s.finding.blame.map(|b| b.cause.word()),
                "reason": s.finding.blame.map(|b| b.grounds.reason()),
                "readings": readings_json(&ledger, s),
                "first_ampere": ampere(*position),
            })
        });
        let answer = json!({
            "volley": id.to_string(),
            "wiring": kind.word(),
            "mixed_types": is_mixed,
            "warnings": warnings,
            "rows": rows.collect::<Vec<_>>(),
            "caution": format!("{CAUTION} {CURRENT_CAUTION} {BRIDGE_CAUTION}"),
        });
        return output::json(&Answer::new(answer, session.problems()));
    }
    line(&format!("Volley {}, {kind}, {} igniters", short_volley(id), view.volley.shots.len()))?;
    let style = if fancy() { BarStyle::Drawn } else { BarStyle::Plain };
    for drawing in volley_boxes(&drawn(&ledger, &view), style) {
        line(&drawing)?;
    }
    for (position, s) in &shots {
        if let Some(blame) = s.finding.blame {
            let unit = s.unit.map_or_else(String::new, |u| format!(" {u}"));
            let lot = name_of(&ledger, RegisterId::Lot(s.lot));
            line(&format!("{position}  {lot}{unit}: {}. {}", blame.cause, blame.grounds.reason()))?;
        }
        for read in reading_lines(&ledger, s) {
            line(&format!("{position}  {read}"))?;
        }
    }
    if is_mixed {
        line("Types are mixed in it: the quicker ones open the loop before the slower ones have their impulse.")?;
    }
    match &amperes {
        Some(a) => {
            let least = a.iter().copied().fold(f64::INFINITY, f64::min);
            line(&format!("Current at the beginning, from what the register states: {least:.3} A or more in each."))?;
            for advice in against(&ledger, view.volley, a) {
                line(&format!("! {}", advice.sentence()))?;
            }
        }
        None => {
            say("The current cannot be worked out: it takes the module's voltage and each type's bridge resistance.")
        }
    }
    let open = |s: &ShotView<'_>| s.finding.blame.is_some_and(|b| b.cause == Cause::Unresolved);
    let unsettled: Vec<&(u16, ShotView<'_>)> = shots.iter().filter(|(_, s)| open(s)).collect();
    if let Some((_, first)) = unsettled.first() {
        say(&format!(
            "{} not settled. A retry, a reading of the bridge (embertally bridge {} --ohm … or --open) or a ruling settles it.",
            counted(unsettled.len(), "failure is", "failures are"),
            short_shot(first.id)
        ));
    }
    say(&format!("\n{CAUTION}\n{CURRENT_CAUTION}\n{BRIDGE_CAUTION}"));
    Ok(())
}
