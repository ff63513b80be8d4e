//! Decisions: rulings, matches, withdrawals, what was made safe; and the weather.

use std::collections::{BTreeMap, HashSet};

use embertally_core::facts::{
    self, Entry, EntryId, Fact, FactId, MadeSafe, Match, OutingId, Reading, ShotId, Withdrawal,
};
use embertally_core::ledger::Ledger;
use embertally_core::log::Home;

use crate::desk::{Desk, Result};
use crate::error::EmbertallyError;
use crate::logging::{conditions, shot_id, volley_id};
use crate::records::{Ruling, Weather};
use crate::register::{outing_of, person_of};

fn outing_of_shot(ledger: &Ledger, shot: ShotId) -> Result<OutingId> {
    let found = ledger.volley(shot.volley).map(|v| v.volley.outing);
    found.ok_or_else(|| EmbertallyError::refused("E_NOT_FOUND", "That shot is not in the log."))
}

fn reason_given(reason: &str, what: &str) -> Result<String> {
    let reason = reason.trim();
    if reason.is_empty() {
        return Err(EmbertallyError::Usage { reason: format!("{what} needs a reason.") });
    }
    Ok(reason.to_owned())
}

impl Desk {
    pub(crate) fn rule(&self, given: &Ruling) -> Result<()> {
        if given.ignition.is_none() && given.transfer.is_none() && given.cause.is_none() {
            let reason = "Say what is decided: ignition, transfer or cause.".to_owned();
            return Err(EmbertallyError::Usage { reason });
        }
        let reason = reason_given(&given.reason, "A ruling")?;
        let now = self.now()?;
        let mut log = self.log();
        let (mut ruling, outing, same) = self.read(|ledger| {
            let shot = shot_id(ledger, &given.shot)?;
            let by = person_of(ledger, &log, given.by.as_deref())?;
            let ruling = facts::Ruling {
                shot,
                ignition: given.ignition.map(Into::into),
                transfer: given.transfer.map(Into::into),
                cause: given.cause.map(Into::into),
                reason,
                by,
            };
            // Rulings on the same shot by the same person follow on each other; others' stay and may contradict.
            let before = ledger.finding(shot).map(|s| s.rulings()).unwrap_or_default();
            let same = before.into_iter().filter(|(_, r)| r.by == by).map(|(id, r)| (id, r.clone()));
            Ok::<_, EmbertallyError>((ruling, outing_of_shot(ledger, shot)?, same.collect::<Vec<_>>()))
        })??;
        // Where nobody is named it is the device that speaks, and another's word is not this one's to replace.
        let mut here: HashSet<EntryId> = same.iter().map(|(id, _)| id.entry).collect();
        if ruling.by.is_none() && !same.is_empty() {
            let mut written = HashSet::new();
            for listed in log.list()?.into_iter().filter(|l| l.document.home() == Home::Outing(outing)) {
                log.replay_document(listed.document, |_, entry| {
                    if entry.device == self.device && here.contains(&entry.id) {
                        written.insert(entry.id);
                    }
                })?;
            }
            here = written;
        }
        let own: Vec<&(FactId, facts::Ruling)> = same.iter().filter(|(id, _)| here.contains(&id.entry)).collect();
        ruling.keep_decided(own.iter().map(|(_, r)| r));
        let mut entry = self.entry(&log, now);
        match own.as_slice() {
            [] => drop(entry.state(Fact::Ruling(ruling))),
            all => all.iter().for_each(|(old, _)| {
                entry.correct(*old, Fact::Ruling(ruling.clone()));
            }),
        }
        self.write(&mut log, &mut [(Home::Outing(outing), entry)])
    }

    pub(crate) fn match_volleys(&self, first: &str, second: &str, same: bool) -> Result<()> {
        let now = self.now()?;
        let mut log = self.log();
        let (outing, fact) = self.read(|ledger| {
            let (first, second) = (volley_id(ledger, first)?, volley_id(ledger, second)?);
            if first == second {
                return Err(EmbertallyError::Usage { reason: "These are one and the same entry.".to_owned() });
            }
            let by = Self::observer(&log)?;
            let outing = outing_of_shot(ledger, ShotId { volley: first, position: 1 })?;
            Ok((outing, Fact::Match(Match { first, second, same, by })))
        })??;
        let mut entry = self.entry(&log, now);
        entry.state(fact);
        self.write(&mut log, &mut [(Home::Outing(outing), entry)])
    }

    pub(crate) fn withdraw(&self, fact: &str, reason: &str) -> Result<()> {
        let reason = reason_given(reason, "A withdrawal")?;
        let fact: FactId = fact.parse().map_err(|e| EmbertallyError::usage(&e))?;
        let now = self.now()?;
        let mut log = self.log();
        let (mut home, mut forgets) = (None, false);
        log.replay(|document, entry| {
            if entry.id == fact.entry
                && let Some(stated) = entry.facts.get(usize::from(fact.place))
            {
                home = Some(document.home());
                forgets = matches!(stated.fact, Fact::Forgotten(_));
            }
        })?;
        if forgets {
            return Err(EmbertallyError::refused(
                "E_FORGOTTEN",
                "What is forgotten cannot be brought back: the name is gone from this device and from every one that has \
                 met it since. Nothing was written.",
            ));
        }
        let missing = || EmbertallyError::refused("E_NOT_FOUND", format!("No fact {fact} is in the log."));
        let home = home.ok_or_else(missing)?;
        let mut entry = self.entry(&log, now);
        entry.state(Fact::Withdrawal(Withdrawal { fact, reason }));
        self.write(&mut log, &mut [(home, entry)])
    }

    pub(crate) fn mark_safe(&self, shots: &[String], how: Option<&str>, by: Option<&str>) -> Result<Vec<String>> {
        let now = self.now()?;
        let mut log = self.log();
        let (by, by_outing) = self.read(|ledger| {
            let mut by_outing: BTreeMap<OutingId, Vec<ShotId>> = BTreeMap::new();
            for text in shots {
                let shot = shot_id(ledger, text)?;
                let list = by_outing.entry(outing_of_shot(ledger, shot)?).or_default();
                if !list.contains(&shot) {
                    list.push(shot);
                }
            }
            Ok::<_, EmbertallyError>((person_of(ledger, &log, by)?, by_outing))
        })??;
        if by_outing.is_empty() {
            return Err(EmbertallyError::Usage { reason: "Name the shots that were made safe.".to_owned() });
        }
        let entries = by_outing.into_iter().map(|(outing, shots)| {
            let mut entry = self.entry(&log, now);
            // A statement for each shot, so that one alone can be taken back.
            for shot in shots {
                let safe = MadeSafe { shots: vec![shot], by, at: Some(now), how: how.map(str::to_owned) };
                entry.state(Fact::MadeSafe(safe));
            }
            (Home::Outing(outing), entry)
        });
        let mut entries: Vec<(Home, Entry)> = entries.collect();
        self.write(&mut log, &mut entries)?;
        Ok(entries.iter().flat_map(|(_, entry)| entry.facts().map(|(id, _)| id.to_string())).collect())
    }

    pub(crate) fn log_weather(&self, weather: &Weather, outing: Option<&str>) -> Result<()> {
        let conditions = conditions(weather)?;
        if conditions.is_empty() {
            let reason = "Say what was read: temperature, humidity, wind or precipitation.".to_owned();
            return Err(EmbertallyError::Usage { reason });
        }
        let now = self.now()?;
        let mut log = self.log();
        let outing = self.read(|ledger| outing_of(ledger, &log, outing))??;
        let mut entry = self.entry(&log, now);
        entry.state(Fact::Reading(Reading { outing, at: now, conditions, source: None }));
        self.write(&mut log, &mut [(Home::Outing(outing), entry)])
    }
}
