//! Devices that talk over lines which break: the whole conversation, from one seed.
//!
//! A line is a stream: what arrives, arrives in order; when it breaks, what was under way is lost, and often only one
//! side notices. Devices lose power, go back to stale backups, are cloned, and have clocks that are years apart.

use std::collections::{BTreeSet, VecDeque};

use embertally_core::facts::{DeviceId, DocumentId, Entry, EntryId, Fact, Forgotten, Moment, Person, PersonId, Role};
use embertally_core::ledger::{Ledger, Measure};
use embertally_core::log::{Home, Log, LogError};
use embertally_core::rates::{RatesRequest, rates};
use embertally_core::store::Store as _;
use embertally_core::sync::{Config, Effect, Engine, Event, Limits, Stage};

use crate::builders::{VolleyBuilder, outing};
use crate::{Broken, DeviceClock, Model, Rng, SimClock, SimDisk, SimStore};

/// One simulated device.
struct Device {
    disk: SimDisk,
    log: Option<Log<SimStore>>,
    clock: DeviceClock,
    id: DeviceId,
    backup: Option<SimDisk>,
}

/// One end of a line.
struct End {
    device: usize,
    /// `None` once this side knows that the line is broken.
    engine: Option<Engine>,
    /// What is on its way to this end.
    coming: VecDeque<Vec<u8>>,
    /// The line is broken: nothing comes any more, whoever knows it.
    dead: bool,
}

/// What happened in a run, for the test to be sure that it tested something.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Gathered {
    /// Entries whose writing was acknowledged.
    pub written: u64,
    /// Frames that arrived.
    pub frames: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Lines that broke, noticed by one side or both.
    pub broken: u64,
    /// Times the power went.
    pub power_cuts: u64,
    /// Times a device went back to a backup, or was cloned.
    pub restored: u64,
    /// The most frames that one meeting took at the end, when nothing was in the way any more.
    pub longest: u64,
}

/// A simulated crew around a hub, which is device 0.
pub struct SimGathering {
    devices: Vec<Device>,
    lines: Vec<[End; 2]>,
    clock: SimClock,
    rng: Rng,
    model: Model<EntryId>,
    next_unit: u64,
    tally: Gathered,
}

impl SimGathering {
    /// Begins a crew of some devices and a hub.
    #[must_use]
    pub fn new(seed: u64, devices: usize) -> Self {
        let mut rng = Rng::new(seed);
        let clock = SimClock::new(1_900_000_000_000);
        let ten_years = 10 * 365 * 86_400_000_u64;
        let devices = (0..=devices)
            .map(|n| Device {
                disk: SimDisk::new(rng.in_range(0..=u64::MAX)),
                log: None,
                clock: clock.device(rng.in_range(0..=2 * ten_years) as i64 - ten_years as i64),
                id: DeviceId::named(&format!("device {n}")),
                backup: None,
            })
            .collect();
        let (model, tally) = (Model::default(), Gathered::default());
        Self { devices, lines: Vec::new(), clock, rng, model, next_unit: 0, tally }
    }

    /// Returns what happened so far.
    #[must_use]
    pub fn tally(&self) -> Gathered {
        self.tally
    }

    fn log(&mut self, device: usize) -> Result<&mut Log<SimStore>, LogError> {
        let random = self.rng.fork();
        let d = &mut self.devices[device];
        if d.log.is_none() {
            d.log = Some(Log::open(d.disk.open()?, random));
        }
        d.log.as_mut().ok_or_else(|| LogError::Internal { what: "a log just opened is not there".to_owned() })
    }

    fn now(&self, device: usize) -> u64 {
        self.devices[device].clock.now_ms().unsigned_abs()
    }

    /// Lets something happen at one end of a line, and does what follows from it.
    fn happen(&mut self, line: usize, end: usize, event: Event<'_>) {
        let device = self.lines[line][end].device;
        let now = self.now(device);
        let Some(mut engine) = self.lines[line][end].engine.take() else { return };
        let handled = match self.log(device) {
            Ok(log) => engine.handle(log, now, event),
            Err(error) => Err(error),
        };
        let Ok(effects) = handled else { return self.power_cut(device) };
        self.lines[line][end].engine = Some(engine);
        let mut changed = Vec::new();
        for effect in effects {
            match effect {
                Effect::Send(frame) => {
                    let other = &mut self.lines[line][1 - end];
                    if !other.dead {
                        other.coming.push_back(frame);
                    }
                }
                Effect::Changed { document, .. } => changed.push(document),
                Effect::Met => {}
                Effect::Close(refusal) => panic!("an honest device was refused: {refusal}"),
            }
        }
        if !changed.is_empty() {
            self.tell(device, &changed, Some(line));
        }
    }

    /// Tells the other conversations of a device that its log has changed.
    fn tell(&mut self, device: usize, documents: &[DocumentId], but: Option<usize>) {
        for line in 0..self.lines.len() {
            for end in 0..2 {
                if Some(line) != but && self.lines.get(line).is_some_and(|l| l[end].device == device) {
                    self.happen(line, end, Event::Changed(documents));
                }
            }
        }
    }

    fn config(&self, device: usize) -> Config {
        Config { device: self.devices[device].id, limits: Limits::default(), peer_reads_only: false }
    }

    fn connect(&mut self, opener: usize, answerer: usize) -> usize {
        let end = |device, engine| End { device, engine: Some(engine), coming: VecDeque::new(), dead: false };
        let ends =
            [end(opener, Engine::opener(self.config(opener))), end(answerer, Engine::answerer(self.config(answerer)))];
        self.lines.push(ends);
        self.happen(self.lines.len() - 1, 0, Event::Opened);
        self.lines.len() - 1
    }

    /// Delivers the next frame to one end; gives whether there was one.
    fn deliver(&mut self, line: usize, end: usize) -> bool {
        let Some(frame) = self.lines.get_mut(line).and_then(|l| l[end].coming.pop_front()) else { return false };
        self.tally.frames += 1;
        self.tally.bytes += frame.len() as u64;
        self.happen(line, end, Event::Frame(&frame));
        true
    }

    /// Breaks a line; a side that notices keeps what it learnt.
    fn cut(&mut self, line: usize, noticed: [bool; 2]) {
        self.tally.broken += 1;
        for (end, noticed) in noticed.into_iter().enumerate() {
            self.lines[line][end].coming.clear();
            self.lines[line][end].dead = true;
            if noticed {
                self.happen(line, end, Event::Closed);
                if let Some(l) = self.lines.get_mut(line) {
                    l[end].engine = None;
                }
            }
        }
    }

    /// The power of a device goes and comes back: its conversations are gone, and the other sides may not know.
    fn power_cut(&mut self, device: usize) {
        self.tally.power_cuts += 1;
        self.devices[device].log = None;
        self.devices[device].disk.restart();
        for line in &mut self.lines {
            for end in 0..2 {
                if line[end].device == device {
                    line[end].engine = None;
                    line[end].coming.clear();
                    line[1 - end].coming.clear();
                }
            }
        }
    }

    fn write(&mut self, device: usize) {
        let home = outing(self.rng.in_range(0..=2));
        let builder = VolleyBuilder {
            device: self.devices[device].id,
            observer: PersonId::named("somebody"),
            outing: home,
            at_ms: self.devices[device].clock.now_ms(),
            shots: self.rng.in_range(1..=4) as u16,
            first_unit: self.next_unit,
        };
        self.next_unit += 4;
        let entry = builder.build(&mut self.rng);
        self.model.attempted(entry.id);
        if self.rng.chance(60) {
            let soon = self.rng.in_range(1..=12);
            self.devices[device].disk.cut_power_at(soon);
        }
        match self.log(device).and_then(|log| log.write(Home::Outing(home), &entry)) {
            Ok(_) => {
                self.model.acknowledged(entry.id);
                self.tally.written += 1;
                self.tell(device, &[Home::Outing(home).part(1)], None);
            }
            Err(_) => self.power_cut(device),
        }
    }

    /// Writes one fact about a person on a device; gives whether it was acknowledged. What states a name may be gone
    /// later, and is not asked for again.
    fn state(&mut self, device: usize, fact: Fact) -> bool {
        let at = Moment { unix_ms: self.devices[device].clock.now_ms(), offset_minutes: 0 };
        let stays = !matches!(fact, Fact::Person(_));
        let mut entry = Entry::new(EntryId::new(at.unix_ms, &mut self.rng), self.devices[device].id, at);
        entry.state(fact);
        let home = Home::of(&entry).expect("a fact about a person has a home");
        self.model.attempted(entry.id);
        match self.log(device).and_then(|log| log.write(home, &entry)) {
            Ok(_) => {
                if stays {
                    self.model.acknowledged(entry.id);
                }
                self.tell(device, &[home.part(1)], None);
                return true;
            }
            Err(LogError::Forgotten { .. }) => {}
            Err(_) => self.power_cut(device),
        }
        false
    }

    /// States a person's name on a device, unless the device knows that it is forgotten.
    pub fn name(&mut self, device: usize, name: &str) -> bool {
        self.state(device, Fact::Person(Person { name: name.to_owned(), role: Role::Recorder }))
    }

    /// Has a person's name forgotten on a device.
    pub fn forget(&mut self, device: usize, name: &str) -> bool {
        self.state(device, Fact::Forgotten(Forgotten { person: PersonId::named(name), reason: None }))
    }

    /// Tells whether a device knows that a name is forgotten, and whether it shows the name or has its bytes in any stored
    /// piece.
    ///
    /// # Panics
    /// If the device's disk cannot be read.
    pub fn name_on(&mut self, device: usize, name: &str) -> (bool, bool) {
        let (mut forgotten, mut found) = (false, false);
        let log = self.log(device).expect("opens");
        log.replay(|_, entry| {
            for stated in &entry.facts {
                forgotten |= matches!(&stated.fact, Fact::Forgotten(f) if f.person == PersonId::named(name));
                found |= matches!(&stated.fact, Fact::Person(f) if f.name == name);
            }
        })
        .expect("reads");
        for line in log.store().list().expect("lists") {
            for piece in log.store_mut().load(&line.document).expect("loads").pieces {
                found |= piece.bytes.windows(name.len()).any(|bytes| bytes == name.as_bytes());
            }
        }
        (forgotten, found)
    }

    /// The entries on one device.
    fn entries(&mut self, device: usize) -> Result<BTreeSet<EntryId>, LogError> {
        let mut ids = BTreeSet::new();
        self.log(device)?.replay(|_, entry| {
            ids.insert(entry.id);
        })?;
        Ok(ids)
    }

    /// A device's disk is lost, and a copy of an earlier state (its own, or another device's) takes its place.
    fn restore(&mut self, device: usize, from: usize) {
        let seed = self.rng.in_range(0..=u64::MAX);
        let copy = if device == from {
            let Some(backup) = &self.devices[device].backup else { return };
            backup.copy(seed)
        } else {
            self.devices[from].disk.copy(seed)
        };
        let Ok(before) = self.entries(device) else { return };
        self.power_cut(device);
        self.devices[device].disk = copy;
        if device != from {
            self.devices[device].id = self.devices[from].id;
        }
        let mut elsewhere = BTreeSet::new();
        for other in 0..self.devices.len() {
            elsewhere.extend(self.entries(other).unwrap_or_default());
        }
        before.difference(&elsewhere).for_each(|id| self.model.excused(*id));
        self.tally.restored += 1;
    }

    /// Does one random thing.
    pub fn step(&mut self) {
        self.clock.advance(self.rng.in_range(1..=3_000) as u32);
        let device = self.rng.index(self.devices.len());
        let line = if self.lines.is_empty() { None } else { Some(self.rng.index(self.lines.len())) };
        match (self.rng.in_range(0..=99), line) {
            (0..=19, _) => self.write(device),
            (20..=69, Some(line)) => {
                let end = self.rng.index(2);
                let _ = self.deliver(line, end) || self.deliver(line, 1 - end);
            }
            (70..=81, _) => {
                let other = if self.rng.chance(700) { 0 } else { self.rng.index(self.devices.len()) };
                if device != other && self.lines.len() < 8 {
                    self.connect(device, other);
                }
            }
            (82..=86, Some(line)) => {
                let noticed = [self.rng.chance(600), self.rng.chance(600)];
                self.cut(line, noticed);
                if noticed == [true, true] {
                    self.lines.remove(line);
                }
            }
            (87..=88, Some(line)) => {
                // Whoever has not noticed that a line is dead does so in the end.
                self.cut(line, [true, true]);
                self.lines.remove(line);
            }
            (89..=90, _) => self.power_cut(device),
            (91..=92, _) => {
                let seed = self.rng.in_range(0..=u64::MAX);
                self.devices[device].backup = Some(self.devices[device].disk.copy(seed));
            }
            (93, _) => self.restore(device, device),
            (94, _) if self.rng.chance(300) => {
                let from = self.rng.index(self.devices.len());
                self.restore(device, from);
            }
            (95..=96, _) => {
                let jump = self.rng.in_range(0..=86_400_000) as i64 - 43_200_000;
                self.devices[device].clock.jump(jump);
            }
            (97, _) if self.log(device).and_then(Log::compact).is_err() => self.power_cut(device),
            (98..=99, Some(line)) => {
                self.clock.advance(25_000);
                self.happen(line, 0, Event::Tick);
                self.happen(line, 1, Event::Tick);
            }
            _ => {}
        }
    }

    /// Nothing is in the way any more: every device meets the hub, twice.
    ///
    /// # Panics
    /// If a meeting does not end, or ends without both sides being even.
    pub fn meet(&mut self) {
        for line in (0..self.lines.len()).rev() {
            self.cut(line, [true, true]);
        }
        self.lines.clear();
        // Power that was to go soon does not.
        (0..self.devices.len()).for_each(|device| self.power_cut(device));
        for device in (1..self.devices.len()).chain(1..self.devices.len()) {
            let line = self.connect(device, 0);
            let mut frames = 0;
            while self.deliver(line, 1) || self.deliver(line, 0) {
                frames += 1;
                assert!(frames < 200, "a meeting without end");
            }
            self.tally.longest = self.tally.longest.max(frames);
            for end in &self.lines[line] {
                let stage = end.engine.as_ref().map(|engine| engine.progress().stage);
                assert_eq!(stage, Some(Stage::Met), "device {} at the end of a meeting", end.device);
            }
            self.cut(line, [true, true]);
            self.lines.clear();
        }
    }

    /// Checks every device: nothing acknowledged lost, nothing invented, the same documents, and the same rates to the
    /// last letter.
    ///
    /// # Errors
    /// [`Broken`] with what is wrong of the first device that is.
    ///
    /// # Panics
    /// If two devices differ.
    pub fn check(&mut self) -> Result<(), Broken<EntryId>> {
        let mut first = None;
        for device in 0..self.devices.len() {
            let held = self.entries(device).expect("the disks are whole");
            self.model.check(held)?;
            let mut ledger = Ledger::new();
            let log = self.log(device).expect("opens");
            log.replay(|_, entry| ledger.add(&entry)).expect("reads");
            let outline = log.outline().expect("lists");
            ledger.settle();
            let tables: Vec<String> = [Measure::Ignition, Measure::Transfer]
                .into_iter()
                .map(|measure| format!("{:?}", rates(&ledger, &RatesRequest { measure, ..RatesRequest::default() })))
                .collect();
            let this = (outline, tables);
            match &first {
                None => first = Some(this),
                Some(first) => assert_eq!(&this, first, "device {device} and the hub differ"),
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(seed: u64) -> Gathered {
        let mut crew = SimGathering::new(seed, 2 + (seed % 3) as usize);
        (0..160).for_each(|_| crew.step());
        crew.meet();
        crew.check().unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        crew.tally()
    }

    #[test]
    fn all_devices_end_with_the_same_log_and_the_same_rates_whatever_the_lines_and_the_power_do() {
        let number = |name: &str| std::env::var(name).ok().and_then(|s| s.parse::<u64>().ok());
        let (first, seeds) = (number("EMBERTALLY_FIRST_SEED").unwrap_or(0), number("EMBERTALLY_SEEDS").unwrap_or(200));
        let mut all = Gathered::default();
        for seed in first..first + seeds {
            let tally = std::panic::catch_unwind(|| run(seed)).unwrap_or_else(|_| panic!("seed {seed}"));
            all.written += tally.written;
            all.frames += tally.frames;
            all.broken += tally.broken;
            all.power_cuts += tally.power_cuts;
            all.restored += tally.restored;
            all.longest = all.longest.max(tally.longest);
        }
        assert!(all.written > seeds * 10 && all.frames > seeds * 40, "{all:?}");
        assert!(all.broken > seeds * 3 && all.power_cuts > seeds * 3 && all.restored > seeds / 2, "{all:?}");
        // Two first words, four messages a document (three outings), and an answer to spare.
        assert!(all.longest <= 2 + 3 * 8, "{all:?}");
    }

    #[test]
    fn a_name_forgotten_anywhere_is_on_no_device_at_the_end_and_the_others_are_on_all() {
        const NAMES: [&str; 3] = ["Wilhelmina Quast", "Barnaby Thrupp", "Odalys Penhaligon"];
        let (mut gone, mut kept) = (0, 0);
        for seed in 0..30_u64 {
            let devices = 2 + (seed % 3) as usize;
            let mut crew = SimGathering::new(seed, devices);
            let pick = |n: u64, of: usize| ((seed + n) % of as u64) as usize;
            for step in 0..160 {
                crew.step();
                if step % 9 == 0 {
                    crew.name(pick(step / 27, devices + 1), NAMES[pick(step / 9, 3)]);
                }
                if step % 50 == 30 {
                    crew.forget(pick(step / 25, devices + 1), NAMES[pick(step / 50, 2)]);
                }
            }
            crew.meet();
            crew.check().unwrap_or_else(|e| panic!("seed {seed}: {e}"));
            for name in NAMES {
                let on: Vec<_> = (0..=devices).map(|device| crew.name_on(device, name)).collect();
                assert!(on.iter().all(|one| *one == on[0]), "seed {seed}, {name}: {on:?}");
                let (forgotten, found) = on[0];
                assert!(!(forgotten && found), "seed {seed}: {name} came back");
                gone += u32::from(forgotten);
                kept += u32::from(found);
            }
        }
        assert!(gone > 40 && kept > 28, "{gone} forgotten, {kept} not");
    }

    #[test]
    fn a_seed_gives_the_same_run_again() {
        assert_eq!(run(5), run(5));
    }
}
