//! The crew's register: igniter types, lots, fuses, firing modules, outings.

use embertally_core::facts::{
    Capacitance, Current, Date, Fact, FactId, FiringModule, Fuse, FuseId, FuseKind, IgniterType, Impulse, Lag, Lot,
    LotId, ModuleId, Outing, OutingId, OutingKind, RegisterId, Resistance, SourceKind, TypeId, Voltage,
};
use embertally_core::ledger::{Ledger, Registered};
use serde_json::{Value, json};

use super::Context;
use super::rates::parsed;
use crate::args::{
    FuseAction, FuseArgs, LotAction, LotArgs, ModuleAction, ModuleArgs, OutingAction, OutingArgs, TypeAction, TypeArgs,
};
use crate::error::CliError;
use crate::names::{name_given, unknown};
use crate::output::{self, Answer, say, table};
use crate::session::{Session, now};

/// Reads a measure in its unit, or says that it is out of range.
pub(super) fn measure<T>(
    value: Option<f64>,
    what: &str,
    read: impl Fn(f64) -> Option<T>,
) -> Result<Option<T>, CliError> {
    value.map(|v| read(v).ok_or_else(|| CliError::Usage(format!("{v} is not a possible {what}.")))).transpose()
}

/// Writes a fact of the register; if it is there already, as a correction of what is known, so that nothing is stated
/// twice and nothing that was stated is lost.
pub(super) fn state<T>(
    context: &Context,
    session: &mut Session,
    known: Option<&Registered<T>>,
    fact: Fact,
    said: &str,
) -> Result<(), CliError> {
    let mut entry = session.entry();
    let replaces: Vec<FactId> = known.map(|k| k.facts.clone()).unwrap_or_default();
    match replaces.as_slice() {
        [] => drop(entry.state(fact)),
        // Several devices may have stated it; all of them are corrected at once.
        all => all.iter().for_each(|old| {
            entry.correct(*old, fact.clone());
        }),
    }
    session.write(&mut entry)?;
    if context.json {
        return output::json(&json!({ "saved": true, "entry": entry.id.to_string(), "corrected": replaces.len() }));
    }
    say(&format!("Saved on this device: {said}."));
    Ok(())
}

/// Prints a list, by name, as a table or as JSON.
pub(super) fn list(
    context: &Context,
    headers: &[&str],
    right: &[usize],
    rows: Vec<Vec<Value>>,
) -> Result<(), CliError> {
    list_of(context, None, headers, right, rows)
}

/// The same of a list that says whether all of the log could be read for it.
fn list_of(
    context: &Context,
    problems: Option<Vec<String>>,
    headers: &[&str],
    right: &[usize],
    mut rows: Vec<Vec<Value>>,
) -> Result<(), CliError> {
    // The register is ordered by ids, which to a person is no order. In the crew's list the kind stands first.
    rows.sort_by_cached_key(|row| {
        row.iter().take(2).map(|v| v.as_str().unwrap_or("").to_lowercase()).collect::<Vec<_>>()
    });
    if context.json {
        let object = |row: Vec<Value>| -> Value {
            let key = |h: &&str| h.to_lowercase().replace([' ', '-'], "_");
            headers.iter().map(key).zip(row).collect::<serde_json::Map<_, _>>().into()
        };
        let object = json!({ "rows": rows.into_iter().map(object).collect::<Vec<_>>() });
        return match problems {
            Some(problems) => output::json(&Answer::new(object, problems)),
            None => output::json(&object),
        };
    }
    if rows.is_empty() {
        return output::line("Nothing is in the register yet.");
    }
    let text = |value: Value| match value {
        Value::Null => String::new(),
        Value::String(s) => s,
        other => other.to_string(),
    };
    output::line(&table(headers, right, rows.into_iter().map(|r| r.into_iter().map(text).collect()).collect()))
}

/// Opens the log with its register. A list is of a log that is there; to state something makes one.
pub(super) fn ledger<A>(context: &Context, action: Option<&A>) -> Result<(Session, Ledger), CliError> {
    let mut session = opened(context, action)?;
    let ledger = session.register_ledger(None)?;
    Ok((session, ledger))
}

fn opened<A>(context: &Context, action: Option<&A>) -> Result<Session, CliError> {
    if action.is_some() { context.open() } else { context.open_to_read() }
}

pub(super) fn igniter_type(context: &Context, args: TypeArgs) -> Result<(), CliError> {
    let (mut session, ledger) = ledger(context, args.action.as_ref())?;
    let register = ledger.register();
    let Some(TypeAction::Add {
        name,
        bridge_ohm,
        no_fire_a,
        all_fire_a,
        series_a,
        impulse,
        impulse_spread,
        lag_ms,
        lag_spread_ms,
        bridge_tolerance_ohm,
        source,
    }) = args.action
    else {
        let rows = register.types().iter().map(|(_, t)| {
            let t = &t.value;
            vec![
                json!(t.name),
                json!(t.bridge_resistance.map(|v| v.as_f64())),
                json!(t.no_fire_current.map(|v| v.as_f64())),
                json!(t.all_fire_current.map(|v| v.as_f64())),
                json!(t.series_current.map(|v| v.as_f64())),
                json!(t.firing_impulse.map(|v| v.as_f64())),
                json!(t.impulse_spread.map(|v| v.as_f64())),
                json!(t.lag.map(|v| v.as_f64())),
                json!(t.lag_spread.map(|v| v.as_f64())),
                json!(t.bridge_tolerance.map(|v| v.as_f64())),
                json!(t.source),
            ]
        });
        let headers = [
            "type",
            "bridge ohm",
            "no-fire A",
            "all-fire A",
            "series A",
            "impulse mJ per ohm",
            "impulse spread",
            "lag ms",
            "lag spread ms",
            "bridge tolerance ohm",
            "source",
        ];
        return list(context, &headers, &[1, 2, 3, 4, 5, 6, 7, 8, 9], rows.collect());
    };
    let name = name_given(&name)?;
    let known = register.types().get(TypeId::named(&name));
    let old = known.map(|k| &k.value);
    let fact = IgniterType {
        bridge_resistance: measure(bridge_ohm, "bridge resistance in ohm", Resistance::from_f64)?
            .or(old.and_then(|o| o.bridge_resistance)),
        no_fire_current: measure(no_fire_a, "current in ampere", Current::from_f64)?
            .or(old.and_then(|o| o.no_fire_current)),
        all_fire_current: measure(all_fire_a, "current in ampere", Current::from_f64)?
            .or(old.and_then(|o| o.all_fire_current)),
        series_current: measure(series_a, "current in ampere", Current::from_f64)?
            .or(old.and_then(|o| o.series_current)),
        firing_impulse: measure(impulse, "firing impulse in mJ/ohm", Impulse::from_f64)?
            .or(old.and_then(|o| o.firing_impulse)),
        impulse_spread: measure(impulse_spread, "spread of the firing impulse in mJ/ohm", Impulse::from_f64)?
            .or(old.and_then(|o| o.impulse_spread)),
        lag: measure(lag_ms, "lag in milliseconds", Lag::from_f64)?.or(old.and_then(|o| o.lag)),
        lag_spread: measure(lag_spread_ms, "spread of the lag in milliseconds", Lag::from_f64)?
            .or(old.and_then(|o| o.lag_spread)),
        bridge_tolerance: measure(bridge_tolerance_ohm, "tolerance in ohm", Resistance::from_f64)?
            .or(old.and_then(|o| o.bridge_tolerance)),
        source: source.or_else(|| old.and_then(|o| o.source.clone())),
        name,
    };
    if let (Some(no), Some(all)) = (fact.no_fire_current, fact.all_fire_current)
        && no >= all
    {
        return Err(CliError::Usage(format!("The no-fire current ({no}) must be below the all-fire current ({all}).")));
    }
    let said = format!("igniter type {}", fact.name);
    state(context, &mut session, known, Fact::IgniterType(fact), &said)
}

pub(super) fn lot(context: &Context, args: LotArgs) -> Result<(), CliError> {
    let (mut session, ledger) = ledger(context, args.action.as_ref())?;
    let register = ledger.register();
    match args.action {
        None => {
            let today = now().date();
            let labels = session.log.labels()?;
            let rows = register.lots().iter().map(|(id, lot)| {
                let lot = &lot.value;
                let igniter_type = lot.igniter_type.and_then(|t| register.types().get(t)).map(|t| t.value.name.clone());
                let past = lot.use_by.is_some_and(|d| today.is_some_and(|t| d < t));
                let description = labels
                    .iter()
                    .find(|l| l.subject == RegisterId::Lot(id) && l.field == DESCRIPTION)
                    .map(|l| l.others.iter().fold(l.text.clone(), |all, other| format!("{all} / {other}")));
                vec![
                    json!(lot.mark),
                    json!(igniter_type),
                    json!(lot.made_on.map(|d| d.to_string())),
                    json!(lot.use_by.map(|d| d.to_string())),
                    if past { json!("past use-by") } else { Value::Null },
                    json!(lot.count),
                    json!(lot.storage),
                    json!(description),
                ]
            });
            let headers = ["lot", "type", "made on", "use by", "flag", "count", "storage", "description"];
            list(context, &headers, &[5], rows.collect())
        }
        Some(LotAction::Add { mark, igniter_type, made_on, use_by, count, storage }) => {
            let mark = name_given(&mark)?;
            let known = register.lots().get(LotId::named(&mark));
            let old = known.map(|k| &k.value);
            let type_id = match igniter_type {
                Some(name) => {
                    let id = TypeId::named(&name);
                    if register.types().get(id).is_none() {
                        let known = register.types().iter().map(|(_, t)| t.value.name.clone()).collect();
                        return Err(unknown("igniter type", &name, known, "embertally type add"));
                    }
                    Some(id)
                }
                None => old.and_then(|o| o.igniter_type),
            };
            let date = |text: Option<String>| text.map(|t| parsed::<Date>(&t)).transpose();
            let fact = Lot {
                igniter_type: type_id,
                made_on: date(made_on)?.or(old.and_then(|o| o.made_on)),
                use_by: date(use_by)?.or(old.and_then(|o| o.use_by)),
                count: count.or(old.and_then(|o| o.count)),
                storage: storage.or_else(|| old.and_then(|o| o.storage.clone())),
                mark,
            };
            if fact.made_on.is_some() && fact.use_by.is_some() && fact.made_on > fact.use_by {
                return Err(CliError::Usage("The lot's use-by is before the day it was made.".to_owned()));
            }
            let said = format!("lot {}", fact.mark);
            state(context, &mut session, known, Fact::Lot(fact), &said)
        }
        Some(LotAction::Describe { mark, text }) => {
            let id = LotId::named(&mark);
            if register.lots().get(id).is_none() {
                let known = register.lots().iter().map(|(_, l)| l.value.mark.clone()).collect();
                return Err(unknown("lot", &mark, known, "embertally lot add"));
            }
            session.log.set_label(RegisterId::Lot(id), DESCRIPTION, &text)?;
            say(&format!("Saved on this device: the description of lot {mark}."));
            if context.json { output::json(&json!({ "saved": true })) } else { Ok(()) }
        }
    }
}

/// The label that holds a lot's description.
const DESCRIPTION: &str = "description";

pub(super) fn fuse(context: &Context, args: FuseArgs) -> Result<(), CliError> {
    let (mut session, ledger) = ledger(context, args.action.as_ref())?;
    let register = ledger.register();
    let Some(FuseAction::Add { name, kind, sheath, coupling }) = args.action else {
        let rows = register.fuses().iter().map(|(_, f)| {
            let f = &f.value;
            vec![json!(f.name), json!(f.kind.word()), json!(f.sheath), json!(f.coupling)]
        });
        return list(context, &["fuse", "kind", "sheath", "coupling"], &[], rows.collect());
    };
    let name = name_given(&name)?;
    let known = register.fuses().get(FuseId::named(&name));
    let old = known.map(|k| &k.value);
    let kind = kind.as_deref().map(parsed::<FuseKind>).transpose()?;
    let fact = Fuse {
        kind: kind.or(old.map(|o| o.kind)).unwrap_or(FuseKind::Other),
        sheath: sheath.or_else(|| old.and_then(|o| o.sheath.clone())),
        coupling: coupling.or_else(|| old.and_then(|o| o.coupling.clone())),
        name,
    };
    let said = format!("fuse {}", fact.name);
    state(context, &mut session, known, Fact::Fuse(fact), &said)
}

pub(super) fn module(context: &Context, args: ModuleArgs) -> Result<(), CliError> {
    let (mut session, ledger) = ledger(context, args.action.as_ref())?;
    let register = ledger.register();
    let Some(ModuleAction::Add { name, channels, supply_v, source_ohm, capacitor_uf }) = args.action else {
        let rows = register.modules().iter().map(|(_, m)| {
            let m = &m.value;
            vec![
                json!(m.name),
                json!(m.channels),
                json!(m.source_kind.map(SourceKind::word)),
                json!(m.supply.map(|v| v.as_f64())),
                json!(m.source_resistance.map(|v| v.as_f64())),
                json!(m.capacitance.map(|v| v.as_f64())),
            ]
        });
        let headers = ["module", "channels", "source", "supply V", "source ohm", "capacitor uF"];
        return list(context, &headers, &[1, 3, 4, 5], rows.collect());
    };
    let name = name_given(&name)?;
    let known = register.modules().get(ModuleId::named(&name));
    let old = known.map(|k| &k.value);
    let supply = measure(supply_v, "voltage", Voltage::from_f64)?.or(old.and_then(|o| o.supply));
    let capacitance =
        measure(capacitor_uf, "capacitance in microfarad", Capacitance::from_f64)?.or(old.and_then(|o| o.capacitance));
    let fact = FiringModule {
        channels: channels.or(old.and_then(|o| o.channels)),
        source_kind: match (capacitance, supply) {
            (Some(_), _) => Some(SourceKind::Capacitor),
            (None, Some(_)) => Some(SourceKind::ConstantVoltage),
            (None, None) => None,
        },
        supply,
        source_resistance: measure(source_ohm, "resistance in ohm", Resistance::from_f64)?
            .or(old.and_then(|o| o.source_resistance)),
        capacitance,
        name,
    };
    let said = format!("firing module {}", fact.name);
    state(context, &mut session, known, Fact::Module(fact), &said)
}

/// Says whether an outing is sealed, and how much came after.
fn sealed(session: &mut Session, outing: OutingId) -> Result<Value, CliError> {
    let seals = session.log.seals(outing)?;
    let Some(last) = seals.last() else { return Ok(Value::Null) };
    let after = session.log.held_in(outing)?.into_keys().filter(|entry| !last.holds(*entry)).count();
    Ok(json!(if after > 0 { format!("sealed, {after} after the seal") } else { "sealed".to_owned() }))
}

pub(super) fn outing(context: &Context, args: OutingArgs) -> Result<(), CliError> {
    let mut session = opened(context, args.action.as_ref())?;
    match args.action {
        None => {
            let current = session.current_outing()?;
            let mut rows: Vec<(OutingId, u64, u64, String)> = Vec::new();
            // The counts are the index's; the log is read all the same, for only so is damage seen.
            session.log.replay(|_, _| ())?;
            session.tell_problems();
            for listed in session.log.list()? {
                let embertally_core::facts::DocumentId::Outing { outing, .. } = listed.document else { continue };
                let summary = listed.summary;
                match rows.iter_mut().find(|(id, ..)| *id == outing) {
                    Some((_, entries, shots, title)) => {
                        *entries += summary.entries;
                        *shots += summary.shots;
                        if title.is_empty() {
                            *title = summary.title;
                        }
                    }
                    None => rows.push((outing, summary.entries, summary.shots, summary.title)),
                }
            }
            let mut cells = Vec::new();
            for (id, entries, shots, title) in rows {
                let here = if current == Some(id) { json!("this device is here") } else { Value::Null };
                let title = if title.is_empty() { id.to_string() } else { title };
                cells.push(vec![json!(title), json!(entries), json!(shots), here, sealed(&mut session, id)?]);
            }
            let problems = Some(session.problems());
            list_of(context, problems, &["outing", "entries", "shots", "note", "seal"], &[1, 2], cells)
        }
        Some(OutingAction::Begin { name, kind, place, slow_ms, wait_min }) => {
            let fact = Outing {
                name: name_given(&name)?,
                kind: parsed::<OutingKind>(&kind)?,
                place,
                begins: Some(now()),
                slow_limit_ms: slow_ms,
                wait_minutes: wait_min,
            };
            let id = fact.id();
            let ledger = session.register_ledger(Some(id))?;
            if ledger.register().outings().get(id).is_some() {
                return Err(CliError::refused(
                    "E_EXISTS",
                    format!(
                        "There is an outing called {:?} already. Go to it with `embertally outing go`, or put the date \
                         in the name of the new one.",
                        fact.name
                    ),
                ));
            }
            let said = format!("outing {} ({}); this device is there now", fact.name, fact.kind);
            state::<Outing>(context, &mut session, None, Fact::Outing(fact), &said)?;
            session.set_outing(id)
        }
        Some(OutingAction::Go { name }) => {
            let id = OutingId::named(&name);
            let titles = session.log.list()?.into_iter().filter_map(|l| match l.document {
                embertally_core::facts::DocumentId::Outing { outing, .. } => Some((outing, l.summary.title)),
                _ => None,
            });
            let titles: Vec<_> = titles.collect();
            if titles.iter().all(|(outing, _)| *outing != id) {
                let known = titles.into_iter().map(|(_, title)| title).filter(|t| !t.is_empty()).collect();
                return Err(unknown("outing", &name, known, "embertally outing begin"));
            }
            session.set_outing(id)?;
            say(&format!("This device is at {name} now."));
            if context.json { output::json(&json!({ "saved": true })) } else { Ok(()) }
        }
    }
}
