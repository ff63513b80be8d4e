//! CBOR to facts. The numbers here are those of `entry.cddl`.

use super::super::decision::{Bridge, BridgeReading, MadeSafe, Match, Ruling, Withdrawal};
use super::super::delay::Delay;
use super::super::entry::{Entry, Fact, Stated};
use super::super::forgotten::Forgotten;
use super::super::id::{
    DeviceId, EntryId, FactId, FuseId, LotId, ModuleId, OutingId, PersonId, ShotId, TypeId, VolleyId,
};
use super::super::outing::{Conditions, Outing, Reading};
use super::super::register::{Device, FiringModule, Fuse, IgniterType, Leads, Lot, Person};
use super::super::time::{Date, Moment};
use super::super::units::{
    Capacitance, CrossSection, Current, Humidity, Impulse, Lag, Length, Resistance, Temperature, Voltage, WindSpeed,
};
use super::super::volley::{Shot, Sighting, Sightings, Volley, Wiring};
use super::super::words::{
    Cause, FuseKind, Ignition, OutingKind, Precipitation, Role, SourceKind, Transfer, WiringKind,
};
use super::WireError;
use super::crew;
use super::read::Reader;

type Read<T> = Result<T, WireError>;

pub(super) fn entry(id: EntryId, bytes: &[u8]) -> Read<Entry> {
    let r = &mut Reader::new(bytes);
    let (mut device, mut written, mut facts, mut nth) = (None, None, None, 0);
    r.fields(|key, r| {
        match key {
            1 => device = Some(DeviceId::from_bytes(r.bytes16()?)),
            2 => written = Some(moment(r)?),
            3 => facts = Some(r.items(|r| fact(id, r))?),
            4 => nth = r.uint("which of several entries")?,
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    let facts = r.need(facts, "the list of facts")?;
    if facts.len() > usize::from(u16::MAX) {
        return Err(WireError::OutOfRange { at: r.at(), field: "the number of facts" });
    }
    let entry = Entry {
        id,
        device: r.need(device, "the device")?,
        written: r.need(written, "the time of writing")?,
        facts,
        nth,
    };
    r.end()?;
    Ok(entry)
}

fn fact(own: EntryId, r: &mut Reader<'_>) -> Read<Stated> {
    let parts = r.array()?;
    if parts < 2 {
        return Err(r.wrong("a fact needs a kind and a body"));
    }
    let kind = r.u64()?;
    let fact = match kind {
        1 => Fact::IgniterType(igniter_type(r)?),
        2 => Fact::Lot(lot(r)?),
        3 => Fact::Fuse(fuse(r)?),
        4 => Fact::Module(module(r)?),
        5 => Fact::Person(person(r)?),
        6 => Fact::Device(device(r)?),
        7 => Fact::Outing(outing(r)?),
        8 => Fact::Volley(volley(r)?),
        9 => Fact::Sightings(sightings(own, r)?),
        10 => Fact::Ruling(ruling(own, r)?),
        11 => Fact::Match(a_match(own, r)?),
        12 => Fact::MadeSafe(made_safe(own, r)?),
        13 => Fact::Reading(reading(r)?),
        14 => Fact::Withdrawal(withdrawal(own, r)?),
        16 => Fact::Founding(crew::read_founding(r)?),
        17 => Fact::Invitation(crew::read_invitation(own, r)?),
        18 => Fact::Joining(crew::read_joining(own, r)?),
        19 => Fact::Standing(crew::read_standing(own, r)?),
        20 => Fact::Leaving(crew::read_leaving(own, r)?),
        21 => Fact::Seal(crew::read_seal(r)?),
        22 => Fact::Vouching(crew::read_vouching(r)?),
        15 => Fact::BridgeReading(bridge_reading(own, r)?),
        23 => Fact::Forgotten(forgotten(r)?),
        _ => {
            r.skip()?;
            Fact::Unknown { kind }
        }
    };
    let replaces = if parts > 2 { Some(fact_id(own, r)?) } else { None };
    for _ in 3..parts {
        r.skip()?;
    }
    Ok(Stated { fact, replaces })
}

pub(super) fn moment(r: &mut Reader<'_>) -> Read<Moment> {
    r.array_of(2)?;
    let unix_ms = r.i64()?;
    let at = r.at();
    let offset_minutes: i16 = r.int("the offset from UTC")?;
    if offset_minutes.unsigned_abs() > 1439 {
        return Err(WireError::OutOfRange { at, field: "the offset from UTC" });
    }
    Ok(Moment { unix_ms, offset_minutes })
}

fn date(r: &mut Reader<'_>) -> Read<Date> {
    let at = r.at();
    Date::from_days(r.int("a date")?).ok_or(WireError::OutOfRange { at, field: "a date" })
}

pub(super) fn fact_id(own: EntryId, r: &mut Reader<'_>) -> Read<FactId> {
    if r.next_is_uint() {
        return Ok(FactId { entry: own, place: r.uint("a fact's place")? });
    }
    r.array_of(2)?;
    Ok(FactId { entry: EntryId::from_bytes(r.bytes16()?), place: r.uint("a fact's place")? })
}

fn volley_id(own: EntryId, r: &mut Reader<'_>) -> Read<VolleyId> {
    fact_id(own, r).map(VolleyId)
}

fn shot_id(own: EntryId, r: &mut Reader<'_>) -> Read<ShotId> {
    r.array_of(2)?;
    Ok(ShotId { volley: volley_id(own, r)?, position: r.uint("a position")? })
}

fn person_id(r: &mut Reader<'_>) -> Read<PersonId> {
    r.bytes16().map(PersonId::from_bytes)
}

fn igniter_type(r: &mut Reader<'_>) -> Read<IgniterType> {
    let mut name = None;
    let mut f = IgniterType::named("");
    r.fields(|key, r| {
        match key {
            1 => name = Some(r.text()?),
            2 => f.bridge_resistance = Some(Resistance(r.uint("a bridge resistance")?)),
            3 => f.no_fire_current = Some(Current(r.uint("a no-fire current")?)),
            4 => f.all_fire_current = Some(Current(r.uint("an all-fire current")?)),
            5 => f.series_current = Some(Current(r.uint("a series current")?)),
            6 => f.firing_impulse = Some(Impulse(r.uint("a firing impulse")?)),
            7 => f.source = Some(r.text()?),
            8 => f.impulse_spread = Some(Impulse(r.uint("the spread of a firing impulse")?)),
            9 => f.lag = Some(Lag(r.uint("a lag")?)),
            10 => f.lag_spread = Some(Lag(r.uint("the spread of a lag")?)),
            11 => f.bridge_tolerance = Some(Resistance(r.uint("the tolerance of a bridge resistance")?)),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    f.name = r.need(name, "an igniter type's name")?;
    Ok(f)
}

fn lot(r: &mut Reader<'_>) -> Read<Lot> {
    let mut mark = None;
    let mut f =
        Lot { mark: String::new(), igniter_type: None, made_on: None, use_by: None, count: None, storage: None };
    r.fields(|key, r| {
        match key {
            1 => mark = Some(r.text()?),
            2 => f.igniter_type = Some(TypeId::from_bytes(r.bytes16()?)),
            3 => f.made_on = Some(date(r)?),
            4 => f.use_by = Some(date(r)?),
            5 => f.count = Some(r.uint("a count")?),
            6 => f.storage = Some(r.text()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    f.mark = r.need(mark, "a lot's batch mark")?;
    Ok(f)
}

fn fuse(r: &mut Reader<'_>) -> Read<Fuse> {
    let (mut name, mut kind, mut sheath, mut coupling) = (None, None, None, None);
    r.fields(|key, r| {
        match key {
            1 => name = Some(r.text()?),
            2 => kind = Some(r.choice("a kind of fuse", FuseKind::from_number)?),
            3 => sheath = Some(r.text()?),
            4 => coupling = Some(r.text()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Fuse { name: r.need(name, "a fuse's name")?, kind: r.need(kind, "a fuse's kind")?, sheath, coupling })
}

fn module(r: &mut Reader<'_>) -> Read<FiringModule> {
    let mut name = None;
    let mut f = FiringModule {
        name: String::new(),
        channels: None,
        source_kind: None,
        supply: None,
        source_resistance: None,
        capacitance: None,
    };
    r.fields(|key, r| {
        match key {
            1 => name = Some(r.text()?),
            2 => f.channels = Some(r.uint("a number of channels")?),
            3 => f.source_kind = Some(r.choice("a kind of source", SourceKind::from_number)?),
            4 => f.supply = Some(Voltage(r.uint("a supply voltage")?)),
            5 => f.source_resistance = Some(Resistance(r.uint("a source resistance")?)),
            6 => f.capacitance = Some(Capacitance(r.uint("a capacitance")?)),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    f.name = r.need(name, "a firing module's name")?;
    Ok(f)
}

fn person(r: &mut Reader<'_>) -> Read<Person> {
    let (mut name, mut role) = (None, None);
    r.fields(|key, r| {
        match key {
            1 => name = Some(r.text()?),
            2 => role = Some(r.choice("a role", Role::from_number)?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Person { name: r.need(name, "a person's name")?, role: r.need(role, "a person's role")? })
}

fn device(r: &mut Reader<'_>) -> Read<Device> {
    let (mut id, mut name) = (None, None);
    r.fields(|key, r| {
        match key {
            1 => id = Some(DeviceId::from_bytes(r.bytes16()?)),
            2 => name = Some(r.text()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Device { id: r.need(id, "a device's id")?, name: r.need(name, "a device's name")? })
}

fn outing(r: &mut Reader<'_>) -> Read<Outing> {
    let (mut name, mut kind) = (None, None);
    let (mut place, mut begins, mut slow_limit_ms, mut wait_minutes) = (None, None, None, None);
    r.fields(|key, r| {
        match key {
            1 => name = Some(r.text()?),
            2 => kind = Some(r.choice("a kind of outing", OutingKind::from_number)?),
            3 => place = Some(r.text()?),
            4 => begins = Some(moment(r)?),
            5 => slow_limit_ms = Some(r.uint("a limit for slow shots")?),
            6 => wait_minutes = Some(r.uint("a waiting time")?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Outing {
        name: r.need(name, "an outing's name")?,
        kind: r.need(kind, "an outing's kind")?,
        place,
        begins,
        slow_limit_ms,
        wait_minutes,
    })
}

fn conditions(r: &mut Reader<'_>) -> Read<Conditions> {
    let mut c = Conditions::default();
    r.fields(|key, r| {
        match key {
            1 => c.temperature = Some(Temperature(r.int("a temperature")?)),
            2 => c.humidity = Some(Humidity(r.uint("a humidity")?)),
            3 => c.wind = Some(WindSpeed(r.uint("a wind speed")?)),
            4 => c.precipitation = Some(r.choice("a kind of precipitation", Precipitation::from_number)?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(c)
}

fn reading(r: &mut Reader<'_>) -> Read<Reading> {
    let (mut outing, mut at, mut source) = (None, None, None);
    let mut c = Conditions::default();
    r.fields(|key, r| {
        match key {
            1 => outing = Some(OutingId::from_bytes(r.bytes16()?)),
            2 => at = Some(moment(r)?),
            3 => c = conditions(r)?,
            4 => source = Some(r.text()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Reading {
        outing: r.need(outing, "a reading's outing")?,
        at: r.need(at, "a reading's time")?,
        conditions: c,
        source,
    })
}

fn volley(r: &mut Reader<'_>) -> Read<Volley> {
    let (mut outing, mut at, mut module, mut channel, mut label) = (None, None, None, None, None);
    let (mut wiring, mut leads) = (None, None);
    let mut strings: Vec<u16> = Vec::new();
    let mut c = Conditions::default();
    let (mut lots, mut fuses): (Vec<LotId>, Vec<FuseId>) = (Vec::new(), Vec::new());
    let mut shots = None;
    r.fields(|key, r| {
        match key {
            1 => outing = Some(OutingId::from_bytes(r.bytes16()?)),
            2 => at = Some(moment(r)?),
            3 => module = Some(ModuleId::from_bytes(r.bytes16()?)),
            4 => channel = Some(r.uint("a channel")?),
            5 => label = Some(r.text()?),
            6 => wiring = Some(r.choice("a wiring", WiringKind::from_number)?),
            7 => strings = r.items(|r| r.uint("a string's length"))?,
            8 => {
                r.array_of(2)?;
                leads = Some(Leads {
                    length: Length(r.uint("a lead's length")?),
                    cross_section: CrossSection(r.uint("a lead's cross-section")?),
                });
            }
            9 => c = conditions(r)?,
            10 => lots = r.items(|r| r.bytes16().map(LotId::from_bytes))?,
            11 => fuses = r.items(|r| r.bytes16().map(FuseId::from_bytes))?,
            // Keys ascend, so both tables have been read.
            12 => shots = Some(r.items(|r| shot(&lots, &fuses, r))?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    let wiring = match r.need(wiring, "a volley's wiring")? {
        WiringKind::Single => Wiring::Single,
        WiringKind::Series => Wiring::Series,
        WiringKind::Parallel => Wiring::Parallel,
        WiringKind::SeriesParallel => Wiring::SeriesParallel(strings),
    };
    let shots = r.need(shots, "a volley's shots")?;
    if shots.len() > usize::from(u16::MAX) {
        return Err(WireError::OutOfRange { at: r.at(), field: "the number of shots" });
    }
    let outing = r.need(outing, "a volley's outing")?;
    Ok(Volley { outing, at, module, channel, label, wiring, leads, conditions: c, shots })
}

fn shot(lots: &[LotId], fuses: &[FuseId], r: &mut Reader<'_>) -> Read<Shot> {
    let (mut lot, mut unit, mut attempt, mut fuse) = (0_usize, None, 1_u8, None);
    r.fields(|key, r| {
        match key {
            1 => lot = r.uint("a shot's lot")?,
            2 => unit = Some(if r.next_is_uint() { r.uint::<u32>("a unit")?.to_string() } else { r.text()? }),
            3 => attempt = r.uint("an attempt")?,
            4 => {
                let at = r.at();
                let place: usize = r.uint("a shot's fuse")?;
                fuse = Some(*fuses.get(place).ok_or(WireError::OutOfRange { at, field: "a shot's fuse" })?);
            }
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    let lot = *lots.get(lot).ok_or(WireError::OutOfRange { at: r.at(), field: "a shot's lot" })?;
    Ok(Shot { lot, unit, attempt, fuse })
}

fn delay(r: &mut Reader<'_>) -> Read<Delay> {
    let at = r.at();
    let n = r.array()?;
    let kind = r.u64()?;
    let delay = match (kind, n) {
        (0, 4) => Delay::Clip {
            pulse_frame: r.uint("a frame")?,
            light_frame: r.uint("a frame")?,
            frames_per_1000_s: r.uint("a frame rate")?,
        },
        (1, 3) => Delay::Stopwatch { reading_us: r.uint("a delay")?, within_us: r.uint("a delay")? },
        (2, 3) => Delay::Detector { reading_us: r.uint("a delay")?, within_us: r.uint("a delay")? },
        (3, 3) => Delay::Stated { low_us: r.uint("a delay")?, high_us: r.uint("a delay")? },
        _ => return Err(WireError::OutOfRange { at, field: "a way of measuring a delay" }),
    };
    delay.checked_interval().map_err(|e| WireError::Malformed { at, what: e.to_string() })?;
    Ok(delay)
}

fn sightings(own: EntryId, r: &mut Reader<'_>) -> Read<Sightings> {
    let (mut volley, mut observer, mut seen) = (None, None, None);
    r.fields(|key, r| {
        match key {
            1 => volley = Some(volley_id(own, r)?),
            2 => observer = Some(person_id(r)?),
            3 => seen = Some(r.items(sighting)?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Sightings { volley: r.need(volley, "the volley seen")?, observer, seen: r.need(seen, "what was seen")? })
}

fn sighting(r: &mut Reader<'_>) -> Read<Sighting> {
    let (mut position, mut ignition, mut transfer) = (None, None, None);
    let (mut delay_read, mut strength, mut cause, mut note) = (None, None, None, None);
    r.fields(|key, r| {
        match key {
            1 => position = Some(r.uint("a position")?),
            2 => ignition = Some(r.choice("an ignition", Ignition::from_number)?),
            3 => transfer = Some(r.choice("a transfer", Transfer::from_number)?),
            4 => delay_read = Some(delay(r)?),
            5 => strength = Some(r.choice("a strength", |n| (1..=5).contains(&n).then_some(n as u8))?),
            6 => cause = Some(r.choice("a cause", Cause::from_number)?),
            7 => note = Some(r.text()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Sighting {
        position: r.need(position, "a position")?,
        ignition: r.need(ignition, "an ignition")?,
        transfer: r.need(transfer, "a transfer")?,
        delay: delay_read,
        strength,
        cause,
        note,
    })
}

fn ruling(own: EntryId, r: &mut Reader<'_>) -> Read<Ruling> {
    let (mut shot, mut ignition, mut transfer, mut cause, mut reason, mut by) = (None, None, None, None, None, None);
    r.fields(|key, r| {
        match key {
            1 => shot = Some(shot_id(own, r)?),
            2 => ignition = Some(r.choice("an ignition", Ignition::from_number)?),
            3 => transfer = Some(r.choice("a transfer", Transfer::from_number)?),
            4 => cause = Some(r.choice("a cause", Cause::from_number)?),
            5 => reason = Some(r.text()?),
            6 => by = Some(person_id(r)?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Ruling {
        shot: r.need(shot, "the shot ruled on")?,
        ignition,
        transfer,
        cause,
        reason: r.need(reason, "a ruling's reason")?,
        by,
    })
}

fn a_match(own: EntryId, r: &mut Reader<'_>) -> Read<Match> {
    let (mut first, mut second, mut same, mut by) = (None, None, None, None);
    r.fields(|key, r| {
        match key {
            1 => first = Some(volley_id(own, r)?),
            2 => second = Some(volley_id(own, r)?),
            3 => same = Some(r.bool()?),
            4 => by = Some(person_id(r)?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Match {
        first: r.need(first, "a matched volley")?,
        second: r.need(second, "a matched volley")?,
        same: r.need(same, "whether they are the same")?,
        by,
    })
}

fn made_safe(own: EntryId, r: &mut Reader<'_>) -> Read<MadeSafe> {
    let (mut shots, mut by, mut at, mut how) = (None, None, None, None);
    r.fields(|key, r| {
        match key {
            1 => shots = Some(r.items(|r| shot_id(own, r))?),
            2 => by = Some(person_id(r)?),
            3 => at = Some(moment(r)?),
            4 => how = Some(r.text()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(MadeSafe { shots: r.need(shots, "the shots made safe")?, by, at, how })
}

fn withdrawal(own: EntryId, r: &mut Reader<'_>) -> Read<Withdrawal> {
    let (mut fact, mut reason) = (None, None);
    r.fields(|key, r| {
        match key {
            1 => fact = Some(fact_id(own, r)?),
            2 => reason = Some(r.text()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Withdrawal { fact: r.need(fact, "the fact withdrawn")?, reason: r.need(reason, "a reason")? })
}

/// An open bridge is said outright: a missing value must never read as one.
fn bridge(r: &mut Reader<'_>) -> Read<Bridge> {
    let parts = r.array()?;
    match (parts, r.u64()?) {
        (2, 0) => Ok(Bridge::Measured(Resistance(r.uint("a bridge resistance")?))),
        (1, 1) => Ok(Bridge::Open),
        _ => Err(r.wrong("a bridge is [0, milliohm] or [1]")),
    }
}

fn bridge_reading(own: EntryId, r: &mut Reader<'_>) -> Read<BridgeReading> {
    let (mut shot, mut shown, mut at, mut instrument, mut by) = (None, None, None, None, None);
    r.fields(|key, r| {
        match key {
            1 => shot = Some(shot_id(own, r)?),
            2 => shown = Some(bridge(r)?),
            3 => at = Some(moment(r)?),
            4 => instrument = Some(r.text()?),
            5 => by = Some(person_id(r)?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(BridgeReading {
        shot: r.need(shot, "the shot measured")?,
        bridge: r.need(shown, "what the tester showed")?,
        at: r.need(at, "the time of a bridge reading")?,
        instrument,
        by,
    })
}

fn forgotten(r: &mut Reader<'_>) -> Read<Forgotten> {
    let (mut person, mut reason) = (None, None);
    r.fields(|key, r| {
        match key {
            1 => person = Some(person_id(r)?),
            2 => reason = Some(r.text()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(Forgotten { person: r.need(person, "the person forgotten")?, reason })
}
