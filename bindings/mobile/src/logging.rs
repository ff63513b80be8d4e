//! Logging volleys, and what others saw of them.

use std::collections::HashSet;

use embertally_core::CAUTION;
use embertally_core::facts::{
    Conditions, CrossSection, Delay, Device, Fact, FiringModule, Fuse, FuseId, FuseKind, Humidity, Ignition, Leads,
    Length, Lot, LotId, ModuleId, Moment, OutingId, Shot, ShotId, Sighting, Sightings, Temperature, Transfer, Volley,
    VolleyId, WindSpeed, Wiring, WiringKind, comparable_name,
};
use embertally_core::ledger::{Ledger, Observer};
use embertally_core::log::Home;

use crate::desk::{Desk, Result, SqliteLog};
use crate::error::EmbertallyError;
use crate::records::{Seen, ShotEntry, VolleyEntry, Weather};
use crate::register::{measure, name, outing_of, person_of, unknown};
use crate::views::Logged;

/// The most shots of one volley.
const MOST: usize = 1_000;

fn usage(reason: String) -> EmbertallyError {
    EmbertallyError::Usage { reason }
}

pub(crate) fn conditions(weather: &Weather) -> Result<Conditions> {
    let percent = |v: f64| Humidity::from_f64(v).filter(|h| h.0 <= 1000);
    let above_absolute_zero = |v: f64| Temperature::from_f64(v).filter(|t| t.0 > -27_315);
    Ok(Conditions {
        temperature: measure(weather.temperature_c, "temperature in degrees Celsius", above_absolute_zero)?,
        humidity: measure(weather.humidity_pct, "relative humidity in percent", percent)?,
        wind: measure(weather.wind_m_s, "wind in metres a second", WindSpeed::from_f64)?,
        precipitation: weather.precipitation.map(Into::into),
    })
}

fn wiring(volley: &VolleyEntry) -> Result<Wiring> {
    let shots = volley.shots.len();
    let kind = match volley.wiring.map(WiringKind::from) {
        Some(kind) => kind,
        None if shots == 1 => WiringKind::Single,
        None => return Err(usage("Say how the volley was wired: series, parallel or series-parallel.".to_owned())),
    };
    if kind != WiringKind::SeriesParallel && !volley.strings.is_empty() {
        return Err(usage("The lengths of strings go with series-parallel wiring.".to_owned()));
    }
    Ok(match kind {
        WiringKind::Single if shots > 1 => {
            return Err(usage(format!("{shots} shots on one pulse are not single; say how they were wired.")));
        }
        WiringKind::Single => Wiring::Single,
        WiringKind::Series => Wiring::Series,
        WiringKind::Parallel => Wiring::Parallel,
        WiringKind::SeriesParallel => {
            let sum: usize = volley.strings.iter().map(|n| usize::from(*n)).sum();
            if !volley.strings.is_empty() && sum != shots {
                return Err(usage(format!("The strings hold {sum} shots, the volley {shots}.")));
            }
            Wiring::SeriesParallel(volley.strings.clone())
        }
    })
}

fn delay(seen: &Seen) -> Result<Option<Delay>> {
    let micros = |ms: f64| {
        let us = (ms * 1000.0).round();
        if (0.0..=f64::from(u32::MAX)).contains(&us) {
            Ok(us as u32)
        } else {
            Err(usage(format!("{ms} is not a possible number of milliseconds.")))
        }
    };
    match (seen.delay_low_ms, seen.delay_high_ms) {
        (None, None) => Ok(None),
        (Some(low), Some(high)) => {
            Delay::stated(micros(low)?, micros(high)?).map(Some).map_err(|e| EmbertallyError::usage(&e))
        }
        _ => Err(usage("No way of measuring gives a bare number: give both ends of the delay.".to_owned())),
    }
}

/// What was seen of a shot, as a sighting. A fuse that was not lit may still be smouldering: that must not become "no
/// fuse" because its name was left out.
fn sighting(index: usize, seen: &Seen, has_fuse: bool) -> Result<Sighting> {
    let (position, ignition) = (index as u16 + 1, Ignition::from(seen.ignition));
    let fired = matches!(ignition, Ignition::Fired | Ignition::Slow);
    let transfer = match (seen.transfer.map(Transfer::from), has_fuse) {
        (None, true) if fired => Transfer::Unseen,
        (None, true) => Transfer::Unlit,
        (None | Some(Transfer::NoFuse), false) => Transfer::NoFuse,
        (Some(Transfer::Unlit), false) if !fired => Transfer::NoFuse,
        (Some(_), false) => {
            let text = "Something was seen of the fuse of shot {}, and it has no fuse by name. Name the fuse.";
            return Err(usage(text.replace("{}", &position.to_string())));
        }
        (Some(Transfer::NoFuse), true) => {
            return Err(usage(format!(
                "Shot {position} has a fuse by name, so there was one; say what was seen of it."
            )));
        }
        (Some(Transfer::Lit), true) if !fired => {
            return Err(usage(format!("The igniter of shot {position} did not fire, so it lit nothing.")));
        }
        (Some(said), true) => said,
    };
    if let Some(grade) = seen.strength.filter(|g| !(1..=5).contains(g)) {
        return Err(usage(format!("{grade} is not a strength from 1 to 5.")));
    }
    if seen.cause.is_some() && ignition != Ignition::Failed {
        return Err(usage(format!("Shot {position} did not fail, so there is no cause of it.")));
    }
    let (delay, cause, note) = (delay(seen)?, seen.cause.map(Into::into), seen.note.clone());
    Ok(Sighting { position, ignition, transfer, delay, strength: seen.strength, cause, note })
}

/// A unit of a volley: its lot, the lot's mark, its label.
type Unit = (LotId, String, Option<String>);

fn units(shots: &[ShotEntry]) -> Result<Vec<Unit>> {
    if shots.is_empty() || shots.len() > MOST {
        return Err(usage(format!("A volley holds 1 to {MOST} shots; this one has {}.", shots.len())));
    }
    let (mut units, mut known) = (Vec::new(), HashSet::new());
    for shot in shots {
        let (mark, unit) = (name(&shot.lot)?, shot.unit.as_deref().map(name).transpose()?);
        let lot = LotId::named(&mark);
        if let Some(unit) = &unit
            && !known.insert((lot, comparable_name(unit)))
        {
            return Err(usage(format!("Unit {unit} of lot {mark} stands twice in this volley.")));
        }
        units.push((lot, mark, unit));
    }
    Ok(units)
}

/// Tells which attempt each unit is at, or refuses one that was tried before without `retry`. Where a volley is corrected,
/// its own shots are no attempt before it.
fn attempts(ledger: &Ledger, outing: OutingId, units: &[Unit], retry: bool, own: Option<&Volley>) -> Result<Vec<u8>> {
    let labelled: Vec<(LotId, &str)> =
        units.iter().filter_map(|(lot, _, unit)| Some((*lot, unit.as_deref()?))).collect();
    let mut last = ledger.last_tries(outing, &labelled).into_iter();
    let (mut attempts, mut untried) = (Vec::new(), Vec::new());
    for (lot, mark, unit) in units {
        let Some(unit) = unit else {
            attempts.push(1 + u8::from(retry));
            continue;
        };
        let before = last.next().flatten();
        let same = |s: &&Shot| s.lot == *lot && s.unit.as_deref().map(comparable_name) == Some(comparable_name(unit));
        if let Some(shot) = own.and_then(|v| v.shots.iter().find(same)) {
            attempts.push(shot.attempt);
            continue;
        }
        match before {
            None => {
                untried.push(format!("{unit} of lot {mark}"));
                attempts.push(1);
            }
            Some(shot) if retry => attempts.push(shot.attempt.saturating_add(1)),
            Some(shot) => {
                let text = format!(
                    "Unit {unit} of lot {mark} was tried before, in volley {}. If it is tried again, say that it is a retry; \
                     if somebody else saw that volley too, log what they saw.",
                    shot.id.volley.0.short()
                );
                return Err(EmbertallyError::refused("E_TRIED_BEFORE", text));
            }
        }
    }
    if let Some(first) = untried.first().filter(|_| retry && untried.len() == units.len()) {
        let text = format!("Unit {first} was not tried before in this outing; it is no retry.");
        return Err(EmbertallyError::refused("E_NOT_TRIED_BEFORE", text));
    }
    Ok(attempts)
}

/// Returns the facts that add to the register what it does not hold yet, or refuses the names.
fn new_names(ledger: &Ledger, volley: &VolleyEntry, units: &[Unit]) -> Result<Vec<Fact>> {
    let (register, mut new, mut seen) = (ledger.register(), Vec::new(), HashSet::new());
    let allowed = |error: EmbertallyError| if volley.new_names { Ok(()) } else { Err(error) };
    for (id, mark, _) in units.iter().filter(|(id, ..)| register.lots().get(*id).is_none()) {
        if seen.insert(*id) {
            allowed(unknown("lot", mark, register.lots().iter().map(|(_, l)| l.value.mark.as_str())))?;
            let (mark, made_on, use_by) = (mark.clone(), None, None);
            new.push(Fact::Lot(Lot { mark, igniter_type: None, made_on, use_by, count: None, storage: None }));
        }
    }
    if let Some(text) = volley.fuse.as_deref().filter(|n| register.fuses().get(FuseId::named(n)).is_none()) {
        allowed(unknown("fuse", text, register.fuses().iter().map(|(_, f)| f.value.name.as_str())))?;
        let kind = text.parse().unwrap_or(FuseKind::Other);
        new.push(Fact::Fuse(Fuse { name: name(text)?, kind, sheath: None, coupling: None }));
    }
    if let Some(text) = volley.module.as_deref().filter(|n| register.modules().get(ModuleId::named(n)).is_none()) {
        allowed(unknown("firing module", text, register.modules().iter().map(|(_, m)| m.value.name.as_str())))?;
        let (name, channels, source_kind, supply) = (name(text)?, None, None, None);
        let module = FiringModule { name, channels, source_kind, supply, source_resistance: None, capacitance: None };
        new.push(Fact::Module(module));
    }
    Ok(new)
}

/// A volley as it was handed in, checked as far as it can be without the log.
struct Checked<'a> {
    entry: &'a VolleyEntry,
    units: Vec<Unit>,
    wiring: Wiring,
    leads: Option<Leads>,
    conditions: Conditions,
    label: Option<String>,
    seen: Vec<Sighting>,
}

impl<'a> Checked<'a> {
    fn of(entry: &'a VolleyEntry) -> Result<Self> {
        let leads = match (entry.lead_m, entry.lead_mm2) {
            (None, None) => None,
            (Some(m), Some(mm2)) => Some(Leads {
                length: measure(Some(m), "length in metres", Length::from_f64)?.unwrap_or_default(),
                cross_section: measure(Some(mm2), "cross-section", CrossSection::from_f64)?.unwrap_or_default(),
            }),
            _ => return Err(usage("Leads need both their length and their cross-section.".to_owned())),
        };
        let has_fuse = entry.fuse.is_some();
        let seen = entry.shots.iter().enumerate().map(|(i, shot)| sighting(i, &shot.seen, has_fuse));
        Ok(Self {
            units: units(&entry.shots)?,
            wiring: wiring(entry)?,
            leads,
            conditions: entry.weather.as_ref().map(conditions).transpose()?.unwrap_or_default(),
            label: entry.label.as_deref().map(name).transpose()?,
            seen: seen.collect::<Result<_>>()?,
            entry,
        })
    }

    fn volley(&self, outing: OutingId, at: Option<Moment>, attempts: Vec<u8>) -> Volley {
        let fuse = self.entry.fuse.as_deref().map(FuseId::named);
        let shots = self.units.iter().zip(attempts);
        let shots = shots.map(|((lot, _, unit), attempt)| Shot { lot: *lot, unit: unit.clone(), attempt, fuse });
        Volley {
            outing,
            at,
            module: self.entry.module.as_deref().map(ModuleId::named),
            channel: self.entry.channel,
            label: self.label.clone(),
            wiring: self.wiring.clone(),
            leads: self.leads,
            conditions: self.conditions,
            shots: shots.collect(),
        }
    }

    fn logged(&self, volley: VolleyId) -> Logged {
        let dark = |s: &&Sighting| matches!(s.ignition, Ignition::Failed | Ignition::Skipped);
        let unlit = |s: &&Sighting| s.transfer == Transfer::Unlit && !dark(s);
        let failed_or_not_tried = self.seen.iter().filter(dark).count() as u32;
        let unlit = self.seen.iter().filter(unlit).count() as u32;
        let caution = (failed_or_not_tried + unlit > 0).then(|| CAUTION.to_owned());
        Logged { volley: volley.to_string(), shots: self.seen.len() as u32, failed_or_not_tried, unlit, caution }
    }
}

fn gone() -> EmbertallyError {
    EmbertallyError::refused("E_NOT_FOUND", "That volley is not in the log.")
}

pub(crate) fn volley_id(ledger: &Ledger, text: &str) -> Result<VolleyId> {
    let id: VolleyId = text.parse().map_err(|e| EmbertallyError::usage(&e))?;
    let found = ledger.volley(id).map(|v| v.id);
    found.ok_or_else(gone)
}

pub(crate) fn shot_id(ledger: &Ledger, text: &str) -> Result<ShotId> {
    let id: ShotId = text.parse().map_err(|e| EmbertallyError::usage(&e))?;
    let found = ledger.finding(id).map(|_| id);
    found.ok_or_else(|| EmbertallyError::refused("E_NOT_FOUND", "That shot is not in the log."))
}

impl Desk {
    /// Names in the register that a volley needs, this device's own among them, as an entry where there are any.
    fn names_for(
        &self,
        log: &SqliteLog,
        now: Moment,
        mut new: Vec<Fact>,
    ) -> Result<Vec<(Home, embertally_core::facts::Entry)>> {
        if self.read(|ledger| ledger.register().devices().get(self.device).is_none())? {
            let id = self.device.to_string();
            let name = format!("device {}", id.get(id.len().saturating_sub(4)..).unwrap_or_default());
            new.push(Fact::Device(Device { id: self.device, name }));
        }
        if new.is_empty() {
            return Ok(Vec::new());
        }
        let mut entry = self.entry(log, now);
        for fact in new {
            entry.state(fact);
        }
        Ok(vec![(Home::Register, entry)])
    }

    pub(crate) fn log_volley(&self, entry: &VolleyEntry) -> Result<Logged> {
        let checked = Checked::of(entry)?;
        let now = self.now()?;
        let at = entry.at.map_or(now, Into::into);
        let mut log = self.log();
        let (outing, observer, attempts, new) = self.read(|ledger| {
            let outing = outing_of(ledger, &log, entry.outing.as_deref())?;
            let observer = person_of(ledger, &log, entry.observer.as_deref())?;
            let attempts = attempts(ledger, outing, &checked.units, entry.retry, None)?;
            Ok::<_, EmbertallyError>((outing, observer, attempts, new_names(ledger, entry, &checked.units)?))
        })??;
        let mut entries = self.names_for(&log, now, new)?;
        let mut written = self.entry(&log, now);
        let id = written.state_volley(checked.volley(outing, Some(at), attempts));
        written.state(Fact::Sightings(Sightings { volley: id, observer, seen: checked.seen.clone() }));
        entries.push((Home::Outing(outing), written));
        self.write(&mut log, &mut entries)?;
        let id = entries.last().map_or(id, |(_, entry)| VolleyId(entry.own(id.0)));
        Ok(checked.logged(id))
    }

    pub(crate) fn correct_volley(&self, volley: &str, entry: &VolleyEntry) -> Result<Logged> {
        let checked = Checked::of(entry)?;
        let now = self.now()?;
        let mut log = self.log();
        let found = self.read(|ledger| {
            let id = volley_id(ledger, volley)?;
            let view = ledger.volley(id).ok_or_else(gone)?;
            if let Some(name) = &entry.outing
                && OutingId::named(name) != view.volley.outing
            {
                let text = "A volley stays in its outing: withdraw it and log it there.".to_owned();
                return Err(usage(text));
            }
            let observer = person_of(ledger, &log, entry.observer.as_deref())?;
            let own = observer.map_or(Observer::Device(self.device), Observer::Person);
            let before: Vec<_> = view.sightings.iter().filter(|s| s.observer == own).map(|s| s.id).collect();
            let attempts = attempts(ledger, view.volley.outing, &checked.units, entry.retry, Some(view.volley))?;
            let at = entry.at.map(Into::into).or(view.volley.at);
            let content = checked.volley(view.volley.outing, at, attempts);
            Ok((id, view.stated_by, content, observer, before, new_names(ledger, entry, &checked.units)?))
        })?;
        let (id, stated_by, content, observer, before, new) = found?;
        let outing = content.outing;
        let mut entries = self.names_for(&log, now, new)?;
        let mut written = self.entry(&log, now);
        written.correct(stated_by, Fact::Volley(content));
        let seen = Fact::Sightings(Sightings { volley: id, observer, seen: checked.seen.clone() });
        match before.first() {
            Some(old) => drop(written.correct(*old, seen)),
            None => drop(written.state(seen)),
        }
        entries.push((Home::Outing(outing), written));
        self.write(&mut log, &mut entries)?;
        Ok(checked.logged(id))
    }

    pub(crate) fn log_sighting(&self, volley: &str, seen: &[Seen], observer: Option<&str>) -> Result<()> {
        let now = self.now()?;
        let mut log = self.log();
        let (outing, before, fact) = self.read(|ledger| {
            let id = volley_id(ledger, volley)?;
            let view = ledger.volley(id).ok_or_else(gone)?;
            let shots = &view.volley.shots;
            if shots.len() != seen.len() {
                return Err(usage(format!("That volley has {} shots; {} were described.", shots.len(), seen.len())));
            }
            let seen =
                shots.iter().zip(seen).enumerate().map(|(i, (shot, seen))| sighting(i, seen, shot.fuse.is_some()));
            let seen = seen.collect::<Result<Vec<_>>>()?;
            let observer = person_of(ledger, &log, observer)?;
            // Who sees the same volley again corrects what they said before; others' words stay beside it.
            let own = observer.map_or(Observer::Device(self.device), Observer::Person);
            let before = view.sightings.iter().find(|s| s.observer == own).map(|s| s.id);
            Ok((view.volley.outing, before, Fact::Sightings(Sightings { volley: id, observer, seen })))
        })??;
        let mut entries = self.names_for(&log, now, Vec::new())?;
        let mut entry = self.entry(&log, now);
        match before {
            Some(old) => drop(entry.correct(old, fact)),
            None => drop(entry.state(fact)),
        }
        entries.push((Home::Outing(outing), entry));
        self.write(&mut log, &mut entries)
    }
}
