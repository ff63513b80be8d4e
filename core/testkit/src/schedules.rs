//! Very many very short schedules: two to five devices in memory, some entries, lines that break anywhere, and a frame
//! that comes twice now and then. What a disk or a clock can do is left to [`crate::SimGathering`], which is a hundred
//! times dearer.

use std::collections::{BTreeSet, VecDeque};

use embertally_core::facts::{DeviceId, EntryId, PersonId};
use embertally_core::log::{Home, Log};
use embertally_core::store::MemoryStore;
use embertally_core::sync::{Config, Effect, Engine, Event, Limits, Stage};

use crate::Rng;
use crate::builders::{VolleyBuilder, outing};

const NOW: u64 = 1_900_000_000_000;
const STEPS: usize = 10;

struct Device {
    id: DeviceId,
    log: Log<MemoryStore>,
}

/// Two ends: the device, its engine, and what is on its way to it.
type Ends = [(usize, Engine, VecDeque<Vec<u8>>); 2];

struct Crew {
    devices: Vec<Device>,
    lines: Vec<Ends>,
    rng: Rng,
    written: BTreeSet<EntryId>,
    frames: u64,
}

impl Crew {
    fn new(seed: u64) -> Self {
        let mut rng = Rng::new(seed);
        let device = |n: u64| Device {
            id: DeviceId::named(&format!("device {n}")),
            log: Log::open(MemoryStore::new(), rng.fork()),
        };
        // Most faults need two devices only; they are the cheapest.
        let devices = (0..[2, 2, 2, 3, 2, 3, 4, 5][(seed % 8) as usize]).map(device).collect();
        Self { devices, lines: Vec::new(), rng, written: BTreeSet::new(), frames: 0 }
    }

    fn happen(&mut self, line: usize, end: usize, event: Event<'_>) {
        let (device, engine, _) = &mut self.lines[line][end];
        let (device, effects) = (*device, engine.handle(&mut self.devices[*device].log, NOW, event).expect("a log"));
        let mut changed = Vec::new();
        for effect in effects {
            match effect {
                Effect::Send(frame) => self.lines[line][1 - end].2.push_back(frame),
                Effect::Changed { document, .. } => changed.push(document),
                Effect::Met => {}
                Effect::Close(refusal) => panic!("an honest device was refused: {refusal}"),
            }
        }
        if !changed.is_empty() {
            self.tell(device, &changed, Some(line));
        }
    }

    fn tell(&mut self, device: usize, documents: &[embertally_core::facts::DocumentId], but: Option<usize>) {
        for line in (0..self.lines.len()).filter(|line| Some(*line) != but) {
            for end in 0..2 {
                if self.lines[line][end].0 == device {
                    self.happen(line, end, Event::Changed(documents));
                }
            }
        }
    }

    fn connect(&mut self, opener: usize, answerer: usize) {
        let config =
            |n: usize| Config { device: self.devices[n].id, limits: Limits::default(), peer_reads_only: false };
        let (opens, answers) = (Engine::opener(config(opener)), Engine::answerer(config(answerer)));
        self.lines.push([(opener, opens, VecDeque::new()), (answerer, answers, VecDeque::new())]);
        self.happen(self.lines.len() - 1, 0, Event::Opened);
    }

    fn deliver(&mut self, line: usize, end: usize, twice: bool) -> bool {
        let Some(frame) = self.lines[line][end].2.pop_front() else { return false };
        for _ in 0..1 + usize::from(twice) {
            self.frames += 1;
            self.happen(line, end, Event::Frame(&frame));
        }
        true
    }

    /// Ends a line; a side that notices keeps what it learnt.
    fn cut(&mut self, line: usize) {
        for end in 0..2 {
            self.lines[line][end].2.clear();
            if self.rng.chance(600) {
                self.happen(line, end, Event::Closed);
            }
        }
        self.lines.remove(line);
    }

    fn write(&mut self) {
        let (device, home) = (self.rng.index(self.devices.len()), outing(u64::from(self.rng.chance(250))));
        let first_unit = self.written.len() as u64;
        let id = self.devices[device].id;
        let builder = VolleyBuilder {
            device: id,
            observer: PersonId::named("a"),
            outing: home,
            at_ms: NOW as i64,
            shots: 1,
            first_unit,
        };
        let entry = builder.build(&mut self.rng);
        self.devices[device].log.write(Home::Outing(home), &entry).expect("writes");
        self.written.insert(entry.id);
        self.tell(device, &[Home::Outing(home).part(1)], None);
    }

    fn step(&mut self) {
        let line = (!self.lines.is_empty()).then(|| self.rng.index(self.lines.len()));
        match (self.rng.in_range(0..=9), line) {
            (0..=2, _) => self.write(),
            (3..=6, Some(line)) => {
                for _ in 0..self.rng.in_range(1..=4) {
                    let (end, twice) = (self.rng.index(2), self.rng.chance(50));
                    let _ = self.deliver(line, end, twice) || self.deliver(line, 1 - end, twice);
                }
            }
            (7, Some(line)) => self.cut(line),
            _ => {
                let (one, two) = (self.rng.index(self.devices.len()), self.rng.index(self.devices.len()));
                if one != two && self.lines.len() < 3 {
                    self.connect(one, two);
                }
            }
        }
    }

    /// Every device meets the first, twice; then all must be equal, and hold what was written and nothing else.
    fn end(&mut self) {
        for line in (0..self.lines.len()).rev() {
            self.cut(line);
        }
        for device in (1..self.devices.len()).chain(1..self.devices.len().saturating_sub(1)) {
            self.connect(device, 0);
            let before = self.frames;
            while self.deliver(0, 1, false) || self.deliver(0, 0, false) {
                // Two first words, and eight messages for each of two documents.
                assert!(self.frames - before <= 2 + 2 * 8, "a meeting without end");
            }
            assert!(self.lines[0].iter().all(|(_, engine, _)| engine.progress().stage == Stage::Met), "not even");
            self.lines.clear();
        }
        let first = self.devices[0].log.outline().expect("lists");
        let mut held = BTreeSet::new();
        self.devices[0].log.replay(|_, entry| held.extend([entry.id])).expect("reads");
        assert_eq!(held, self.written);
        for device in &mut self.devices {
            assert_eq!(device.log.outline().expect("lists"), first);
        }
    }
}

fn run(seed: u64) -> u64 {
    let mut crew = Crew::new(seed);
    (0..STEPS).for_each(|_| crew.step());
    crew.end();
    crew.frames
}

#[test]
fn in_any_order_and_with_any_cut_all_devices_end_equal() {
    let number = |name: &str| std::env::var(name).ok().and_then(|s| s.parse::<u64>().ok());
    let first = number("EMBERTALLY_FIRST_SEED").unwrap_or(0);
    let seeds = number("EMBERTALLY_SCHEDULES").unwrap_or(5_000);
    let frames: u64 = std::thread::scope(|scope| {
        let part = |n: u64| {
            move || -> u64 {
                let told = |seed| std::panic::catch_unwind(|| run(seed)).unwrap_or_else(|_| panic!("seed {seed}"));
                (first..first + seeds).filter(|seed| seed % 2 == n).map(told).sum()
            }
        };
        let both = [scope.spawn(part(0)), scope.spawn(part(1))];
        both.into_iter().map(|thread| thread.join().expect("a seed failed; it is named above")).sum()
    });
    assert!(frames > seeds * 5, "{frames} frames in {seeds} schedules");
}
