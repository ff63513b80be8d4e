//! Decisions: rulings, matches, withdrawals, making safe; and the weather.

use embertally_core::facts::{
    Cause, Fact, FactId, Ignition, MadeSafe, Match, Moment, OutingId, Reading, Ruling, ShotId, Transfer, Withdrawal,
};
use embertally_core::ledger::{Ledger, LiveReason};
use embertally_core::log::Home;
use serde_json::json;

use super::Context;
use super::rates::parsed;
use super::volley::conditions;
use crate::args::{RuleAction, RuleArgs, SafeArgs, WeatherArgs, WithdrawArgs};
use crate::error::CliError;
use crate::names::{find_shot, find_volley, outing_of, person_of, short_shot};
use crate::output::{self, say};
use crate::session::{Session, now};

/// Returns the outing of a shot that is in the ledger.
fn outing_of_shot(ledger: &Ledger, shot: ShotId) -> Result<OutingId, CliError> {
    let found = ledger.volley(shot.volley).map(|v| v.volley.outing);
    found.ok_or_else(|| CliError::refused("E_NOT_FOUND", "That shot is not in the log."))
}

fn write(context: &Context, session: &mut Session, outing: OutingId, fact: Fact, said: &str) -> Result<(), CliError> {
    let mut entry = session.entry();
    let id = entry.state(fact);
    session.write_to(Home::Outing(outing), &entry)?;
    if context.json {
        return output::json(&json!({ "saved": true, "fact": id.to_string() }));
    }
    say(&format!("Saved on this device: {said}."));
    Ok(())
}

pub(super) fn rule(context: &Context, args: &RuleArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    match &args.action {
        RuleAction::Shot { shot, ignition, transfer, cause, reason, by } => {
            let shot = find_shot(&ledger, shot)?;
            if ignition.is_none() && transfer.is_none() && cause.is_none() {
                return Err(CliError::Usage("Say what is decided: --ignition, --transfer or --cause.".to_owned()));
            }
            if reason.trim().is_empty() {
                return Err(CliError::Usage("A ruling needs a reason.".to_owned()));
            }
            let by = person_of(&session, &ledger, by.as_deref())?;
            let ruling = Ruling {
                shot,
                ignition: ignition.as_deref().map(parsed::<Ignition>).transpose()?,
                transfer: transfer.as_deref().map(parsed::<Transfer>).transpose()?,
                cause: cause.as_deref().map(parsed::<Cause>).transpose()?,
                reason: reason.clone(),
                by,
            };
            // Rulings on the same shot by the same person follow on each other; others' stay and may contradict.
            let before = ledger.finding(shot).map(|s| s.rulings()).unwrap_or_default();
            let own: Vec<FactId> = before.into_iter().filter(|(_, r)| r.by == by).map(|(id, _)| id).collect();
            let outing = outing_of_shot(&ledger, shot)?;
            let mut entry = session.entry();
            match own.as_slice() {
                [] => drop(entry.state(Fact::Ruling(ruling))),
                all => all.iter().for_each(|old| {
                    entry.correct(*old, Fact::Ruling(ruling.clone()));
                }),
            }
            session.write_to(Home::Outing(outing), &entry)?;
            if context.json {
                return output::json(&json!({ "saved": true, "shot": shot.to_string(), "corrected": own.len() }));
            }
            say(&format!("Saved on this device: a ruling on shot {}.", short_shot(shot)));
            Ok(())
        }
        RuleAction::Same { first, second } | RuleAction::Apart { first, second } => {
            let same = matches!(args.action, RuleAction::Same { .. });
            let (first, second) = (find_volley(&ledger, first)?, find_volley(&ledger, second)?);
            if first == second {
                return Err(CliError::Usage("These are one and the same entry.".to_owned()));
            }
            let outing = outing_of_shot(&ledger, ShotId { volley: first, position: 1 })?;
            let by = session.observer()?;
            let said = if same { "the two are one real volley" } else { "the two are different volleys" };
            write(context, &mut session, outing, Fact::Match(Match { first, second, same, by }), said)
        }
    }
}

pub(super) fn withdraw(context: &Context, args: &WithdrawArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let whole = args.fact.parse::<FactId>().ok();
    let typed = args.fact.as_str();
    // A volley may be named shortly; any other fact by its whole id.
    let fact = match whole {
        Some(fact) => fact,
        None => find_volley(&ledger, typed)?.0,
    };
    if args.reason.trim().is_empty() {
        return Err(CliError::Usage("A withdrawal needs a reason.".to_owned()));
    }
    let mut home = None;
    session.log.replay(|document, entry| {
        if entry.id == fact.entry && usize::from(fact.place) < entry.facts.len() {
            home = Some(document.home());
        }
    })?;
    let home = home.ok_or_else(|| CliError::refused("E_NOT_FOUND", format!("No fact {fact} is in the log.")))?;
    let mut entry = session.entry();
    entry.state(Fact::Withdrawal(Withdrawal { fact, reason: args.reason.clone() }));
    session.write_to(home, &entry)?;
    if context.json {
        return output::json(&json!({ "saved": true, "fact": fact.to_string() }));
    }
    say("Saved on this device: the fact is withdrawn. It stays in the log and no longer counts.");
    Ok(())
}

pub(super) fn safe(context: &Context, args: &SafeArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let shots: Vec<ShotId> = if args.all {
        let outing = outing_of(&session, &ledger, args.outing.as_deref())?;
        ledger.live().iter().filter(|l| l.shot.outing == outing && l.reason != LiveReason::Unseen).map(|l| l.shot.id).collect()
    } else {
        args.shots.iter().map(|s| find_shot(&ledger, s)).collect::<Result<_, _>>()?
    };
    if shots.is_empty() {
        return Err(CliError::refused("E_NOTHING_LIVE", "Nothing of that outing is on the live list."));
    }
    let by = person_of(&session, &ledger, args.by.as_deref())?;
    let at = Some(now());
    let mut by_outing: Vec<(OutingId, Vec<ShotId>)> = Vec::new();
    for shot in shots {
        let outing = outing_of_shot(&ledger, shot)?;
        match by_outing.iter_mut().find(|(o, _)| *o == outing) {
            Some((_, list)) => list.push(shot),
            None => by_outing.push((outing, vec![shot])),
        }
    }
    let mut count = 0;
    let mut entries = Vec::new();
    for (outing, shots) in by_outing {
        count += shots.len();
        let mut entry = session.entry();
        entry.state(Fact::MadeSafe(MadeSafe { shots, by, at, how: args.how.clone() }));
        entries.push((Home::Outing(outing), entry));
    }
    session.log.write_all(&entries)?;
    if context.json {
        return output::json(&json!({ "saved": true, "shots": count }));
    }
    say(&format!("Saved on this device: {count} made safe."));
    Ok(())
}

pub(super) fn weather(context: &Context, args: &WeatherArgs) -> Result<(), CliError> {
    let mut session = context.open()?;
    let ledger = session.register_ledger(None)?;
    let outing = match args.outing.as_deref() {
        Some(name) => {
            let id = OutingId::named(name);
            let ledger = session.register_ledger(Some(id))?;
            outing_of(&session, &ledger, Some(name))?
        }
        None => outing_of(&session, &ledger, None)?,
    };
    if let Some(file) = &args.file {
        return super::files::weather(context, &mut session, outing, file, args.source.as_deref());
    }
    let conditions = conditions(&args.conditions)?;
    if conditions.is_empty() {
        return Err(CliError::Usage(
            "Say what was read: --temperature, --humidity, --wind, --precipitation, or --file.".to_owned(),
        ));
    }
    let at = args.at.as_deref().map(parsed::<Moment>).transpose()?.unwrap_or_else(now);
    let reading = Reading { outing, at, conditions, source: args.source.clone() };
    write(context, &mut session, outing, Fact::Reading(reading), "a weather reading")
}
