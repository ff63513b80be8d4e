//! Decisions: rulings, matches, withdrawals, making safe; and the weather.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use embertally_core::facts::{
    Cause, Entry, EntryId, Fact, FactId, Ignition, MadeSafe, Match, Moment, OutingId, Reading, Ruling, ShotId,
    Transfer, Withdrawal,
};
use embertally_core::ledger::{Ledger, LiveReason, LiveShot};
use embertally_core::log::Home;
use serde_json::json;

use super::Context;
use super::field::{ledger_and_made_safe, shot_cells};
use super::rates::parsed;
use super::volley::conditions;
use crate::args::{RuleAction, RuleArgs, SafeArgs, WeatherArgs, WithdrawArgs};
use crate::error::CliError;
use crate::names::{find_shot, find_volley, outing_of, person_of, short_shot};
use crate::output::{self, CAUTION, counted, say};
use crate::session::{Session, now};

/// Returns the outing of a shot that is in the ledger.
fn outing_of_shot(ledger: &Ledger, shot: ShotId) -> Result<OutingId, CliError> {
    let found = ledger.volley(shot.volley).map(|v| v.volley.outing);
    found.ok_or_else(|| CliError::refused("E_NOT_FOUND", "That shot is not in the log."))
}

fn write(context: &Context, session: &mut Session, outing: OutingId, fact: Fact, said: &str) -> Result<(), CliError> {
    let mut entry = session.entry();
    let id = entry.state(fact);
    session.write_to(Home::Outing(outing), &mut entry)?;
    let id = entry.own(id);
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
            let mut ruling = Ruling {
                shot,
                ignition: ignition.as_deref().map(parsed::<Ignition>).transpose()?,
                transfer: transfer.as_deref().map(parsed::<Transfer>).transpose()?,
                cause: cause.as_deref().map(parsed::<Cause>).transpose()?,
                reason: reason.clone(),
                by,
            };
            // Rulings on the same shot by the same person follow on each other; others' stay and may contradict.
            let before = ledger.finding(shot).map(|s| s.rulings()).unwrap_or_default();
            let same: Vec<(FactId, &Ruling)> = before.into_iter().filter(|(_, r)| r.by == by).collect();
            let own: Vec<FactId> = if by.is_some() {
                same.iter().map(|(id, _)| *id).collect()
            } else {
                // Where nobody is named it is the device that speaks, and another's word is not this one's to replace.
                let here = written_here(&mut session, &same)?;
                same.iter().map(|(id, _)| *id).filter(|id| here.contains(&id.entry)).collect()
            };
            let kept = ruling.keep_decided(same.iter().filter(|(id, _)| own.contains(id)).map(|(_, r)| *r));
            let outing = outing_of_shot(&ledger, shot)?;
            let mut entry = session.entry();
            match own.as_slice() {
                [] => drop(entry.state(Fact::Ruling(ruling))),
                all => all.iter().for_each(|old| {
                    entry.correct(*old, Fact::Ruling(ruling.clone()));
                }),
            }
            session.write_to(Home::Outing(outing), &mut entry)?;
            if context.json {
                return output::json(
                    &json!({ "saved": true, "shot": shot.to_string(), "corrected": own.len(), "kept": kept }),
                );
            }
            say(&format!("Saved on this device: a ruling on shot {}.", short_shot(shot)));
            if !kept.is_empty() {
                say(&format!("What was ruled before of its {} still holds.", kept.join(" and ")));
            }
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

/// Returns those entries of some rulings that this device wrote.
fn written_here(session: &mut Session, rulings: &[(FactId, &Ruling)]) -> Result<HashSet<EntryId>, CliError> {
    let mut here = HashSet::new();
    if !rulings.is_empty() {
        let device = session.device;
        session.log.replay(|_, entry| {
            if entry.device == device && rulings.iter().any(|(id, _)| id.entry == entry.id) {
                here.insert(entry.id);
            }
        })?;
    }
    Ok(here)
}

/// How many shots are on the live list, those whose fuse nobody saw included.
fn live_count(ledger: &Ledger) -> usize {
    ledger.live().len()
}

pub(super) fn withdraw(context: &Context, args: &WithdrawArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let mut ledger = session.ledger()?;
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
    let (mut home, mut forgets) = (None, false);
    session.log.replay(|document, entry| {
        if entry.id == fact.entry
            && let Some(stated) = entry.facts.get(usize::from(fact.place))
        {
            home = Some(document.home());
            forgets = matches!(stated.fact, Fact::Forgotten(_));
        }
    })?;
    if forgets {
        return Err(CliError::refused(
            "E_FORGOTTEN",
            "What is forgotten cannot be brought back: the name is gone from this device and from every one that has met \
             it since. Nothing was written.",
        ));
    }
    let home = home.ok_or_else(|| CliError::refused("E_NOT_FOUND", format!("No fact {fact} is in the log.")))?;
    let mut entry = session.entry();
    let by_withdrawal = entry.state(Fact::Withdrawal(Withdrawal { fact, reason: args.reason.clone() }));
    session.write_to(home, &mut entry)?;
    let by_withdrawal = entry.own(by_withdrawal);
    let before = live_count(&ledger);
    ledger.add(&entry);
    ledger.settle();
    let after = live_count(&ledger);
    if context.json {
        return output::json(&json!({
            "saved": true, "fact": fact.to_string(), "withdrawal": by_withdrawal.to_string(),
            "live_before": before, "live_after": after,
        }));
    }
    say("Saved on this device: the fact is withdrawn. It stays in the log and no longer counts.");
    if after < before {
        let fewer = counted(before - after, "shot leaves", "shots leave");
        say(&format!(
            "{fewer} the live list by it, and nobody has said that they are safe. If that was a mistake: embertally \
             withdraw {by_withdrawal} --reason …"
        ));
    } else if after > before {
        say(&format!(
            "{} the live list by it. {CAUTION}",
            counted(after - before, "shot comes back to", "shots come back to")
        ));
    }
    Ok(())
}

/// Takes back that shots were made safe.
fn undo_safe(context: &Context, args: &SafeArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let (mut ledger, safe) = ledger_and_made_safe(&mut session)?;
    let mut wanted = Vec::new();
    for text in &args.shots {
        let shot = find_shot(&ledger, text)?;
        let real = ledger.finding(shot).map_or(shot, |s| s.id);
        if safe.iter().all(|s| s.shot != real) {
            let text = format!("Nobody has said that shot {} was made safe.", short_shot(shot));
            return Err(CliError::refused("E_NOT_MADE_SAFE", text));
        }
        wanted.push(real);
    }
    let facts: BTreeMap<FactId, Home> =
        safe.iter().filter(|s| wanted.contains(&s.shot)).map(|s| (s.fact, s.document.home())).collect();
    let reason = args.reason.clone().unwrap_or_else(|| "it was not made safe".to_owned());
    let mut by_home: Vec<(Home, Entry)> = Vec::new();
    for (fact, home) in &facts {
        let withdrawal = Fact::Withdrawal(Withdrawal { fact: *fact, reason: reason.clone() });
        match by_home.iter_mut().find(|(h, _)| h == home) {
            Some((_, entry)) => drop(entry.state(withdrawal)),
            None => {
                let mut entry = session.entry();
                entry.state(withdrawal);
                by_home.push((*home, entry));
            }
        }
    }
    session.write_all(&mut by_home)?;
    by_home.iter().for_each(|(_, entry)| ledger.add(entry));
    ledger.settle();
    // A statement may have named more shots than were asked for; all of them are unsafe again.
    let named: BTreeSet<ShotId> = safe.iter().filter(|s| facts.contains_key(&s.fact)).map(|s| s.shot).collect();
    let again: Vec<_> = ledger.live().into_iter().filter(|l| named.contains(&l.shot.id)).collect();
    if context.json {
        return output::json(&json!({
            "saved": true, "withdrawn": facts.keys().map(ToString::to_string).collect::<Vec<_>>(),
            "live_again": again.iter().map(|l| l.shot.id.to_string()).collect::<Vec<_>>(),
        }));
    }
    say(&format!("Saved on this device: {} live again.", counted(again.len(), "shot is", "shots are")));
    say(&shots_table(&ledger, &again.iter().map(|l| l.shot.id).collect::<Vec<_>>()));
    say(CAUTION);
    Ok(())
}

fn shots_table(ledger: &Ledger, shots: &[ShotId]) -> String {
    let rows = shots.iter().filter_map(|s| Some(shot_cells(ledger, &ledger.finding(*s)?).to_vec()));
    output::table(&["shot", "outing", "where", "position", "what", "fuse"], &[3], rows.collect())
}

pub(super) fn safe(context: &Context, args: &SafeArgs) -> Result<(), CliError> {
    if args.undo {
        return undo_safe(context, args);
    }
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let shots: Vec<ShotId> = if args.all {
        let outing = outing_of(&session, &ledger, args.outing.as_deref())?;
        // What nobody saw is often forgotten rather than made safe, so it takes a word of its own.
        let is_meant =
            |l: &LiveShot<'_>| l.shot.outing == outing && (args.with_unseen || l.reason != LiveReason::Unseen);
        ledger.live().iter().filter(|l| is_meant(l)).map(|l| l.shot.id).collect()
    } else {
        let mut shots = Vec::new();
        for text in &args.shots {
            let shot = find_shot(&ledger, text)?;
            if !shots.contains(&shot) {
                shots.push(shot);
            }
        }
        shots
    };
    if shots.is_empty() {
        return Err(CliError::refused(
            "E_NOTHING_LIVE",
            "Nothing of that outing is on the live list (shots whose fuse nobody saw need --with-unseen).",
        ));
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
    let mut cleared = Vec::new();
    let mut entries = Vec::new();
    for (outing, shots) in by_outing {
        let mut entry = session.entry();
        // A statement for each shot, so that one alone can be taken back.
        for shot in shots {
            entry.state(Fact::MadeSafe(MadeSafe { shots: vec![shot], by, at, how: args.how.clone() }));
            cleared.push(shot);
        }
        entries.push((Home::Outing(outing), entry));
    }
    session.write_all(&mut entries)?;
    let facts: Vec<FactId> = entries.iter().flat_map(|(_, entry)| entry.facts().map(|(id, _)| id)).collect();
    if context.json {
        return output::json(&json!({
            "saved": true, "shots": cleared.len(),
            "cleared": cleared.iter().map(ToString::to_string).collect::<Vec<_>>(),
            "facts": facts.iter().map(ToString::to_string).collect::<Vec<_>>(),
        }));
    }
    say(&format!("Saved on this device: {} made safe.", counted(cleared.len(), "shot", "shots")));
    say(&shots_table(&ledger, &cleared));
    let facts: Vec<String> = facts.iter().map(ToString::to_string).collect();
    say(&format!("As {}.", facts.join(", ")));
    say("If that was a mistake: embertally safe --undo SHOT.");
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
