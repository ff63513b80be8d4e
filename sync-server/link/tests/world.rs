//! Devices with logs, and what they hold.

use std::collections::BTreeSet;

use embertally_core::facts::{DeviceId, EntryId};
use embertally_core::log::{Home, Log};
use embertally_core::store::{MemoryStore, Store};
use embertally_link::{Courier, Note};
use embertally_testkit::Rng;
use embertally_testkit::builders::{VolleyBuilder, outing};

/// A device: a log and who writes in it.
pub(crate) struct Device<S> {
    pub(crate) log: Log<S>,
    pub(crate) id: DeviceId,
    rng: Rng,
    volleys: i64,
}

impl Device<MemoryStore> {
    /// Makes a device whose log lives in memory.
    pub(crate) fn new(seed: u64) -> Self {
        Self::over(MemoryStore::new(), seed)
    }
}

impl<S: Store> Device<S> {
    /// Makes a device over a store.
    pub(crate) fn over(store: S, seed: u64) -> Self {
        let mut rng = Rng::new(seed);
        let id = DeviceId::new(1_900_000_000_000, &mut rng);
        Self { log: Log::open(store, rng.fork()), id, rng, volleys: 0 }
    }

    /// Logs volleys of ten shots, each in one of three outings.
    pub(crate) fn log_volleys(&mut self, count: i64) {
        for _ in 0..count {
            self.volleys += 1;
            let outing = outing(self.rng.in_range(1..=3));
            let volley = VolleyBuilder {
                device: self.id,
                observer: embertally_core::facts::PersonId::named("Marlo"),
                outing,
                at_ms: 1_900_000_000_000 + self.volleys * 60_000,
                shots: 10,
                first_unit: 1,
            };
            let entry = volley.build(&mut self.rng);
            self.log.write(Home::Outing(outing), &entry).expect("it is written");
        }
    }

    /// Returns the ids of all entries.
    pub(crate) fn entries(&mut self) -> BTreeSet<EntryId> {
        let mut ids = BTreeSet::new();
        self.log.refresh().expect("it is read");
        self.log.replay(|_, entry| drop(ids.insert(entry.id))).expect("it is read");
        ids
    }

    pub(crate) fn courier(&self) -> Courier {
        Courier::new(self.id).expect("a courier")
    }
}

/// Takes notes and does nothing.
pub(crate) fn silent<S>(_: &mut Log<S>, _: Note) {}
