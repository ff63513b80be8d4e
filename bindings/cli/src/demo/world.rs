//! The invented world of the demo: four devices that each keep a log of their own, a clock, and seeded chance.

use std::cell::Cell;
use std::path::Path;
use std::rc::Rc;

use embertally_core::facts::{DeviceId, Entry, EntryId, Fact, Moment, OutingId, PersonId, Sighting, Sightings, Volley};
use embertally_core::log::{Home, Log};
use embertally_store_sqlite::SqliteStore;

use crate::error::CliError;

/// Seeded chance: SplitMix64 (Steele, Lea and Flood, OOPSLA 2014; constants from memory). The same on every machine.
#[derive(Debug, Clone)]
pub(super) struct Chance(u64);

impl Chance {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(super) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number from 0 to below 1.
    pub(super) fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(super) fn happens(&mut self, probability: f64) -> bool {
        self.share() < probability
    }

    /// A whole number from `low` to `high`, both included.
    pub(super) fn between(&mut self, low: u32, high: u32) -> u32 {
        low + (self.share() * f64::from(high - low + 1)) as u32
    }
}

/// The clock of the invented world, shared by all devices, each of which is a little off.
#[derive(Debug, Clone)]
pub(super) struct Clock(Rc<Cell<i64>>);

/// Two hours east of UTC.
const OFFSET_MINUTES: i16 = 120;

impl Clock {
    pub(super) fn at(start: &Moment) -> Self {
        Self(Rc::new(Cell::new(start.unix_ms)))
    }

    pub(super) fn set(&self, moment: &Moment) {
        self.0.set(moment.unix_ms);
    }

    pub(super) fn pass(&self, seconds: u32) {
        self.0.set(self.0.get() + i64::from(seconds) * 1000);
    }

    pub(super) fn now(&self) -> Moment {
        Moment { unix_ms: self.0.get(), offset_minutes: OFFSET_MINUTES }
    }
}

/// One device of the invented crew, with its own log on disk.
pub(super) struct Device {
    pub(super) name: &'static str,
    pub(super) log: Log<SqliteStore>,
    pub(super) id: DeviceId,
    observer: PersonId,
    clock: Clock,
    /// How far its clock is off.
    skew_ms: i64,
    chance: Chance,
}

impl Device {
    pub(super) fn new(
        folder: &Path,
        name: &'static str,
        observer: &str,
        clock: &Clock,
        skew_ms: i64,
        seed: u64,
    ) -> Result<Self, CliError> {
        let mut actors = Chance::new(seed ^ 0xac70);
        let log = Log::open(SqliteStore::open(folder.join(name))?, move || actors.bits());
        let mut chance = Chance::new(seed);
        let id = DeviceId::new(clock.now().unix_ms, &mut || chance.bits());
        Ok(Self { name, log, id, observer: PersonId::named(observer), clock: clock.clone(), skew_ms, chance })
    }

    /// Begins an entry at this device's idea of the time.
    pub(super) fn entry(&mut self) -> Entry {
        let written = self.clock.now().plus_ms(self.skew_ms);
        let chance = &mut self.chance;
        Entry::new(EntryId::new(written.unix_ms, &mut || chance.bits()), self.id, written)
    }

    /// Writes facts of the register or of an outing, one entry.
    pub(super) fn state(&mut self, home: Home, facts: Vec<Fact>) -> Result<(), CliError> {
        let mut entry = self.entry();
        for fact in facts {
            entry.state(fact);
        }
        self.log.write(home, &entry)?;
        Ok(())
    }

    /// Logs a volley with what this device's observer saw of it.
    pub(super) fn volley(
        &mut self,
        outing: OutingId,
        volley: Volley,
        seen: Vec<Sighting>,
    ) -> Result<embertally_core::facts::VolleyId, CliError> {
        let mut entry = self.entry();
        let id = entry.state_volley(volley);
        entry.state(Fact::Sightings(Sightings { volley: id, observer: Some(self.observer), seen }));
        self.log.write(Home::Outing(outing), &entry)?;
        Ok(id)
    }

    pub(super) fn observer(&self) -> PersonId {
        self.observer
    }
}
