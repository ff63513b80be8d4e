//! Facts back to rows, with the names that people know.

use super::row::{Row, UNNUMBERED};
use crate::facts::{
    DeviceId, FuseId, LotId, ModuleId, Outing, OutingId, PersonId, Shot, Sighting, Sightings, Volley, Wiring,
    WiringKind,
};

/// The names behind ids. Where there is none, the id itself is written, so that nothing is lost.
pub trait Names {
    /// Returns an outing.
    fn outing(&self, id: OutingId) -> Option<&Outing>;
    /// Returns a device's name.
    fn device(&self, id: DeviceId) -> Option<&str>;
    /// Returns a person's name.
    fn person(&self, id: PersonId) -> Option<&str>;
    /// Returns a firing module's name.
    fn module(&self, id: ModuleId) -> Option<&str>;
    /// Returns a lot's batch mark.
    fn lot(&self, id: LotId) -> Option<&str>;
    /// Returns a fuse's name.
    fn fuse(&self, id: FuseId) -> Option<&str>;
}

/// Returns the rows of a volley: observer by observer, each in the order of the shots.
///
/// A shot that nobody saw has no row, since a row is a sighting. What a row cannot hold is left out: leads, where a
/// clip's frames were counted from, and that a delay came from a stopwatch or a detector (its interval stays).
#[must_use]
pub fn rows_of(volley: &Volley, device: DeviceId, sightings: &[&Sightings], names: &dyn Names) -> Vec<Row> {
    let stated = names.outing(volley.outing);
    let outing = stated.map_or_else(|| volley.outing.to_string(), |o| o.name.clone());
    // A limit over a minute is no limit that a column or a person needs.
    let slow_limit_ms = stated.and_then(|o| u16::try_from(o.slow_limit_ms?).ok());
    let lengths = string_lengths(volley);
    let row = |observer: Option<PersonId>, shot: &Shot, seen: &Sighting| Row {
        outing: outing.clone(),
        outing_kind: stated.map(|o| o.kind),
        slow_limit_ms,
        time: volley.at,
        device: Some(named(device, names.device(device))),
        observer: observer.map(|id| named(id, names.person(id))),
        volley: volley.label.clone(),
        module: volley.module.map(|id| named(id, names.module(id))),
        channel: volley.channel,
        wiring: Some(volley.wiring.kind()),
        string_length: usize::from(seen.position).checked_sub(1).and_then(|p| lengths.get(p)).copied(),
        position: Some(seen.position),
        lot: named(shot.lot, names.lot(shot.lot)),
        unit: shot.unit.clone().unwrap_or_else(|| UNNUMBERED.to_owned()),
        attempt: Some(shot.attempt),
        fuse: shot.fuse.map(|id| named(id, names.fuse(id))),
        ignition: seen.ignition,
        transfer: Some(seen.transfer),
        delay: seen.delay,
        strength: seen.strength,
        cause: seen.cause,
        conditions: volley.conditions,
        note: seen.note.clone(),
    };
    let of_observer = |s: &&Sightings| {
        let observer = s.observer;
        let one = |seen: &Sighting| {
            let shot = volley.shots.get(usize::from(seen.position).checked_sub(1)?)?;
            Some(row(observer, shot, seen))
        };
        s.seen.iter().filter_map(one).collect::<Vec<_>>()
    };
    sightings.iter().flat_map(of_observer).collect()
}

fn named(id: impl ToString, name: Option<&str>) -> String {
    name.map_or_else(|| id.to_string(), str::to_owned)
}

/// Returns the length of the string that each shot is in; nothing where that is not known or says nothing.
fn string_lengths(volley: &Volley) -> Vec<u16> {
    let shots = volley.shots.len();
    match &volley.wiring {
        Wiring::SeriesParallel(strings) if strings.iter().map(|n| usize::from(*n)).sum::<usize>() == shots => {
            strings.iter().flat_map(|n| std::iter::repeat_n(*n, usize::from(*n))).collect()
        }
        wiring if wiring.kind() == WiringKind::Series => {
            vec![u16::try_from(shots).unwrap_or(u16::MAX); shots]
        }
        _ => Vec::new(),
    }
}
