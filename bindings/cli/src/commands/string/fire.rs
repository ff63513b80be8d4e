//! Will this volley fire?

use clap::Args;
use embertally_core::circuit::{
    Advice, Drawn, Network, Simulation, Source, SourceShape, SplitMix, StatedCurrents, StringGroup, StringLoop,
    WireSize, advise, chance_all_fire, copper_ohm_per_m, lag_needed, longest_string, margins, proven_lengths, simulate,
};
use embertally_core::facts::{IgniterType, ModuleId, TypeId, Wiring, WiringKind};
use embertally_core::ledger::Ledger;
use embertally_core::rates::{StringKind, strings_by_kind};
use serde_json::{Value, json};

use super::super::Context;
use super::super::rates::parsed;
use super::why::source_of;
use super::{CURRENT_CAUTION, circuit_error};
use crate::error::CliError;
use crate::names::unknown;
use crate::output::{self, Answer, line, percent, say};

#[derive(Debug, Args)]
pub(super) struct FireArgs {
    /// Igniters in order, such as 'Type one:5' or 'Type one:2,Type two:2'
    #[arg(required = true, value_delimiter = ',', value_name = "TYPE:N")]
    igniters: Vec<String>,
    /// series, parallel, series-parallel or single
    #[arg(long, default_value = "series")]
    wiring: String,
    /// Lengths of the strings of a series-parallel volley, such as 5,5
    #[arg(long, value_delimiter = ',')]
    strings: Vec<u16>,
    /// Firing module; its voltage, source resistance and capacitor stand in the register
    #[arg(long)]
    module: Option<String>,
    /// Supply voltage, volt, in place of the module's
    #[arg(long, value_name = "V")]
    supply_v: Option<f64>,
    /// Source resistance, ohm
    #[arg(long, value_name = "OHM")]
    source_ohm: Option<f64>,
    /// Capacitor, microfarad
    #[arg(long, value_name = "UF")]
    capacitor_uf: Option<f64>,
    /// Length of the pulse, milliseconds [default: until the loop opens]
    #[arg(long, value_name = "MS")]
    pulse_ms: Option<f64>,
    /// Length of one lead, metre
    #[arg(long, value_name = "M", default_value_t = 0.0)]
    lead_m: f64,
    /// Gauge of the copper leads
    #[arg(long, value_name = "GAUGE", conflicts_with = "mm2")]
    awg: Option<u8>,
    /// Cross-section of the copper leads, mm²
    #[arg(long, value_name = "MM2")]
    mm2: Option<f64>,
    /// Temperature of the leads
    #[arg(long, value_name = "C", default_value_t = 20.0, allow_hyphen_values = true)]
    celsius: f64,
    /// Bridge resistance, ohm, in place of the types'
    #[arg(long, value_name = "OHM")]
    bridge_ohm: Option<f64>,
    /// Standard deviation of the bridge resistance, ohm
    #[arg(long, value_name = "OHM", default_value_t = 0.0)]
    bridge_spread_ohm: f64,
    /// Mean firing impulse, mJ an ohm, in place of the types'
    #[arg(long, value_name = "MJ/OHM")]
    impulse: Option<f64>,
    /// Standard deviation of the firing impulse, as a part of it, such as 0.05, in place of the types'
    #[arg(long, value_name = "PART")]
    impulse_spread: Option<f64>,
    /// Mean lag from ignition to the opening of the bridge, milliseconds, in place of the types'
    #[arg(long, value_name = "MS")]
    lag_ms: Option<f64>,
    /// Standard deviation of the lag, milliseconds, in place of the types' [default: theirs, or none]
    #[arg(long, value_name = "MS")]
    lag_spread_ms: Option<f64>,
    /// Current of the continuity test, milliampere
    #[arg(long, value_name = "MA")]
    continuity_ma: Option<f64>,
    /// Chance that is enough
    #[arg(long, default_value_t = 0.95)]
    reliability: f64,
    /// Confidence for what the log has proved
    #[arg(long, default_value_t = 0.95)]
    confidence: f64,
    /// Pulses of a simulation, where there is no closed form
    #[arg(long, default_value_t = 20_000)]
    runs: u32,
    /// Seed of the simulation
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

struct Kind {
    value: IgniterType,
    count: u16,
}

fn kinds(ledger: &Ledger, texts: &[String]) -> Result<Vec<Kind>, CliError> {
    let one = |text: &String| {
        let usage = || CliError::Usage(format!("{text:?} is not TYPE:N, such as 'Type one:5'."));
        let (name, count) = text.rsplit_once(':').ok_or_else(usage)?;
        let count = count.trim().parse::<u16>().ok().filter(|n| (1..=1000).contains(n)).ok_or_else(usage)?;
        let found = ledger.register().types().get(TypeId::named(name)).ok_or_else(|| {
            let known = ledger.register().types().iter().map(|(_, t)| t.value.name.clone()).collect();
            unknown("igniter type", name, known, "embertally type add")
        })?;
        Ok(Kind { value: found.value.clone(), count })
    };
    texts.iter().map(one).collect()
}

fn source(ledger: &Ledger, args: &FireArgs) -> Result<Source, CliError> {
    let stated = match args.module.as_deref() {
        Some(name) => {
            let found = ledger.register().modules().get(ModuleId::named(name)).ok_or_else(|| {
                let known = ledger.register().modules().iter().map(|(_, m)| m.value.name.clone()).collect();
                unknown("firing module", name, known, "embertally module add")
            })?;
            source_of(&found.value)
        }
        None => None,
    };
    let volt = args.supply_v.or(stated.map(|s| s.volt)).ok_or_else(|| {
        CliError::Usage("The voltage is not known: name a module that states it, or give --supply-v.".to_owned())
    })?;
    let shape = match args.capacitor_uf {
        Some(uf) => SourceShape::Capacitor { farad: uf * 1e-6 },
        None => stated.map_or(SourceShape::Steady, |s| s.shape),
    };
    let ohm = args.source_ohm.or(stated.map(|s| s.ohm)).unwrap_or(0.0);
    let made = Source { volt, ohm, shape, pulse_second: args.pulse_ms.map(|ms| ms / 1000.0) };
    made.checked().map_err(|e| circuit_error(&e))
}

fn lead_ohm(args: &FireArgs) -> Result<f64, CliError> {
    if args.lead_m == 0.0 {
        return Ok(0.0);
    }
    let size = match (args.awg, args.mm2) {
        (Some(gauge), _) => WireSize::Gauge(gauge),
        (None, Some(area)) => WireSize::SquareMm(area),
        (None, None) => return Err(CliError::Usage("Leads take a size: give --awg or --mm2.".to_owned())),
    };
    Ok(2.0 * args.lead_m * copper_ohm_per_m(size, args.celsius).map_err(|e| circuit_error(&e))?)
}

/// Mean firing impulse in A²s: as given, else as the type states.
fn impulse_of(args: &FireArgs, of: &IgniterType) -> Option<f64> {
    args.impulse.or(of.firing_impulse.map(|i| i.as_f64())).map(|mj| mj / 1000.0)
}

/// Standard deviation of the firing impulse in A²s: as given, else as the type states. What the type states belongs to its
/// own mean, and is kept as a part where another mean is given.
fn spread_of(args: &FireArgs, of: &IgniterType) -> Option<f64> {
    let mean = impulse_of(args, of)?;
    let stated = || {
        let (spread, own) = (of.impulse_spread?.as_f64(), of.firing_impulse.map(|i| i.as_f64()).filter(|i| *i > 0.0));
        Some(own.map_or(spread / 1000.0, |own| mean * spread / own))
    };
    args.impulse_spread.map(|part| part * mean).or_else(stated)
}

/// Returns the firing figures of a type that the chance was worked out from; absent ones are null.
fn used(args: &FireArgs, of: &IgniterType) -> Value {
    json!({
        "type": of.name,
        "impulse_mj_per_ohm": impulse_of(args, of).map(|i| i * 1000.0),
        "impulse_spread_mj_per_ohm": spread_of(args, of).map(|i| i * 1000.0),
        "lag_ms": args.lag_ms.or(of.lag.map(|l| l.as_f64())),
        "lag_spread_ms": args.lag_spread_ms.or(of.lag_spread.map(|l| l.as_f64())),
    })
}

/// Returns what a type states of its firing, where that is enough for the chance of a whole string.
pub(super) fn stated_group(of: &IgniterType) -> Option<StringGroup> {
    Some(StringGroup {
        count: 1,
        impulse_a2s: of.firing_impulse?.as_f64() / 1000.0,
        impulse_spread_a2s: of.impulse_spread?.as_f64() / 1000.0,
        lag_second: of.lag?.as_f64() / 1000.0,
        lag_spread_second: of.lag_spread.map_or(0.0, |l| l.as_f64() / 1000.0),
    })
}

/// The chance that all fire: how it was found, and the interval that a simulation leaves.
struct Chance {
    value: f64,
    method: &'static str,
    interval: Option<(f64, f64)>,
}

struct Found {
    lead_ohm: f64,
    total_ohm: f64,
    amperes: Vec<f64>,
    chance: Option<Chance>,
    longest: Option<(u32, f64)>,
    proven: Option<u32>,
    lag_needed_ms: Option<f64>,
    advice: Vec<Advice>,
    missing: Vec<&'static str>,
}

fn work_out(ledger: &Ledger, args: &FireArgs, kinds: &[Kind], wiring: &Wiring) -> Result<Found, CliError> {
    let fail = |e| circuit_error(&e);
    let (source, lead) = (source(ledger, args)?, lead_ohm(args)?);
    let mut missing = Vec::new();
    let mut bridges = Vec::new();
    for k in kinds {
        let ohm = args.bridge_ohm.or(k.value.bridge_resistance.map(|r| r.as_f64())).ok_or_else(|| {
            CliError::Usage(format!(
                "The bridge resistance of {:?} is not known: state it with `embertally type add`, or give --bridge-ohm.",
                k.value.name
            ))
        })?;
        bridges.extend(std::iter::repeat_n(ohm, usize::from(k.count)));
    }
    let network = Network::of_volley(source, lead, wiring, bridges.clone()).map_err(fail)?;
    let amperes = network.currents(source.volt, &[]);
    let is_series = matches!(wiring.kind(), WiringKind::Series | WiringKind::SeriesParallel);
    let mut advice = Vec::new();
    if is_series && kinds.iter().any(|k| k.value.name != kinds.first().map_or("", |f| &f.value.name)) {
        advice.push(Advice::MixedTypes);
    }
    let mut at = 0;
    for k in kinds {
        let mine = amperes.get(at..at + usize::from(k.count)).unwrap_or_default();
        at += usize::from(k.count);
        let least = mine.iter().copied().fold(f64::INFINITY, f64::min);
        let continuity = args.continuity_ma.map(|ma| ma / 1000.0);
        advice.extend(advise(&stated(&k.value), least, is_series, continuity));
    }
    // Of the log: strings of this module, type and wiring alone.
    let proven = match (args.module.as_deref(), kinds) {
        (Some(module), [only]) => {
            let kind =
                StringKind { module: ModuleId::named(module), igniter_type: only.value.id(), wiring: wiring.kind() };
            let tried = strings_by_kind(ledger).remove(&kind).unwrap_or_default();
            let proof = proven_lengths(&tried, args.reliability, args.confidence).map_err(fail)?;
            let length = match wiring {
                Wiring::SeriesParallel(lengths) => lengths.iter().copied().max().unwrap_or(0),
                _ => only.count,
            };
            if is_series && length > 1 && proof.longest.is_none_or(|longest| longest < u32::from(length)) {
                advice.push(Advice::LongerThanProven { length: length.into(), proven: proof.longest });
            }
            proof.longest
        }
        _ => None,
    };
    let each = |of: &dyn Fn(&Kind) -> Option<f64>| kinds.iter().map(of).collect::<Option<Vec<f64>>>();
    let impulses = each(&|k| impulse_of(args, &k.value));
    let spreads = each(&|k| spread_of(args, &k.value));
    let lags = each(&|k| args.lag_ms.or(k.value.lag.map(|l| l.as_f64())).map(|ms| ms / 1000.0));
    let lag_spreads: Vec<f64> = kinds
        .iter()
        .map(|k| args.lag_spread_ms.or(k.value.lag_spread.map(|l| l.as_f64())).map_or(0.0, |ms| ms / 1000.0))
        .collect();
    for (what, is_there) in [
        ("the firing impulse (--impulse, or the type's)", impulses.is_some()),
        ("its spread (--impulse-spread, or the type's)", spreads.is_some()),
        (
            "the lag to the opening of the bridge (--lag-ms, or the type's: a maker's or a measured value)",
            lags.is_some(),
        ),
    ] {
        if !is_there {
            missing.push(what);
        }
    }
    let mut found = Found {
        lead_ohm: lead,
        total_ohm: network.total_ohm(&[]),
        amperes,
        chance: None,
        longest: None,
        proven,
        lag_needed_ms: None,
        advice,
        missing,
    };
    let (Some(impulses), Some(spreads)) = (impulses, spreads) else { return Ok(found) };
    let least_ampere = found.amperes.iter().copied().fold(f64::INFINITY, f64::min);
    let parts = || impulses.iter().zip(&spreads);
    if is_series && parts().all(|(impulse, spread)| (0.0..=0.25 * impulse).contains(spread)) {
        // Three standard deviations either side of the means.
        let low = parts().map(|(impulse, spread)| impulse - 3.0 * spread).fold(f64::INFINITY, f64::min);
        let high = parts().map(|(impulse, spread)| impulse + 3.0 * spread).fold(0.0, f64::max);
        found.lag_needed_ms = Some(1000.0 * lag_needed(low, high, least_ampere).map_err(fail)?);
    }
    let Some(lags) = lags else { return Ok(found) };
    let of_lag = lags.iter().zip(&lag_spreads);
    let groups: Vec<StringGroup> = kinds
        .iter()
        .zip(parts())
        .zip(of_lag)
        .map(|((k, (impulse, spread)), (lag, lag_spread))| StringGroup {
            count: k.count.into(),
            impulse_a2s: *impulse,
            impulse_spread_a2s: *spread,
            lag_second: *lag,
            lag_spread_second: *lag_spread,
        })
        .collect();
    let is_loop = matches!(wiring, Wiring::Series | Wiring::Single);
    let has_formula = is_loop
        && args.bridge_spread_ohm == 0.0
        && (matches!(source.shape, SourceShape::Steady) || lag_spreads.iter().all(|s| *s == 0.0));
    if has_formula {
        let string = StringLoop { source, total_ohm: found.total_ohm };
        let value = chance_all_fire(&groups, &string).map_err(fail)?;
        found.chance = Some(Chance { value, method: "closed form", interval: None });
        if let ([group], [ohm, ..]) = (groups.as_slice(), bridges.as_slice()) {
            found.longest = longest_string(group, &source, source.ohm + lead, *ohm, args.reliability).map_err(fail)?;
        }
        return Ok(found);
    }
    let mut igniters = Vec::new();
    let mut ohms = bridges.iter();
    for (k, g) in kinds.iter().zip(&groups) {
        for ohm in ohms.by_ref().take(usize::from(k.count)) {
            igniters.push(Drawn {
                ohm: *ohm,
                ohm_spread: args.bridge_spread_ohm,
                impulse_a2s: g.impulse_a2s,
                impulse_spread_a2s: g.impulse_spread_a2s,
                lag_second: g.lag_second,
                lag_spread_second: g.lag_spread_second,
                no_fire_ampere: k.value.no_fire_current.map_or(0.0, |a| a.as_f64()),
            });
        }
    }
    let load = network.load().clone();
    let simulation = Simulation { source, load, igniters, runs: args.runs };
    let drawn = simulate(&simulation, &mut SplitMix::new(args.seed)).map_err(fail)?;
    let interval = Some((drawn.interval.low, drawn.interval.high));
    found.chance = Some(Chance { value: drawn.chance(), method: "simulation", interval });
    Ok(found)
}

pub(super) fn stated(t: &IgniterType) -> StatedCurrents {
    StatedCurrents {
        no_fire: t.no_fire_current.map(|a| a.as_f64()).filter(|a| *a > 0.0),
        all_fire: t.all_fire_current.map(|a| a.as_f64()).filter(|a| *a > 0.0),
        series: t.series_current.map(|a| a.as_f64()).filter(|a| *a > 0.0),
    }
}

pub(super) fn fire(context: &Context, args: &FireArgs) -> Result<(), CliError> {
    let wiring = match parsed::<WiringKind>(&args.wiring)? {
        WiringKind::Single => Wiring::Single,
        WiringKind::Series => Wiring::Series,
        WiringKind::Parallel => Wiring::Parallel,
        WiringKind::SeriesParallel => Wiring::SeriesParallel(args.strings.clone()),
    };
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let kinds = kinds(&ledger, &args.igniters)?;
    let found = work_out(&ledger, args, &kinds, &wiring)?;
    let least = found.amperes.iter().copied().fold(f64::INFINITY, f64::min);
    let most = found.amperes.iter().copied().fold(0.0, f64::max);
    let mut margin_rows = Vec::new();
    for k in &kinds {
        let m = margins(&stated(&k.value), least).map_err(|e| circuit_error(&e))?;
        margin_rows.push((k.value.name.clone(), m));
    }
    if context.json {
        let margins = margin_rows.iter().map(|(name, m)| {
            json!({
                "type": name,
                "over_no_fire": m.over_no_fire,
                "over_all_fire": m.over_all_fire,
                "over_series": m.over_series,
            })
        });
        let chance = found.chance.as_ref().map(|c| {
            json!({ "value": c.value, "method": c.method, "low": c.interval.map(|i| i.0), "high": c.interval.map(|i| i.1) })
        });
        let used: Vec<Value> = kinds.iter().map(|k| used(args, &k.value)).collect();
        let warnings: Vec<Value> =
            found.advice.iter().map(|a| json!({ "code": a.code(), "says": a.sentence() })).collect();
        let answer = json!({
            "wiring": wiring.kind().word(),
            "lead_ohm": found.lead_ohm,
            "total_ohm": found.total_ohm,
            "first_amperes": found.amperes,
            "margins": margins.collect::<Vec<_>>(),
            "chance_all_fire": chance,
            "used": used,
            "missing": found.missing,
            "lag_needed_ms": found.lag_needed_ms,
            "longest": found.longest.map(|(length, chance)| json!({ "length": length, "chance": chance })),
            "longest_proved": found.proven,
            "warnings": warnings,
            "caution": CURRENT_CAUTION,
        });
        return output::json(&Answer::new(answer, session.problems()));
    }
    line(&format!(
        "{} igniters, {}: {:.2} Ω in all, of it {:.2} Ω leads; {} at the beginning of the pulse.",
        found.amperes.len(),
        wiring.kind(),
        found.total_ohm,
        found.lead_ohm,
        if most - least < 5e-4 { format!("{least:.3} A in each") } else { format!("{least:.3} to {most:.3} A") }
    ))?;
    for (name, m) in &margin_rows {
        let times = |over: Option<f64>, what: &str| over.map(|o| format!("{o:.2} times the {what} current"));
        let all =
            [times(m.over_no_fire, "no-fire"), times(m.over_all_fire, "all-fire"), times(m.over_series, "series")];
        let all: Vec<String> = all.into_iter().flatten().collect();
        if !all.is_empty() {
            line(&format!("{name}: {}.", all.join(", ")))?;
        }
    }
    match &found.chance {
        Some(c) => {
            let within = c.interval.map_or_else(String::new, |(low, high)| {
                format!(", {} to {} from {} pulses", percent(low), percent(high), args.runs)
            });
            line(&format!("Chance that all fire: {} ({}{within}).", percent(c.value), c.method))?;
        }
        None => line(&format!("The chance that all fire is not known; it takes {}.", found.missing.join("; ")))?,
    }
    if let Some(ms) = found.lag_needed_ms {
        line(&format!(
            "The quickest must stay closed {ms:.2} ms after its ignition for the slowest to have its impulse (means less and \
             more three standard deviations)."
        ))?;
    }
    if let Some((length, chance)) = found.longest {
        line(&format!(
            "By this reckoning a string of up to {length} fires whole with a chance of at least {} ({}).",
            percent(args.reliability),
            percent(chance)
        ))?;
    }
    for a in &found.advice {
        line(&format!("! {}", a.sentence()))?;
    }
    say(&format!("\n{CURRENT_CAUTION}"));
    Ok(())
}
