//! Logging a volley, and what somebody else saw of one.

use std::collections::HashSet;

use embertally_core::facts::{
    Cause, Conditions, Delay, DelayInterval, Fact, FuseId, Ignition, LotId, ModuleId, OutingId, Shot, Sighting,
    Sightings, Transfer, Volley, VolleyId, Wiring, WiringKind, comparable_name,
};
use embertally_core::ledger::{Observer, ShotView};
use embertally_core::log::Home;
use embertally_core::store::Store;
use serde::Deserialize;
use serde_json::{Value, json};

use super::entry::Key;
use super::names::{name_given, short_volley, text_given};
use super::{App, CAUTIONS, Now, counted, saved};
use crate::error::Refused;

/// The most shots of one volley that are taken here; more on one pulse is a slip of the thumb.
const MOST_SHOTS: usize = 200;

/// A volley as the field screen has it.
#[derive(Debug, Deserialize)]
pub(super) struct NewVolley {
    #[serde(flatten)]
    key: Key,
    outing: String,
    module: Option<String>,
    channel: Option<u16>,
    label: Option<String>,
    wiring: String,
    #[serde(default)]
    strings: Vec<u16>,
    shots: Vec<NewShot>,
    #[serde(default)]
    retry: bool,
}

#[derive(Debug, Deserialize)]
struct NewShot {
    lot: String,
    unit: Option<String>,
    fuse: Option<String>,
    #[serde(flatten)]
    seen: Seen,
}

/// What was seen of one shot; nothing where nobody said anything.
#[derive(Debug, Deserialize)]
struct Seen {
    ignition: Option<String>,
    transfer: Option<String>,
    delay: Option<NewDelay>,
    strength: Option<u8>,
    cause: Option<String>,
    note: Option<String>,
}

/// A delay as it was measured.
#[derive(Debug, Clone, Deserialize)]
#[serde(tag = "by", rename_all = "lowercase")]
pub(super) enum NewDelay {
    /// Frames of a clip.
    Clip { pulse: u32, light: u32, fps: f64 },
    /// A stopwatch, give or take.
    Stopwatch { ms: f64, within_ms: f64 },
    /// An interval.
    Stated { low_ms: f64, high_ms: f64 },
}

fn micros(ms: f64) -> Result<u32, Refused> {
    let us = (ms * 1000.0).round();
    if (0.0..=f64::from(u32::MAX)).contains(&us) {
        Ok(us as u32)
    } else {
        Err(Refused::entry(format!("{ms} ms is not a possible delay.")))
    }
}

fn delay(new: &NewDelay) -> Result<Delay, Refused> {
    let delay = match *new {
        NewDelay::Clip { pulse, light, fps } => {
            let rate = (fps * 1000.0).round();
            if !(1.0..=f64::from(u32::MAX)).contains(&rate) {
                return Err(Refused::entry(format!("{fps} is not a possible frame rate.")));
            }
            Delay::from_clip(pulse, light, rate as u32)?
        }
        NewDelay::Stopwatch { ms, within_ms } => {
            Delay::Stopwatch { reading_us: micros(ms)?, within_us: micros(within_ms)? }
        }
        NewDelay::Stated { low_ms, high_ms } => Delay::stated(micros(low_ms)?, micros(high_ms)?)?,
    };
    delay.checked_interval()?;
    Ok(delay)
}

/// Says in which interval a measured delay lies.
pub(super) fn interval_of(new: &NewDelay) -> Result<Value, Refused> {
    let DelayInterval { low_us, high_us } = delay(new)?.checked_interval()?;
    let ms = |us: u32| f64::from(us) / 1000.0;
    Ok(json!({ "low_ms": ms(low_us), "high_ms": ms(high_us),
        "text": format!("{:.1} to {:.1} ms", ms(low_us), ms(high_us)) }))
}

/// Takes what was said of one shot; `None` if nothing was.
fn sighting(position: u16, seen: Seen, has_fuse: bool) -> Result<Option<Sighting>, Refused> {
    let Some(word) = seen.ignition else { return Ok(None) };
    let ignition: Ignition = word.parse()?;
    let fired = matches!(ignition, Ignition::Fired | Ignition::Slow);
    let said: Option<Transfer> = seen.transfer.as_deref().map(str::parse).transpose()?;
    // A fuse that was not lit may still be smouldering: that must not become "no fuse" because its name was left out.
    if !has_fuse && matches!(said, Some(Transfer::Unlit | Transfer::Unseen)) {
        return Err(Refused::entry(format!("Shot {position} speaks of a fuse, and no fuse is named. Name the fuse.")));
    }
    let transfer = match (has_fuse, fired) {
        (false, _) => Transfer::NoFuse,
        // As the letters of the terminal have it: a fuse at an igniter that did not fire was not lit.
        (true, false) => Transfer::Unlit,
        (true, true) => said.filter(|t| *t != Transfer::NoFuse).unwrap_or(Transfer::Unseen),
    };
    if seen.strength.is_some_and(|grade| !(1..=5).contains(&grade)) {
        return Err(Refused::entry("A strength is a grade from 1 to 5."));
    }
    let cause: Option<Cause> = seen.cause.as_deref().map(str::parse).transpose()?;
    Ok(Some(Sighting {
        position,
        ignition,
        transfer,
        delay: seen.delay.as_ref().filter(|_| fired).map(delay).transpose()?,
        strength: seen.strength.filter(|_| fired),
        cause: cause.filter(|_| ignition == Ignition::Failed),
        note: text_given(seen.note),
    }))
}

fn wiring(kind: &str, strings: Vec<u16>, shots: usize) -> Result<Wiring, Refused> {
    Ok(match kind.parse::<WiringKind>()? {
        WiringKind::Single if shots > 1 => {
            return Err(Refused::entry(format!("{shots} shots on one pulse are not single; say how they were wired.")));
        }
        WiringKind::Single => Wiring::Single,
        WiringKind::Series => Wiring::Series,
        WiringKind::Parallel => Wiring::Parallel,
        WiringKind::SeriesParallel => {
            let sum: usize = strings.iter().map(|n| usize::from(*n)).sum();
            if !strings.is_empty() && sum != shots {
                return Err(Refused::entry(format!("The strings hold {sum} shots, the volley {shots}.")));
            }
            Wiring::SeriesParallel(strings)
        }
    })
}

/// What others' names come to in the order in which they first stand.
fn each_once<'a>(names: impl Iterator<Item = &'a str>) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for name in names {
        if !all.iter().any(|n| comparable_name(n) == comparable_name(name)) {
            all.push(name.to_owned());
        }
    }
    all
}

impl<S: Store> App<S> {
    fn outing_here(&self, id: &str) -> Result<OutingId, Refused> {
        let id: OutingId = id.parse()?;
        let known = self.ledger.register().outings().get(id).is_some();
        known.then_some(id).ok_or_else(|| Refused::new("E_NO_OUTING", "That outing is not in this log."))
    }

    /// Which attempt a unit is at. Units are an outing's own.
    fn attempt(&self, outing: OutingId, lot: LotId, mark: &str, unit: &str, retry: bool) -> Result<u8, Refused> {
        let wanted = comparable_name(unit);
        let same = |label: &str| comparable_name(label) == wanted;
        let of_unit = |s: &ShotView<'_>| s.lot == lot && s.unit.is_some_and(same);
        match self.shots_of(outing).filter(of_unit).max_by_key(|s| s.attempt) {
            None => Ok(1),
            Some(shot) if retry => Ok(shot.attempt.saturating_add(1)),
            Some(shot) => Err(Refused::new(
                "E_TRIED_BEFORE",
                format!(
                    "Unit {unit} of lot {mark} was tried before, in volley {}. If it is tried again, say so with \
                     “tried again”; if somebody else saw that volley too, add it there.",
                    short_volley(shot.id.volley)
                ),
            )),
        }
    }

    /// Logs a volley and what was seen of it. Asked again with the same key, it answers as the first time.
    pub(super) fn log_volley(&mut self, new: NewVolley, now: Now) -> Result<Value, Refused> {
        let outing = self.outing_here(&new.outing)?;
        let mut pen = self.pen(&new.key, now)?;
        let mut entry = pen.entry();
        let count = new.shots.len();
        if count == 0 || count > MOST_SHOTS {
            return Err(Refused::entry(format!("A volley has 1 to {MOST_SHOTS} shots here, not {count}.")));
        }
        // Kept already, and the answer was lost on the way: of this device, asked at the same millisecond, of the same
        // igniters.
        let same = |shots: &[Shot]| {
            let pairs = shots.iter().zip(&new.shots);
            shots.len() == count && pairs.into_iter().all(|(s, n)| s.lot == LotId::named(&n.lot) && s.unit == n.unit)
        };
        let kept = self
            .ledger
            .volleys()
            .find(|v| v.device == self.device && v.written == pen.at && same(&v.volley.shots))
            .map(|v| v.id);
        if let Some(id) = kept {
            return Ok(self.logged(id));
        }
        let lots = each_once(new.shots.iter().map(|s| s.lot.as_str()));
        let fuses = each_once(new.shots.iter().filter_map(|s| s.fuse.as_deref()));
        let mut known = HashSet::new();
        let (mut shots, mut seen) = (Vec::new(), Vec::new());
        for (index, shot) in new.shots.into_iter().enumerate() {
            let position = index as u16 + 1;
            let lot = LotId::named(&shot.lot);
            let unit = shot.unit.as_deref().map(name_given).transpose()?;
            let attempt = match &unit {
                Some(unit) if !known.insert((lot, comparable_name(unit))) => {
                    let text = format!("Unit {unit} of lot {} stands twice in this volley.", shot.lot);
                    return Err(Refused::entry(text));
                }
                Some(unit) => self.attempt(outing, lot, &shot.lot, unit, new.retry)?,
                None => 1 + u8::from(new.retry),
            };
            let fuse = shot.fuse.as_deref().map(FuseId::named);
            seen.extend(sighting(position, shot.seen, fuse.is_some())?);
            shots.push(Shot { lot, unit, attempt, fuse });
        }
        let volley = Volley {
            outing,
            at: Some(pen.at),
            module: new.module.as_deref().map(ModuleId::named),
            channel: new.channel,
            label: new.label.as_deref().map(name_given).transpose()?,
            wiring: wiring(&new.wiring, new.strings, count)?,
            leads: None,
            conditions: Conditions::default(),
            shots,
        };
        let stated = entry.state_volley(volley);
        let observer = self.observer()?;
        if !seen.is_empty() {
            entry.state(Fact::Sightings(Sightings { volley: stated, observer, seen }));
        }
        let mut entries = Vec::new();
        if let Some(first) = self.introductions(&mut pen, &lots, &fuses, new.module.as_deref())? {
            entries.push((Home::Register, first));
        }
        entries.push((Home::Outing(outing), entry));
        let ids = self.write(&entries, now)?;
        self.keep("outing", outing.as_bytes())?;
        let entry = ids.last().copied().unwrap_or(stated.0.entry);
        Ok(self.logged(VolleyId(embertally_core::facts::FactId { entry, ..stated.0 })))
    }

    /// Says what a volley that is kept comes to.
    fn logged(&self, id: VolleyId) -> Value {
        let positions = 1..=self.ledger.volley(id).map_or(0, |v| v.volley.shots.len() as u16);
        let shots = positions
            .filter_map(|position| self.ledger.finding(embertally_core::facts::ShotId { volley: id, position }));
        let (mut count, mut live) = (0, 0);
        for shot in shots {
            count += 1;
            live += usize::from(shot.live.is_some_and(|r| r != embertally_core::ledger::LiveReason::Unseen));
        }
        let mut text = format!("Saved on this device: {}.", counted(count, "shot", "shots"));
        if live > 0 {
            text.push_str(&format!(" {} live.", counted(live, "is", "are")));
        }
        saved(json!({ "volley": id.to_string(), "short": short_volley(id), "shots": count, "live": live, "text": text,
            "caution": if live > 0 { format!("{} The other cautions stand on the live list.", CAUTIONS[0]) } else { String::new() } }))
    }

    /// Adds what this device's observer saw of a volley that somebody logged, or corrects what they said before.
    pub(super) fn sight(&mut self, new: NewSight, now: Now) -> Result<Value, Refused> {
        let id: VolleyId = new.volley.parse()?;
        let gone = || Refused::new("E_NOT_FOUND", "That volley is not in the log.");
        let view = self.ledger.volley(id).ok_or_else(gone)?;
        if view.volley.shots.len() != new.seen.len() {
            return Err(Refused::entry("As many shots have to be described as the volley has."));
        }
        let mut seen = Vec::new();
        for (index, (shot, said)) in view.volley.shots.iter().zip(new.seen).enumerate() {
            seen.extend(sighting(index as u16 + 1, said, shot.fuse.is_some())?);
        }
        if seen.is_empty() {
            return Err(Refused::entry("Nothing is said of any shot yet."));
        }
        let observer = self.observer()?;
        // Who sees the same volley again corrects what they said before; others' words stay beside it.
        let own = observer.map_or(Observer::Device(self.device), Observer::Person);
        let before: Vec<_> = view.sightings.iter().filter(|s| s.observer == own).map(|s| s.id).collect();
        let (volley, outing) = (view.id, view.volley.outing);
        let mut pen = self.pen(&new.key, now)?;
        let mut entry = pen.entry();
        let fact = Fact::Sightings(Sightings { volley, observer, seen });
        match before.iter().find(|f| f.entry != entry.id) {
            Some(old) => drop(entry.correct(*old, fact)),
            None => drop(entry.state(fact)),
        }
        self.write(&[(Home::Outing(outing), entry)], now)?;
        Ok(saved(json!({ "text": "Saved on this device: what you saw of that volley." })))
    }
}

/// What somebody saw of a volley that is in the log.
#[derive(Debug, Deserialize)]
pub(super) struct NewSight {
    #[serde(flatten)]
    key: Key,
    volley: String,
    seen: Vec<Seen>,
}
