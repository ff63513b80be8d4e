//! Logging volleys, and what others saw of them.

use std::collections::HashSet;

use embertally_core::facts::{
    Cause, Conditions, CrossSection, Delay, Device, Fact, FiringModule, Fuse, FuseId, FuseKind, Humidity, Ignition,
    Leads, Length, Lot, LotId, ModuleId, Moment, OutingId, Precipitation, Shot, Sighting, Sightings, Temperature,
    Transfer, Volley, VolleyId, WindSpeed, Wiring, WiringKind,
};
use embertally_core::ledger::{Ledger, Observer};
use embertally_core::log::Home;
use serde_json::json;

use super::Context;
use super::rates::parsed;
use super::register::measure;
use crate::args::{ConditionArgs, SeenDetail, SightArgs, VolleyArgs};
use crate::error::{CliError, sentence};
use crate::names::{find_volley, name_given, outing_of, person_of, short_volley, unknown};
use crate::output::{self, CAUTION, counted, say};
use crate::seen::{Seen, Units, parse_seen, parse_units};
use crate::session::{Session, now};

fn wrong(text: String) -> CliError {
    CliError::Usage(sentence(&text))
}

/// Reads weather as typed.
pub(super) fn conditions(args: &ConditionArgs) -> Result<Conditions, CliError> {
    let percent = |v: f64| Humidity::from_f64(v).filter(|h| h.0 <= 1000);
    let above_absolute_zero = |v: f64| Temperature::from_f64(v).filter(|t| t.0 > -27_315);
    Ok(Conditions {
        temperature: measure(args.temperature, "temperature in degrees Celsius", above_absolute_zero)?,
        humidity: measure(args.humidity, "relative humidity in percent", percent)?,
        wind: measure(args.wind, "wind in metres a second", WindSpeed::from_f64)?,
        precipitation: args.precipitation.as_deref().map(parsed::<Precipitation>).transpose()?,
    })
}

/// The units in the order of the wiring: lot, and label where there is one.
fn laid_out(units: &[Units], shots: usize) -> Result<Vec<(String, Option<String>)>, CliError> {
    if let [Units { lot, labels }] = units
        && labels.is_empty()
    {
        return Ok(vec![(lot.clone(), None); shots]);
    }
    let of = |u: &Units| u.labels.iter().map(|l| (u.lot.clone(), Some(l.clone()))).collect::<Vec<_>>();
    let all: Vec<_> = units.iter().flat_map(of).collect();
    if units.iter().any(|u| u.labels.is_empty()) {
        return Err(CliError::Usage(
            "In a volley of several lots every lot needs its units, such as KB-104:1-2.".into(),
        ));
    }
    if all.len() != shots {
        return Err(CliError::Usage(format!(
            "There are {} and {}; they must be as many.",
            counted(all.len(), "unit", "units"),
            counted(shots, "shot", "shots")
        )));
    }
    Ok(all)
}

fn wiring(args: &VolleyArgs, shots: usize) -> Result<Wiring, CliError> {
    let kind = match args.wiring.as_deref() {
        Some(word) => parsed::<WiringKind>(word)?,
        None if shots == 1 => WiringKind::Single,
        None => {
            return Err(CliError::Usage(
                "Say how the volley was wired: --wiring series, parallel or series-parallel.".to_owned(),
            ));
        }
    };
    if kind != WiringKind::SeriesParallel && !args.strings.is_empty() {
        return Err(CliError::Usage("--strings goes with --wiring series-parallel.".to_owned()));
    }
    Ok(match kind {
        WiringKind::Single if shots > 1 => {
            return Err(CliError::Usage(format!(
                "{shots} shots on one pulse are not single; say how they were wired."
            )));
        }
        WiringKind::Single => Wiring::Single,
        WiringKind::Series => Wiring::Series,
        WiringKind::Parallel => Wiring::Parallel,
        WiringKind::SeriesParallel => {
            let sum: usize = args.strings.iter().map(|n| usize::from(*n)).sum();
            if !args.strings.is_empty() && sum != shots {
                return Err(CliError::Usage(format!("The strings hold {sum} shots, the volley {shots}.")));
            }
            Wiring::SeriesParallel(args.strings.clone())
        }
    })
}

/// One item a shot; empty items say nothing.
fn per_shot<T>(
    list: &[String],
    shots: usize,
    what: &str,
    read: impl Fn(&str) -> Result<T, CliError>,
) -> Result<Vec<Option<T>>, CliError> {
    if list.is_empty() {
        return Ok((0..shots).map(|_| None).collect());
    }
    if list.len() != shots {
        return Err(CliError::Usage(format!(
            "{what} has {} for {}.",
            counted(list.len(), "item", "items"),
            counted(shots, "shot", "shots")
        )));
    }
    list.iter().map(|t| t.trim()).map(|t| if t.is_empty() { Ok(None) } else { read(t).map(Some) }).collect()
}

fn micros(ms: &str) -> Result<u32, CliError> {
    let bad = || CliError::Usage(format!("{ms:?} is not a number of milliseconds."));
    let us = ms.trim().parse::<f64>().map_err(|_| bad())? * 1000.0;
    if (0.0..=f64::from(u32::MAX)).contains(&us) { Ok(us.round() as u32) } else { Err(bad()) }
}

fn delays(detail: &SeenDetail, shots: usize) -> Result<Vec<Option<Delay>>, CliError> {
    let contradiction = |e: embertally_core::facts::DelayError| wrong(e.to_string());
    if !detail.light.is_empty() {
        let (pulse, fps) = (detail.pulse.unwrap_or_default(), detail.fps.unwrap_or_default());
        let rate = (fps * 1000.0).round();
        if !(1.0..=f64::from(u32::MAX)).contains(&rate) {
            return Err(CliError::Usage(format!("{fps} is not a possible frame rate.")));
        }
        return per_shot(&detail.light, shots, "--light", |t| {
            let light = t.parse().map_err(|_| CliError::Usage(format!("{t:?} is not a frame number.")))?;
            Delay::from_clip(pulse, light, rate as u32).map_err(contradiction)
        });
    }
    per_shot(&detail.delay_ms, shots, "--delay-ms", |t| match t.split_once('-') {
        Some((low, high)) => Delay::stated(micros(low)?, micros(high)?).map_err(contradiction),
        None => Err(CliError::Usage(format!(
            "{t:?} is a bare number, and no way of measuring gives one; write the interval, such as 100-140."
        ))),
    })
}

/// What was typed, as sightings.
fn sightings(
    seen: &[Seen],
    detail: &SeenDetail,
    has_fuse: impl Fn(usize) -> bool,
    no_fuse: &str,
) -> Result<Vec<Sighting>, CliError> {
    let delays = delays(detail, seen.len())?;
    let strengths = per_shot(&detail.strength, seen.len(), "--strength", |t| {
        let grade = t.parse::<u8>().ok().filter(|g| (1..=5).contains(g));
        grade.ok_or_else(|| CliError::Usage(format!("{t:?} is not a strength from 1 to 5.")))
    })?;
    let cause = detail.cause.as_deref().map(parsed::<Cause>).transpose()?;
    // A fuse that was not lit may still be smouldering: that must not become "no fuse" because its name was left out.
    let without = seen.iter().enumerate().find(|(i, seen)| seen.speaks_of_fuse() && !has_fuse(*i));
    if let Some((i, seen)) = without {
        return Err(CliError::Usage(format!(
            "Shot {} is {}, and it has no fuse by name. {no_fuse}",
            i + 1,
            match (seen.ignition, seen.transfer) {
                (Ignition::Slow, _) => "w (slow, fuse not lit)",
                (_, Transfer::Unseen) => "n (fired, fuse not seen)",
                _ => "u (fired, fuse not lit)",
            }
        )));
    }
    let shots = seen.iter().zip(delays).zip(strengths).enumerate();
    Ok(shots
        .map(|(i, ((seen, delay), strength))| Sighting {
            position: i as u16 + 1,
            ignition: seen.ignition,
            transfer: if has_fuse(i) { seen.transfer } else { Transfer::NoFuse },
            delay,
            strength,
            cause: cause.filter(|_| seen.ignition == Ignition::Failed),
            note: detail.note.clone().filter(|_| i == 0),
        })
        .collect())
}

/// Refuses what is no name, where it would be written.
fn name_to_add(args: &VolleyArgs, name: &str) -> Result<(), CliError> {
    if args.new { name_given(name).map(drop) } else { Ok(()) }
}

/// Adds to the register what it does not hold yet, or refuses the names.
fn known_or_new(session: &mut Session, ledger: &Ledger, args: &VolleyArgs, lots: &[String]) -> Result<(), CliError> {
    let register = ledger.register();
    let mut new = Vec::new();
    for mark in lots {
        if register.lots().get(LotId::named(mark)).is_none() {
            let known = register.lots().iter().map(|(_, l)| l.value.mark.clone()).collect();
            name_to_add(args, mark)?;
            new.push((
                "lot",
                mark,
                known,
                "embertally lot add",
                Fact::Lot(Lot {
                    mark: mark.clone(),
                    igniter_type: None,
                    made_on: None,
                    use_by: None,
                    count: None,
                    storage: None,
                }),
            ));
        }
    }
    if let Some(name) = args.fuse.as_ref().filter(|n| register.fuses().get(FuseId::named(n)).is_none()) {
        let known = register.fuses().iter().map(|(_, f)| f.value.name.clone()).collect();
        name_to_add(args, name)?;
        let kind = name.parse().unwrap_or(FuseKind::Other);
        let fact = Fact::Fuse(Fuse { name: name.clone(), kind, sheath: None, coupling: None });
        new.push(("fuse", name, known, "embertally fuse add", fact));
    }
    if let Some(name) = args.module.as_ref().filter(|n| register.modules().get(ModuleId::named(n)).is_none()) {
        let known = register.modules().iter().map(|(_, m)| m.value.name.clone()).collect();
        name_to_add(args, name)?;
        let fact = Fact::Module(FiringModule {
            name: name.clone(),
            channels: None,
            source_kind: None,
            supply: None,
            source_resistance: None,
            capacitance: None,
        });
        new.push(("firing module", name, known, "embertally module add", fact));
    }
    if new.is_empty() {
        return Ok(());
    }
    if !args.new {
        let (what, name, known, add, _) = new.swap_remove(0);
        let error = unknown(what, name, known, add);
        return Err(CliError::refused(error.code(), format!("{error} To add names as you log, give --new.")));
    }
    let mut entry = session.entry();
    for (what, name, _, _, fact) in new {
        say(&format!("New in the register: {what} {name}."));
        entry.state(fact);
    }
    session.write_to(Home::Register, &mut entry)?;
    Ok(())
}

/// Refuses a unit that stands twice in one volley: one igniter has one place in the wiring.
fn no_unit_twice(units: &[(LotId, String, Option<String>)]) -> Result<(), CliError> {
    let mut known = HashSet::new();
    for (lot, mark, unit) in units {
        let Some(unit) = unit else { continue };
        if !known.insert((*lot, embertally_core::facts::comparable_name(unit))) {
            return Err(CliError::Usage(format!("Unit {unit} of lot {mark} stands twice in this volley.")));
        }
    }
    Ok(())
}

/// Tells which attempt each unit is at, or refuses one that was tried before without --retry. Units are an outing's own:
/// the ledger holds that outing alone.
fn attempts(
    ledger: &Ledger,
    outing: OutingId,
    units: &[(LotId, String, Option<String>)],
    retry: bool,
) -> Result<Vec<u8>, CliError> {
    let mut attempts = Vec::new();
    let mut untried = Vec::new();
    let labelled: Vec<(LotId, &str)> =
        units.iter().filter_map(|(lot, _, unit)| Some((*lot, unit.as_deref()?))).collect();
    let mut last = ledger.last_tries(outing, &labelled).into_iter();
    for (_, mark, unit) in units {
        let Some(unit) = unit else {
            attempts.push(1 + u8::from(retry));
            continue;
        };
        match last.next().flatten() {
            None => {
                untried.push(format!("{unit} of lot {mark}"));
                attempts.push(1);
            }
            Some(shot) if retry => attempts.push(shot.attempt.saturating_add(1)),
            Some(shot) => {
                return Err(CliError::refused(
                    "E_TRIED_BEFORE",
                    format!(
                        "Unit {unit} of lot {mark} was tried before, in volley {}. If it is tried again, give --retry; \
                         if somebody else saw that volley too, use `embertally sight`.",
                        short_volley(shot.id.volley)
                    ),
                ));
            }
        }
    }
    if retry && let Some(first) = untried.first() {
        if untried.len() == units.len() {
            let text = format!("Unit {first} was not tried before in this outing; leave --retry out.");
            return Err(CliError::refused("E_NOT_TRIED_BEFORE", text));
        }
        // A retried string may have new igniters in it.
        say(&format!("Not tried before in this outing, and logged as a first try: unit {}.", untried.join(", ")));
    }
    Ok(attempts)
}

/// Makes sure that the register names this device.
fn named_device(session: &mut Session, ledger: &Ledger) -> Result<(), CliError> {
    if ledger.register().devices().get(session.device).is_some() {
        return Ok(());
    }
    let id = session.device.to_string();
    let name = format!("device {}", id.get(id.len().saturating_sub(4)..).unwrap_or_default());
    let mut entry = session.entry();
    entry.state(Fact::Device(Device { id: session.device, name }));
    session.write_to(Home::Register, &mut entry)?;
    Ok(())
}

pub(super) fn volley(context: &Context, args: &VolleyArgs) -> Result<(), CliError> {
    let seen = parse_seen(&args.seen).map_err(wrong)?;
    let units: Vec<Units> = args.units.iter().map(|u| parse_units(u)).collect::<Result<_, _>>().map_err(wrong)?;
    let laid_out = laid_out(&units, seen.len())?;
    let units: Vec<_> = laid_out.into_iter().map(|(mark, unit)| (LotId::named(&mark), mark, unit)).collect();
    no_unit_twice(&units)?;
    for unit in units.iter().filter_map(|(_, _, unit)| unit.as_deref()) {
        name_given(unit)?;
    }
    let label = args.label.as_deref().map(name_given).transpose()?;
    let wiring = wiring(args, seen.len())?;
    let conditions = conditions(&args.conditions)?;
    let leads = match (args.lead_m, args.lead_mm2) {
        (Some(m), Some(mm2)) => Some(Leads {
            length: measure(Some(m), "length in metres", Length::from_f64)?.unwrap_or_default(),
            cross_section: measure(Some(mm2), "cross-section", CrossSection::from_f64)?.unwrap_or_default(),
        }),
        _ => None,
    };
    let at = args.at.as_deref().map(parsed::<Moment>).transpose()?.unwrap_or_else(now);
    let seen = sightings(
        &seen,
        &args.detail,
        |_| args.fuse.is_some(),
        "Name the fuse with --fuse; if there was none, write f or s.",
    )?;

    let mut session = context.open()?;
    let ledger = match &args.outing {
        Some(name) => session.register_ledger(Some(embertally_core::facts::OutingId::named(name)))?,
        None => {
            let here = session.current_outing()?;
            session.register_ledger(here)?
        }
    };
    let outing = outing_of(&session, &ledger, args.outing.as_deref())?;
    let observer = person_of(&session, &ledger, args.detail.observer.as_deref())?;
    let attempts = attempts(&ledger, outing, &units, args.retry)?;
    let marks: Vec<String> = units.iter().map(|(_, mark, _)| mark.clone()).fold(Vec::new(), |mut all, mark| {
        if !all.contains(&mark) {
            all.push(mark);
        }
        all
    });
    known_or_new(&mut session, &ledger, args, &marks)?;
    named_device(&mut session, &ledger)?;

    let fuse = args.fuse.as_deref().map(FuseId::named);
    let shots = units
        .into_iter()
        .zip(attempts)
        .map(|((lot, _, unit), attempt)| Shot { lot, unit, attempt, fuse })
        .collect::<Vec<_>>();
    let failed = seen.iter().filter(|s| matches!(s.ignition, Ignition::Failed | Ignition::Skipped)).count();
    let unlit = seen
        .iter()
        .filter(|s| s.transfer == Transfer::Unlit && matches!(s.ignition, Ignition::Fired | Ignition::Slow))
        .count();
    let count = shots.len();
    let mut entry = session.entry();
    let id = entry.state_volley(Volley {
        outing,
        at: Some(at),
        module: args.module.as_deref().map(ModuleId::named),
        channel: args.channel,
        label,
        wiring,
        leads,
        conditions,
        shots,
    });
    entry.state(Fact::Sightings(Sightings { volley: id, observer, seen }));
    session.write_to(Home::Outing(outing), &mut entry)?;
    let id = VolleyId(entry.own(id.0));
    session.warn_of_standing()?;
    if context.json {
        return output::json(&json!({
            "saved": true, "volley": id.to_string(), "shots": count, "failed_or_not_tried": failed, "unlit": unlit,
        }));
    }
    say(&format!("Saved on this device: volley {}, {}.", short_volley(id), counted(count, "shot", "shots")));
    if !session.log.seals(outing)?.is_empty() {
        say("The outing is sealed: this is marked as after the seal.");
    }
    if failed + unlit > 0 {
        say(&format!("Live now: {failed} failed or not tried, {unlit} fired with the fuse not lit. {CAUTION}"));
    }
    Ok(())
}

pub(super) fn sight(context: &Context, args: &SightArgs) -> Result<(), CliError> {
    let seen = parse_seen(&args.seen).map_err(wrong)?;
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let id = find_volley(&ledger, &args.volley)?;
    let Some(view) = ledger.volley(id) else {
        return Err(CliError::refused("E_NOT_FOUND", "That volley is not in the log."));
    };
    if view.volley.shots.len() != seen.len() {
        return Err(CliError::Usage(format!(
            "That volley has {}; {} described.",
            counted(view.volley.shots.len(), "shot", "shots"),
            counted(seen.len(), "was", "were")
        )));
    }
    let has_fuse = |i: usize| view.volley.shots.get(i).is_some_and(|s| s.fuse.is_some());
    let seen =
        sightings(&seen, &args.detail, has_fuse, "The volley was logged without; if that is right, write f or s.")?;
    let observer = person_of(&session, &ledger, args.detail.observer.as_deref())?;
    // Who sees the same volley again corrects what they said before; others' words stay beside it.
    let own = observer.map_or(Observer::Device(session.device), Observer::Person);
    let before: Vec<_> = view.sightings.iter().filter(|s| s.observer == own).map(|s| s.id).collect();
    let outing = view.volley.outing;
    let mut entry = session.entry();
    let fact = Fact::Sightings(Sightings { volley: VolleyId(id.0), observer, seen });
    match before.first() {
        Some(old) => drop(entry.correct(*old, fact)),
        None => drop(entry.state(fact)),
    }
    session.write_to(Home::Outing(outing), &mut entry)?;
    if context.json {
        return output::json(&json!({ "saved": true, "volley": id.to_string(), "corrected": !before.is_empty() }));
    }
    let corrected = if before.is_empty() { "" } else { " It corrects what the same observer said before." };
    say(&format!("Saved on this device: what was seen of volley {}.{corrected}", short_volley(id)));
    Ok(())
}
