//! Entries for tests: a season of volleys such as a crew would write.

use embertally_core::facts::{
    Conditions, Delay, DeviceId, Entry, EntryId, Fact, FuseId, Humidity, Ignition, LotId, ModuleId, Moment, OutingId,
    PersonId, Precipitation, Shot, Sighting, Sightings, Temperature, Transfer, Volley, WindSpeed, Wiring,
};
use embertally_core::log::Home;

use crate::Rng;

/// The outing that test volleys belong to.
#[must_use]
pub fn outing(number: u64) -> OutingId {
    OutingId::named(&format!("outing {number}"))
}

/// Builds one volley with its sightings, all sixteen fields of a shot filled: module, channel, wiring, lot, unit,
/// attempt, fuse, ignition, transfer, delay, strength, temperature, humidity, wind, precipitation, observer.
#[derive(Debug, Clone)]
pub struct VolleyBuilder {
    /// The device that writes it.
    pub device: DeviceId,
    /// Who saw it.
    pub observer: PersonId,
    /// The outing.
    pub outing: OutingId,
    /// When, in milliseconds since 1970.
    pub at_ms: i64,
    /// How many shots.
    pub shots: u16,
    /// Which unit comes first; the others follow.
    pub first_unit: u64,
}

impl VolleyBuilder {
    /// Returns the entry; what was seen is drawn from `rng`.
    pub fn build(&self, rng: &mut Rng) -> Entry {
        let at = Moment { unix_ms: self.at_ms, offset_minutes: 120 };
        let mut entry = Entry::new(EntryId::new(self.at_ms, rng), self.device, at);
        let lot = LotId::named(&format!("LOT-{}", rng.in_range(1..=6)));
        let fuse = FuseId::named(&format!("fuse {}", rng.in_range(1..=4)));
        let shot = |n: u16| Shot {
            lot,
            unit: Some((self.first_unit + u64::from(n)).to_string()),
            attempt: 1,
            fuse: Some(fuse),
        };
        let volley = entry.state_volley(Volley {
            outing: self.outing,
            at: Some(at),
            module: Some(ModuleId::named("box 1")),
            channel: Some(rng.in_range(1..=16) as u16),
            label: None,
            wiring: if rng.chance(500) { Wiring::Parallel } else { Wiring::Series },
            leads: None,
            conditions: Conditions {
                temperature: Some(Temperature(rng.in_range(0..=2_500) as i16)),
                humidity: Some(Humidity(rng.in_range(400..=990) as u16)),
                wind: Some(WindSpeed(rng.in_range(0..=900) as u16)),
                precipitation: Some(*rng.pick(Precipitation::ALL)),
            },
            shots: (0..self.shots).map(shot).collect(),
        });
        let seen = (1..=self.shots).map(|position| {
            let failed = rng.chance(20);
            let frames = rng.in_range(2..=9) as u32;
            Sighting {
                position,
                ignition: if failed { Ignition::Failed } else { Ignition::Fired },
                transfer: if failed || rng.chance(30) { Transfer::Unlit } else { Transfer::Lit },
                delay: (!failed).then_some(Delay::Clip {
                    pulse_frame: 30,
                    light_frame: 30 + frames,
                    frames_per_1000_s: 120_000,
                }),
                strength: (!failed).then(|| rng.in_range(2..=5) as u8),
                cause: None,
                note: None,
            }
        });
        let seen = seen.collect();
        entry.state(Fact::Sightings(Sightings { volley, observer: Some(self.observer), seen }));
        entry
    }
}

/// Returns a season of at least so many shots in volleys of five to ten, by four devices, in outings of at most 5,000
/// shots each.
#[must_use]
pub fn season(shots: u64, rng: &mut Rng) -> Vec<(Home, Entry)> {
    let mut entries = Vec::new();
    let (mut written, mut at_ms) = (0_u64, 1_900_000_000_000_i64);
    while written < shots {
        let device = rng.in_range(1..=4);
        let outing = outing(written / 5_000);
        let count = rng.in_range(5..=10) as u16;
        at_ms += 90_000;
        let builder = VolleyBuilder {
            device: DeviceId::named(&format!("device {device}")),
            observer: PersonId::named(&format!("observer {device}")),
            outing,
            at_ms,
            shots: count,
            first_unit: written,
        };
        entries.push((Home::Outing(outing), builder.build(rng)));
        written += u64::from(count);
    }
    entries
}
