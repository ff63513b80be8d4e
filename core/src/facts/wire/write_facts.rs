//! Facts to CBOR. The numbers here are those of `entry.cddl`; they are never used again for anything else.

use super::super::decision::{Bridge, BridgeReading, MadeSafe, Match, Ruling, Withdrawal};
use super::super::delay::Delay;
use super::super::entry::{Entry, Fact, Stated};
use super::super::forgotten::Forgotten;
use super::super::id::{EntryId, FactId, ShotId, VolleyId};
use super::super::outing::{Conditions, Outing, Reading};
use super::super::register::{Device, FiringModule, Fuse, IgniterType, Lot, Person};
use super::super::time::Moment;
use super::super::volley::{Shot, Sighting, Sightings, Volley, Wiring};
use super::crew;
use super::write::{Fields, array, bytes, ints, text, uint};

pub(super) fn entry(entry: &Entry) -> Vec<u8> {
    let facts = array(entry.facts.iter().map(|stated| fact(entry.id, stated)));
    Fields::new()
        .bytes(1, entry.device.as_bytes())
        .raw(2, &moment(entry.written))
        .raw(3, &facts)
        .opt_uint(4, (entry.nth > 0).then_some(entry.nth))
        .finish()
}

fn fact(own: EntryId, stated: &Stated) -> Vec<u8> {
    let (kind, body) = match &stated.fact {
        Fact::IgniterType(f) => (1, igniter_type(f)),
        Fact::Lot(f) => (2, lot(f)),
        Fact::Fuse(f) => (3, fuse(f)),
        Fact::Module(f) => (4, module(f)),
        Fact::Person(f) => (5, person(f)),
        Fact::Device(f) => (6, device(f)),
        Fact::Outing(f) => (7, outing(f)),
        Fact::Volley(f) => (8, volley(f)),
        Fact::Sightings(f) => (9, sightings(own, f)),
        Fact::Ruling(f) => (10, ruling(own, f)),
        Fact::Match(f) => (11, a_match(own, f)),
        Fact::MadeSafe(f) => (12, made_safe(own, f)),
        Fact::Reading(f) => (13, reading(f)),
        Fact::Withdrawal(f) => (14, withdrawal(own, f)),
        Fact::Founding(f) => (16, crew::founding(f)),
        Fact::Invitation(f) => (17, crew::invitation(own, f)),
        Fact::Joining(f) => (18, crew::joining(own, f)),
        Fact::Standing(f) => (19, crew::standing(own, f)),
        Fact::Leaving(f) => (20, crew::leaving(own, f)),
        Fact::Seal(f) => (21, crew::seal(f)),
        Fact::Vouching(f) => (22, crew::vouching(f)),
        Fact::BridgeReading(f) => (15, bridge_reading(own, f)),
        Fact::Forgotten(f) => (23, forgotten(f)),
        // Read from a newer program's entry; such an entry's own bytes are passed on, never these.
        Fact::Unknown { kind } => (*kind, Fields::new().finish()),
    };
    let mut parts = vec![uint(kind), body];
    parts.extend(stated.replaces.map(|r| fact_id(own, r)));
    array(parts.into_iter())
}

pub(super) fn moment(m: Moment) -> Vec<u8> {
    ints(&[m.unix_ms, i64::from(m.offset_minutes)])
}

pub(super) fn fact_id(own: EntryId, id: FactId) -> Vec<u8> {
    if id.entry == own {
        uint(id.place.into())
    } else {
        array([bytes(id.entry.as_bytes()), uint(id.place.into())].into_iter())
    }
}

fn volley_id(own: EntryId, id: VolleyId) -> Vec<u8> {
    fact_id(own, id.0)
}

fn shot_id(own: EntryId, id: ShotId) -> Vec<u8> {
    array([volley_id(own, id.volley), uint(id.position.into())].into_iter())
}

fn igniter_type(f: &IgniterType) -> Vec<u8> {
    Fields::new()
        .text(1, &f.name)
        .opt_uint(2, f.bridge_resistance.map(|v| v.0))
        .opt_uint(3, f.no_fire_current.map(|v| v.0))
        .opt_uint(4, f.all_fire_current.map(|v| v.0))
        .opt_uint(5, f.series_current.map(|v| v.0))
        .opt_uint(6, f.firing_impulse.map(|v| v.0))
        .opt_text(7, f.source.as_ref())
        .opt_uint(8, f.impulse_spread.map(|v| v.0))
        .opt_uint(9, f.lag.map(|v| v.0))
        .opt_uint(10, f.lag_spread.map(|v| v.0))
        .opt_uint(11, f.bridge_tolerance.map(|v| v.0))
        .finish()
}

fn lot(f: &Lot) -> Vec<u8> {
    Fields::new()
        .text(1, &f.mark)
        .opt_bytes(2, f.igniter_type.as_ref().map(|v| v.as_bytes()))
        .opt_int(3, f.made_on.map(|v| v.days()))
        .opt_int(4, f.use_by.map(|v| v.days()))
        .opt_uint(5, f.count)
        .opt_text(6, f.storage.as_ref())
        .finish()
}

fn fuse(f: &Fuse) -> Vec<u8> {
    Fields::new()
        .text(1, &f.name)
        .uint(2, f.kind.number())
        .opt_text(3, f.sheath.as_ref())
        .opt_text(4, f.coupling.as_ref())
        .finish()
}

fn module(f: &FiringModule) -> Vec<u8> {
    Fields::new()
        .text(1, &f.name)
        .opt_uint(2, f.channels)
        .opt_uint(3, f.source_kind.map(|v| v.number()))
        .opt_uint(4, f.supply.map(|v| v.0))
        .opt_uint(5, f.source_resistance.map(|v| v.0))
        .opt_uint(6, f.capacitance.map(|v| v.0))
        .finish()
}

fn person(f: &Person) -> Vec<u8> {
    Fields::new().text(1, &f.name).uint(2, f.role.number()).finish()
}

fn device(f: &Device) -> Vec<u8> {
    Fields::new().bytes(1, f.id.as_bytes()).text(2, &f.name).finish()
}

fn outing(f: &Outing) -> Vec<u8> {
    Fields::new()
        .text(1, &f.name)
        .uint(2, f.kind.number())
        .opt_text(3, f.place.as_ref())
        .opt_raw(4, f.begins.map(moment))
        .opt_uint(5, f.slow_limit_ms)
        .opt_uint(6, f.wait_minutes)
        .finish()
}

fn conditions(c: &Conditions) -> Option<Vec<u8>> {
    (!c.is_empty()).then(|| {
        Fields::new()
            .opt_int(1, c.temperature.map(|v| v.0))
            .opt_uint(2, c.humidity.map(|v| v.0))
            .opt_uint(3, c.wind.map(|v| v.0))
            .opt_uint(4, c.precipitation.map(|v| v.number()))
            .finish()
    })
}

fn reading(f: &Reading) -> Vec<u8> {
    Fields::new()
        .bytes(1, f.outing.as_bytes())
        .raw(2, &moment(f.at))
        .opt_raw(3, conditions(&f.conditions))
        .opt_text(4, f.source.as_ref())
        .finish()
}

/// Ids that come again shot after shot stand once in a table, and each shot says which.
fn table<T: PartialEq + Copy>(ids: impl Iterator<Item = T>) -> Vec<T> {
    ids.fold(Vec::new(), |mut seen, id| {
        if !seen.contains(&id) {
            seen.push(id);
        }
        seen
    })
}

fn place_in<T: PartialEq>(table: &[T], id: &T) -> u64 {
    table.iter().position(|t| t == id).unwrap_or(0) as u64
}

fn volley(f: &Volley) -> Vec<u8> {
    let lots = table(f.shots.iter().map(|s| s.lot));
    let fuses = table(f.shots.iter().filter_map(|s| s.fuse));
    let strings = match &f.wiring {
        Wiring::SeriesParallel(lengths) => Some(ints(&lengths.iter().map(|n| i64::from(*n)).collect::<Vec<_>>())),
        _ => None,
    };
    let leads = f.leads.map(|l| ints(&[l.length.0.into(), l.cross_section.0.into()]));
    let shot = |s: &Shot| {
        let lot = place_in(&lots, &s.lot);
        Fields::new()
            .opt_uint(1, (lot > 0).then_some(lot))
            .opt_raw(2, s.unit.as_deref().map(unit))
            .opt_uint(3, (s.attempt != 1).then_some(s.attempt))
            .opt_uint(4, s.fuse.map(|id| place_in(&fuses, &id)))
            .finish()
    };
    Fields::new()
        .bytes(1, f.outing.as_bytes())
        .opt_raw(2, f.at.map(moment))
        .opt_bytes(3, f.module.as_ref().map(|v| v.as_bytes()))
        .opt_uint(4, f.channel)
        .opt_text(5, f.label.as_ref())
        .uint(6, f.wiring.kind().number())
        .opt_raw(7, strings)
        .opt_raw(8, leads)
        .opt_raw(9, conditions(&f.conditions))
        .raw(10, &array(lots.iter().map(|id| bytes(id.as_bytes()))))
        .raw(11, &array(fuses.iter().map(|id| bytes(id.as_bytes()))))
        .raw(12, &array(f.shots.iter().map(shot)))
        .finish()
}

/// A label that is a plain number is written as one.
fn unit(label: &str) -> Vec<u8> {
    match label.parse::<u32>() {
        Ok(n) if n.to_string() == label => uint(n.into()),
        _ => text(label),
    }
}

fn delay(d: Delay) -> Vec<u8> {
    match d {
        Delay::Clip { pulse_frame, light_frame, frames_per_1000_s } => {
            ints(&[0, pulse_frame.into(), light_frame.into(), frames_per_1000_s.into()])
        }
        Delay::Stopwatch { reading_us, within_us } => ints(&[1, reading_us.into(), within_us.into()]),
        Delay::Detector { reading_us, within_us } => ints(&[2, reading_us.into(), within_us.into()]),
        Delay::Stated { low_us, high_us } => ints(&[3, low_us.into(), high_us.into()]),
    }
}

fn sightings(own: EntryId, f: &Sightings) -> Vec<u8> {
    let sighting = |s: &Sighting| {
        Fields::new()
            .uint(1, s.position)
            .uint(2, s.ignition.number())
            .uint(3, s.transfer.number())
            .opt_raw(4, s.delay.map(delay))
            .opt_uint(5, s.strength)
            .opt_uint(6, s.cause.map(|c| c.number()))
            .opt_text(7, s.note.as_ref())
            .finish()
    };
    Fields::new()
        .raw(1, &volley_id(own, f.volley))
        .opt_bytes(2, f.observer.as_ref().map(|v| v.as_bytes()))
        .raw(3, &array(f.seen.iter().map(sighting)))
        .finish()
}

fn ruling(own: EntryId, f: &Ruling) -> Vec<u8> {
    Fields::new()
        .raw(1, &shot_id(own, f.shot))
        .opt_uint(2, f.ignition.map(|v| v.number()))
        .opt_uint(3, f.transfer.map(|v| v.number()))
        .opt_uint(4, f.cause.map(|v| v.number()))
        .text(5, &f.reason)
        .opt_bytes(6, f.by.as_ref().map(|v| v.as_bytes()))
        .finish()
}

fn a_match(own: EntryId, f: &Match) -> Vec<u8> {
    Fields::new()
        .raw(1, &volley_id(own, f.first))
        .raw(2, &volley_id(own, f.second))
        .bool(3, f.same)
        .opt_bytes(4, f.by.as_ref().map(|v| v.as_bytes()))
        .finish()
}

fn made_safe(own: EntryId, f: &MadeSafe) -> Vec<u8> {
    Fields::new()
        .raw(1, &array(f.shots.iter().map(|s| shot_id(own, *s))))
        .opt_bytes(2, f.by.as_ref().map(|v| v.as_bytes()))
        .opt_raw(3, f.at.map(moment))
        .opt_text(4, f.how.as_ref())
        .finish()
}

fn withdrawal(own: EntryId, f: &Withdrawal) -> Vec<u8> {
    Fields::new().raw(1, &fact_id(own, f.fact)).text(2, &f.reason).finish()
}

fn bridge_reading(own: EntryId, f: &BridgeReading) -> Vec<u8> {
    let bridge = match f.bridge {
        Bridge::Measured(resistance) => ints(&[0, resistance.0.into()]),
        Bridge::Open => ints(&[1]),
    };
    Fields::new()
        .raw(1, &shot_id(own, f.shot))
        .raw(2, &bridge)
        .raw(3, &moment(f.at))
        .opt_text(4, f.instrument.as_ref())
        .opt_bytes(5, f.by.as_ref().map(|v| v.as_bytes()))
        .finish()
}

fn forgotten(f: &Forgotten) -> Vec<u8> {
    Fields::new().bytes(1, f.person.as_bytes()).opt_text(2, f.reason.as_ref()).finish()
}
