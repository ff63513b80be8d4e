//! A simulated crew: devices that log, lose power, and hand each other changes over a bad network, all from one seed.

use embertally_core::facts::{DeviceId, DocumentId, EntryId, PersonId};
use embertally_core::log::{Home, Log, LogError};

use crate::builders::{VolleyBuilder, outing};
use crate::{Broken, DeviceClock, Link, Model, Rng, SimClock, SimDisk, SimNet, SimStore};

/// One simulated device: a disk that survives, and a log that is opened again after each loss of power.
struct SimDevice {
    disk: SimDisk,
    log: Option<Log<SimStore>>,
    clock: DeviceClock,
    id: DeviceId,
}

/// What happened in a run, for the test to be sure that it tested something.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    /// Entries whose writing was acknowledged.
    pub written: u64,
    /// Writes that failed because the power went.
    pub refused: u64,
    /// Times the power went.
    pub power_cuts: u64,
    /// Bundles of changes that arrived and were taken in.
    pub taken_in: u64,
    /// Bundles that arrived damaged or cut, or that could not be stored.
    pub not_taken: u64,
}

/// A simulated crew.
pub struct SimCrew {
    devices: Vec<SimDevice>,
    clock: SimClock,
    net: SimNet,
    rng: Rng,
    model: Model<EntryId>,
    next_unit: u64,
    tally: Tally,
}

impl SimCrew {
    /// Begins a crew of some devices, each with a clock that is off by up to ten years either way.
    #[must_use]
    pub fn new(seed: u64, devices: usize) -> Self {
        let mut rng = Rng::new(seed);
        let clock = SimClock::new(1_900_000_000_000);
        let ten_years = 10 * 365 * 86_400_000_u64;
        let devices = (0..devices)
            .map(|n| SimDevice {
                disk: SimDisk::new(rng.in_range(0..=u64::MAX)),
                log: None,
                clock: clock.device(rng.in_range(0..=2 * ten_years) as i64 - ten_years as i64),
                id: DeviceId::named(&format!("device {n}")),
            })
            .collect();
        let net = SimNet::new(rng.in_range(0..=u64::MAX), Link::bad());
        Self { devices, clock, net, rng, model: Model::default(), next_unit: 0, tally: Tally::default() }
    }

    /// Returns what happened so far.
    #[must_use]
    pub fn tally(&self) -> Tally {
        self.tally
    }

    /// Returns the device's log, opened (again) from its disk if need be.
    fn log(&mut self, device: usize) -> Result<&mut Log<SimStore>, LogError> {
        let random = self.rng.fork();
        let d = &mut self.devices[device];
        if d.log.is_none() {
            d.log = Some(Log::open(d.disk.open()?, random));
        }
        d.log.as_mut().ok_or_else(|| LogError::Internal { what: "a log just opened is not there".to_owned() })
    }

    /// The power of a device goes and comes back; what was not flushed is kept, lost or torn.
    fn power_cut(&mut self, device: usize) {
        self.devices[device].log = None;
        self.devices[device].disk.restart();
        self.net.forget(device as u32);
        self.tally.power_cuts += 1;
    }

    fn write(&mut self, device: usize) {
        let home = outing(self.rng.in_range(0..=1));
        let builder = VolleyBuilder {
            device: self.devices[device].id,
            observer: PersonId::named("somebody"),
            outing: home,
            at_ms: self.devices[device].clock.now_ms(),
            shots: self.rng.in_range(1..=3) as u16,
            first_unit: self.next_unit,
        };
        self.next_unit += 3;
        let entry = builder.build(&mut self.rng);
        self.model.attempted(entry.id);
        if self.rng.chance(150) {
            let soon = self.rng.in_range(1..=12);
            self.devices[device].disk.cut_power_at(soon);
        }
        match self.log(device).and_then(|log| log.write(Home::Outing(home), &entry)) {
            Ok(_) => {
                self.model.acknowledged(entry.id);
                self.tally.written += 1;
            }
            Err(_) => {
                // The power went: whether it was kept is not known, so the model allows both.
                self.tally.refused += 1;
                self.power_cut(device);
            }
        }
    }

    /// Sends all changes of one document to another device, in one bundle.
    fn send(&mut self, from: usize, to: usize) {
        let Ok(log) = self.log(from) else { return self.power_cut(from) };
        let documents: Vec<DocumentId> = log.list().unwrap_or_default().into_iter().map(|l| l.document).collect();
        for document in documents {
            let Ok(log) = self.log(from) else { return self.power_cut(from) };
            let Ok(snapshot) = log.snapshot(document) else { return self.power_cut(from) };
            let mut bundle = document.to_string().into_bytes();
            bundle.push(b'\n');
            bundle.extend(snapshot.changes_since(&[]));
            self.net.send(from as u32, to as u32, &bundle);
        }
    }

    fn deliver(&mut self) {
        let until = self.net.now_ms() + self.rng.in_range(0..=3_000);
        while let Some(delivery) = self.net.next_before(until) {
            let to = delivery.to as usize;
            match self.take_in(to, &delivery.bytes) {
                Ok(true) => self.tally.taken_in += 1,
                Ok(false) => self.tally.not_taken += 1,
                Err(_) => {
                    self.tally.not_taken += 1;
                    self.power_cut(to);
                }
            }
        }
    }

    /// Takes a bundle in; `false` if it is none.
    fn take_in(&mut self, to: usize, bytes: &[u8]) -> Result<bool, LogError> {
        let Some(end) = bytes.iter().position(|b| *b == b'\n') else { return Ok(false) };
        let (head, changes) = bytes.split_at(end);
        let Some(document) = std::str::from_utf8(head).ok().and_then(|h| h.parse::<DocumentId>().ok()) else {
            return Ok(false);
        };
        match self.log(to)?.absorb_changes(document, changes.get(1..).unwrap_or_default()) {
            Ok(_) => Ok(true),
            Err(LogError::Store(e)) => Err(LogError::Store(e)),
            Err(_) => Ok(false),
        }
    }

    /// Does one random thing.
    pub fn step(&mut self) {
        self.clock.advance(self.rng.in_range(1..=60_000) as u32);
        let device = self.rng.index(self.devices.len());
        let other = self.rng.index(self.devices.len());
        match self.rng.in_range(0..=99) {
            0..=44 => self.write(device),
            45..=64 if device != other => self.send(device, other),
            65..=84 => self.deliver(),
            85..=88 => self.power_cut(device),
            89..=90 => {
                let jump = self.rng.in_range(0..=86_400_000) as i64 - 43_200_000;
                self.devices[device].clock.jump(jump);
            }
            91..=92 if device != other => self.net.cut(device as u32, other as u32),
            93..=94 => self.net.heal(),
            95..=96 => {
                let compacted = self.log(device).and_then(Log::compact);
                if compacted.is_err() {
                    self.power_cut(device);
                }
            }
            _ => {}
        }
    }

    /// Heals the network and lets everybody hand everybody what they know, until nothing is on its way.
    ///
    /// # Panics
    /// If that does not come to an end.
    pub fn meet(&mut self) {
        self.net.heal();
        self.net.set_link(Link::good());
        for from in 0..self.devices.len() {
            for to in 0..self.devices.len() {
                if from != to {
                    self.send(from, to);
                    let mut rounds = 0;
                    while !self.net.is_quiet() {
                        self.deliver();
                        rounds += 1;
                        assert!(rounds < 1_000, "the network does not come to rest");
                    }
                }
            }
        }
        // Once more round, so that what the last ones learnt reaches the first.
        for from in (0..self.devices.len()).rev() {
            for to in 0..self.devices.len() {
                if from != to {
                    self.send(from, to);
                }
            }
            while !self.net.is_quiet() {
                self.deliver();
            }
        }
    }

    /// Returns the entries on each device, each list in order.
    ///
    /// # Errors
    /// A [`LogError`] if a log cannot be read.
    pub fn held(&mut self) -> Result<Vec<Vec<EntryId>>, LogError> {
        let mut all = Vec::new();
        for device in 0..self.devices.len() {
            let mut ids = Vec::new();
            self.log(device)?.replay(|_, entry| ids.push(entry.id))?;
            ids.sort_unstable();
            all.push(ids);
        }
        Ok(all)
    }

    /// Checks a list of entries against the model: nothing acknowledged lost, nothing invented.
    ///
    /// # Errors
    /// [`Broken`] with what is wrong.
    pub fn check(&self, held: &[EntryId]) -> Result<(), Broken<EntryId>> {
        self.model.check(held.iter().copied())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(seed: u64) -> (Vec<Vec<EntryId>>, Tally) {
        let mut crew = SimCrew::new(seed, 2 + (seed % 4) as usize);
        (0..60).for_each(|_| crew.step());
        crew.meet();
        let held = crew.held().unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        for ids in &held {
            crew.check(ids).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
            assert_eq!(ids, &held[0], "seed {seed}: two devices differ after they met");
        }
        (held, crew.tally())
    }

    #[test]
    fn nothing_acknowledged_is_lost_and_all_devices_end_equal_whatever_the_power_and_the_network_do() {
        let seeds = std::env::var("EMBERTALLY_SEEDS").ok().and_then(|s| s.parse().ok()).unwrap_or(150_u64);
        let mut all = Tally::default();
        for seed in 0..seeds {
            let (_, tally) = run(seed);
            all.written += tally.written;
            all.refused += tally.refused;
            all.power_cuts += tally.power_cuts;
            all.taken_in += tally.taken_in;
            all.not_taken += tally.not_taken;
        }
        assert!(all.written > seeds * 10 && all.taken_in > seeds * 5, "{all:?}");
        assert!(all.refused > seeds / 4 && all.power_cuts > seeds, "the power hardly ever went: {all:?}");
    }

    #[test]
    fn a_seed_gives_the_same_run_again() {
        assert_eq!(run(7), run(7));
    }
}
