//! Decisions: rulings, matches, withdrawals; and weather readings.

use std::collections::HashSet;

use embertally_core::facts::{
    Conditions, EntryId, Fact, FactId, Humidity, Ignition, Match, OutingId, Reading, Ruling, ShotId, Temperature,
    VolleyId, WindSpeed, Withdrawal,
};
use embertally_core::log::Home;
use embertally_core::store::Store;
use serde::Deserialize;
use serde_json::{Value, json};

use super::entry::Key;
use super::names::text_given;
use super::{App, CAUTIONS, Now, counted, saved};
use crate::error::Refused;

#[derive(Debug, Deserialize)]
pub(super) struct NewRuling {
    #[serde(flatten)]
    key: Key,
    shot: String,
    ignition: Option<String>,
    transfer: Option<String>,
    cause: Option<String>,
    reason: String,
}

#[derive(Debug, Deserialize)]
pub(super) struct NewMatch {
    #[serde(flatten)]
    key: Key,
    first: String,
    second: String,
    same: bool,
}

#[derive(Debug, Deserialize)]
pub(super) struct NewWithdrawal {
    #[serde(flatten)]
    key: Key,
    fact: String,
    reason: String,
}

#[derive(Debug, Deserialize)]
pub(super) struct NewReading {
    #[serde(flatten)]
    key: Key,
    outing: String,
    temperature_c: Option<f64>,
    humidity_pct: Option<f64>,
    wind_m_s: Option<f64>,
    precipitation: Option<String>,
}

fn not_found() -> Refused {
    Refused::new("E_NOT_FOUND", "That shot is not in the log.")
}

/// Keeps what earlier rulings decided and this one leaves open, later ones first. What cannot go with the new decision
/// is not kept: a fuse that was lit by an igniter that failed, a cause of failure of one that fired.
fn keep_decided<'a>(ruling: &mut Ruling, earlier: impl DoubleEndedIterator<Item = &'a Ruling>) {
    let fired = ruling.ignition.map(|i| matches!(i, Ignition::Fired | Ignition::Slow));
    for old in earlier.rev() {
        ruling.ignition = ruling.ignition.or(old.ignition);
        if fired != Some(false) {
            ruling.transfer = ruling.transfer.or(old.transfer);
        }
        if fired != Some(true) {
            ruling.cause = ruling.cause.or(old.cause);
        }
    }
}

fn measure<T>(value: Option<f64>, what: &str, take: impl Fn(f64) -> Option<T>) -> Result<Option<T>, Refused> {
    let one = |v: f64| take(v).ok_or_else(|| Refused::entry(format!("{v} is not a possible {what}.")));
    value.map(one).transpose()
}

impl<S: Store> App<S> {
    pub(super) fn rule(&mut self, new: NewRuling, now: Now) -> Result<Value, Refused> {
        let shot: ShotId = new.shot.parse()?;
        let found = self.ledger.finding(shot).ok_or_else(not_found)?;
        let reason = text_given(Some(new.reason)).ok_or_else(|| Refused::entry("A ruling needs a reason."))?;
        let word = |t: Option<String>| text_given(t);
        let by = self.observer()?;
        let mut ruling = Ruling {
            shot,
            ignition: word(new.ignition).map(|w| w.parse()).transpose()?,
            transfer: word(new.transfer).map(|w| w.parse()).transpose()?,
            cause: word(new.cause).map(|w| w.parse()).transpose()?,
            reason,
            by,
        };
        if ruling.ignition.is_none() && ruling.transfer.is_none() && ruling.cause.is_none() {
            return Err(Refused::entry("Say what is decided: the ignition, the fuse or the cause."));
        }
        let outing = found.outing;
        let mut pen = self.pen(&new.key, now)?;
        let mut entry = pen.entry();
        // Rulings on the same shot by the same person follow on each other; others' stay and may contradict.
        let same: Vec<(FactId, Ruling)> =
            found.rulings().into_iter().filter(|(_, r)| r.by == by).map(|(id, r)| (id, r.clone())).collect();
        let own: Vec<(FactId, Ruling)> = if by.is_some() {
            same
        } else {
            // Where nobody is named it is the device that speaks, and another's word is not this one's to replace.
            let here = self.written_here(outing, &same)?;
            same.into_iter().filter(|(id, _)| here.contains(&id.entry)).collect()
        };
        let earlier: Vec<&(FactId, Ruling)> = own.iter().filter(|(id, _)| id.entry != entry.id).collect();
        keep_decided(&mut ruling, earlier.iter().map(|(_, r)| r));
        match earlier.as_slice() {
            [] => drop(entry.state(Fact::Ruling(ruling))),
            all => all.iter().for_each(|(old, _)| {
                entry.correct(*old, Fact::Ruling(ruling.clone()));
            }),
        }
        self.write(&[(Home::Outing(outing), entry)], now)?;
        Ok(saved(json!({ "text": "Saved on this device: the ruling." })))
    }

    /// Returns those entries of some rulings that this device wrote.
    fn written_here(&mut self, outing: OutingId, rulings: &[(FactId, Ruling)]) -> Result<HashSet<EntryId>, Refused> {
        let mut here = HashSet::new();
        if rulings.is_empty() {
            return Ok(here);
        }
        let device = self.device;
        for listed in self.log.list()?.into_iter().filter(|l| l.document.home() == Home::Outing(outing)) {
            self.log.replay_document(listed.document, |_, entry| {
                if entry.device == device && rulings.iter().any(|(id, _)| id.entry == entry.id) {
                    here.insert(entry.id);
                }
            })?;
        }
        Ok(here)
    }

    pub(super) fn same_or_apart(&mut self, new: NewMatch, now: Now) -> Result<Value, Refused> {
        let (first, second): (VolleyId, VolleyId) = (new.first.parse()?, new.second.parse()?);
        if first == second {
            return Err(Refused::entry("These are one and the same entry."));
        }
        let outing = self.ledger.volley(first).map(|v| v.volley.outing).ok_or_else(not_found)?;
        let by = self.observer()?;
        let mut pen = self.pen(&new.key, now)?;
        let mut entry = pen.entry();
        entry.state(Fact::Match(Match { first, second, same: new.same, by }));
        self.write(&[(Home::Outing(outing), entry)], now)?;
        let what = if new.same { "the two are one real volley" } else { "the two are different volleys" };
        Ok(saved(json!({ "text": format!("Saved on this device: {what}.") })))
    }

    /// Takes a fact back. It stays in the log and no longer counts.
    pub(super) fn withdraw(&mut self, new: NewWithdrawal, now: Now) -> Result<Value, Refused> {
        let fact: FactId = new.fact.parse()?;
        let reason = text_given(Some(new.reason)).ok_or_else(|| Refused::entry("A withdrawal needs a reason."))?;
        let home = match self.ledger.volley(VolleyId(fact)) {
            Some(view) => Some(Home::Outing(view.volley.outing)),
            None => {
                let mut home = None;
                self.log.replay(|document, entry| {
                    if entry.id == fact.entry && usize::from(fact.place) < entry.facts.len() {
                        home = Some(document.home());
                    }
                })?;
                home
            }
        };
        let home = home.ok_or_else(|| Refused::new("E_NOT_FOUND", "No such fact is in the log."))?;
        let mut pen = self.pen(&new.key, now)?;
        let mut entry = pen.entry();
        entry.state(Fact::Withdrawal(Withdrawal { fact, reason }));
        let before = self.live_count();
        self.write(&[(home, entry)], now)?;
        let after = self.live_count();
        let mut text = "Saved on this device: taken back. It stays in the log and no longer counts.".to_owned();
        if after < before {
            let fewer = counted(before - after, "shot leaves", "shots leave");
            text.push_str(&format!(" {fewer} the live list by it, and nobody has said that they are safe."));
        }
        let caution = if after == before { String::new() } else { CAUTIONS.join(" ") };
        Ok(saved(json!({ "text": text, "live_before": before, "live_after": after, "caution": caution })))
    }

    pub(super) fn weather(&mut self, new: NewReading, now: Now) -> Result<Value, Refused> {
        let outing: OutingId = new.outing.parse()?;
        let percent = |v: f64| Humidity::from_f64(v).filter(|h| h.0 <= 1000);
        let above_absolute_zero = |v: f64| Temperature::from_f64(v).filter(|t| t.0 > -27_315);
        let conditions = Conditions {
            temperature: measure(new.temperature_c, "temperature in °C", above_absolute_zero)?,
            humidity: measure(new.humidity_pct, "relative humidity in percent", percent)?,
            wind: measure(new.wind_m_s, "wind in metres a second", WindSpeed::from_f64)?,
            precipitation: text_given(new.precipitation).map(|w| w.parse()).transpose()?,
        };
        if conditions.is_empty() {
            return Err(Refused::entry("Say what was read: temperature, humidity, wind or rain."));
        }
        let mut pen = self.pen(&new.key, now)?;
        let mut entry = pen.entry();
        entry.state(Fact::Reading(Reading { outing, at: pen.at, conditions, source: None }));
        self.write(&[(Home::Outing(outing), entry)], now)?;
        Ok(saved(json!({ "text": "Saved on this device: a weather reading." })))
    }
}
