//! Devices and a hub that meet over connections which are cut, stall and begin again, all from one seed.
//!
//! A connection is a stream: frames come in order or, from some moment on, not at all. What was on its way at a cut is
//! lost, and a new connection begins with new engines. Device 0 is the hub; devices also meet each other directly.

use std::collections::{BTreeSet, VecDeque};

use embertally_core::facts::{DeviceId, DocumentId, EntryId, PersonId};
use embertally_core::ledger::Ledger;
use embertally_core::log::{Home, Log, LogError};
use embertally_core::rates::{RatesRequest, rates};
use embertally_core::sync::{Config, Effect, Engine, Event, Limits};

use crate::builders::{VolleyBuilder, outing};
use crate::{Broken, DeviceClock, Model, Rng, SimClock, SimDisk, SimStore};

struct Member {
    disk: SimDisk,
    backup: Option<SimDisk>,
    log: Option<Log<SimStore>>,
    clock: DeviceClock,
    id: DeviceId,
}

/// One end of a connection: its engine, what is on its way to it, and whether that still arrives.
struct End {
    member: usize,
    engine: Engine,
    inbox: VecDeque<Vec<u8>>,
    deaf: bool,
}

/// What happened in a run, for the test to be sure that it tested something.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Met {
    /// Entries whose writing was acknowledged.
    pub written: u64,
    /// Times the power went.
    pub power_cuts: u64,
    /// Connections cut.
    pub cuts: u64,
    /// Devices put back to an earlier copy of their disk.
    pub restored: u64,
    /// Devices begun from a copy of another's disk.
    pub cloned: u64,
    /// Acknowledged entries that were only on a disk that was replaced.
    pub excused: u64,
    /// Frames delivered after everything was healed.
    pub frames_to_heal: u64,
}

/// What a log holds, for comparing: its documents' states, its entries, its table of rates.
pub type Held = (Vec<(DocumentId, [u8; 16])>, Vec<EntryId>, String);

/// A hub and some devices.
pub struct SimMeeting {
    members: Vec<Member>,
    links: Vec<[End; 2]>,
    clock: SimClock,
    rng: Rng,
    model: Model<EntryId>,
    next_unit: u64,
    met: Met,
}

impl SimMeeting {
    /// Begins with a hub and some devices, each with a clock that is off by up to ten years either way.
    #[must_use]
    pub fn new(seed: u64, devices: usize) -> Self {
        let mut rng = Rng::new(seed);
        let clock = SimClock::new(1_900_000_000_000);
        let ten_years = 10 * 365 * 86_400_000_u64;
        let members = (0..=devices)
            .map(|n| Member {
                disk: SimDisk::new(rng.in_range(0..=u64::MAX)),
                backup: None,
                log: None,
                clock: clock.device(rng.in_range(0..=2 * ten_years) as i64 - ten_years as i64),
                id: DeviceId::named(&format!("device {n}")),
            })
            .collect();
        Self { members, links: vec![], clock, rng, model: Model::default(), next_unit: 0, met: Met::default() }
    }

    /// Returns what happened so far.
    #[must_use]
    pub fn met(&self) -> Met {
        self.met
    }

    fn log(&mut self, n: usize) -> Result<&mut Log<SimStore>, LogError> {
        let random = self.rng.fork();
        let member = &mut self.members[n];
        if member.log.is_none() {
            member.log = Some(Log::open(member.disk.open()?, random));
        }
        member.log.as_mut().ok_or_else(|| LogError::Internal { what: "a log just opened is not there".to_owned() })
    }

    fn power_cut(&mut self, n: usize) {
        self.members[n].log = None;
        self.members[n].disk.restart();
        self.met.power_cuts += 1;
        while let Some(link) = self.links.iter().position(|l| l.iter().any(|end| end.member == n)) {
            self.cut(link);
        }
    }

    /// Cuts a connection: what is on its way is lost, and each end learns that it is over.
    fn cut(&mut self, link: usize) {
        self.met.cuts += 1;
        for mut end in self.links.swap_remove(link) {
            let now = self.members[end.member].clock.now_ms().max(0) as u64;
            if let Some(log) = self.members[end.member].log.as_mut() {
                // A failure is met again at the next use of that log.
                let _ = end.engine.handle(log, now, Event::Closed);
            }
        }
    }

    fn connect(&mut self, from: usize, to: usize) {
        if from == to || self.links.iter().any(|l| l[0].member == from && l[1].member == to) {
            return;
        }
        let config = |m: &Member| Config { device: m.id, limits: Limits::default(), peer_reads_only: false };
        let end = |member, engine| End { member, engine, inbox: VecDeque::new(), deaf: false };
        let (opener, answerer) =
            (Engine::opener(config(&self.members[from])), Engine::answerer(config(&self.members[to])));
        self.links.push([end(from, opener), end(to, answerer)]);
        self.happen(self.links.len() - 1, 0, Event::Opened);
    }

    /// Lets one end deal with an event, and does what it says.
    fn happen(&mut self, link: usize, side: usize, event: Event<'_>) {
        let n = self.links[link][side].member;
        let now = self.members[n].clock.now_ms().max(0) as u64;
        if self.log(n).is_err() {
            return self.power_cut(n);
        }
        let Some(log) = self.members[n].log.as_mut() else { return };
        let Ok(effects) = self.links[link][side].engine.handle(log, now, event) else { return self.power_cut(n) };
        let mut changed = Vec::new();
        for effect in effects {
            match effect {
                Effect::Send(bytes) if !self.links[link][1 - side].deaf => {
                    self.links[link][1 - side].inbox.push_back(bytes);
                }
                Effect::Changed { document, .. } => changed.push(document),
                Effect::Close(refusal) => panic!("an honest peer was refused: {refusal}"),
                Effect::Send(_) | Effect::Met => {}
            }
        }
        if !changed.is_empty() {
            let mine = (self.links[link][0].member, self.links[link][1].member);
            self.tell(n, &changed, Some(mine));
        }
    }

    /// Tells the member's other conversations what has changed.
    fn tell(&mut self, n: usize, changed: &[DocumentId], but: Option<(usize, usize)>) {
        let ends: Vec<(usize, usize)> = self.links.iter().map(|l| (l[0].member, l[1].member)).collect();
        for pair in ends {
            // A loss of power on the way takes connections away.
            let found = self.links.iter().position(|l| (l[0].member, l[1].member) == pair);
            if let (Some(link), true) = (found, Some(pair) != but && (pair.0 == n || pair.1 == n)) {
                self.happen(link, usize::from(pair.1 == n), Event::Changed(changed));
            }
        }
    }

    fn write(&mut self, n: usize) {
        let home = outing(self.rng.in_range(0..=2));
        let builder = VolleyBuilder {
            device: self.members[n].id,
            observer: PersonId::named("somebody"),
            outing: home,
            at_ms: self.members[n].clock.now_ms(),
            shots: self.rng.in_range(1..=3) as u16,
            first_unit: self.next_unit,
        };
        self.next_unit += 3;
        let entry = builder.build(&mut self.rng);
        self.model.attempted(entry.id);
        if self.rng.chance(60) {
            let soon = self.rng.in_range(1..=12);
            self.members[n].disk.cut_power_at(soon);
        }
        match self.log(n).and_then(|log| log.write(Home::Outing(home), &entry)) {
            Ok(_) => {
                self.model.acknowledged(entry.id);
                self.met.written += 1;
                self.tell(n, &[DocumentId::Outing { outing: home, part: 1 }], None);
            }
            Err(_) => self.power_cut(n),
        }
    }

    /// Delivers one frame of a connection, if there is one; tells whether there was.
    fn deliver(&mut self, link: usize, side: usize) -> bool {
        let Some(frame) = self.links.get_mut(link).and_then(|l| l[side].inbox.pop_front()) else { return false };
        self.happen(link, side, Event::Frame(&frame));
        true
    }

    fn entries(&mut self, n: usize) -> BTreeSet<EntryId> {
        let mut ids = BTreeSet::new();
        self.log(n)
            .and_then(|log| log.replay(|_, e| _ = ids.insert(e.id)))
            .unwrap_or_else(|e| panic!("member {n}: {e}"));
        ids
    }

    /// Puts a device back to its last backup; what was on the lost disk alone is excused.
    fn restore(&mut self, n: usize) {
        let Some(backup) = self.members[n].backup.as_ref().map(|b| b.copy(self.rng.in_range(0..=u64::MAX))) else {
            return;
        };
        self.power_cut(n);
        let before = self.entries(n);
        self.members[n].log = None;
        self.members[n].disk = backup;
        let mut left = BTreeSet::new();
        for m in 0..self.members.len() {
            self.members[m].disk.restart();
            self.power_cut(m);
            left.extend(self.entries(m));
        }
        for id in before.difference(&left) {
            self.model.excused(*id);
            self.met.excused += 1;
        }
        self.met.restored += 1;
    }

    /// Does one random thing.
    pub fn step(&mut self) {
        self.clock.advance(self.rng.in_range(1..=30_000) as u32);
        let n = self.rng.index(self.members.len());
        let other = self.rng.index(self.members.len());
        let link = self.rng.index(self.links.len().max(1));
        let side = self.rng.index(2);
        let seed = self.rng.in_range(0..=u64::MAX);
        match self.rng.in_range(0..=99) {
            0..=24 if n != 0 => self.write(n),
            25..=34 => self.connect(n.max(1), 0),
            35..=38 => self.connect(n, other),
            39..=79 => {
                for _ in 0..self.rng.in_range(1..=6) {
                    self.deliver(link, side);
                    self.deliver(link, 1 - side);
                }
            }
            80..=83 if link < self.links.len() => self.cut(link),
            84..=85 if link < self.links.len() => self.links[link][side].deaf = true,
            86..=88 if link < self.links.len() => self.happen(link, side, Event::Tick),
            89..=90 => self.power_cut(n),
            91 => self.members[n].clock.jump(seed as i64 % 43_200_000),
            92..=93 => self.members[n].backup = Some(self.members[n].disk.copy(seed)),
            94 if n != 0 => self.restore(n),
            95 if n != 0 && self.members.len() < 7 => {
                let (from, clock) = (&self.members[n], self.clock.device(0));
                let copy = Member { disk: from.disk.copy(seed), backup: None, log: None, clock, id: from.id };
                self.members.push(copy);
                self.met.cloned += 1;
            }
            96 if self.log(n).and_then(Log::compact).is_err() => self.power_cut(n),
            _ => {}
        }
    }

    /// Heals everything and lets all devices meet the hub, until nothing is on its way.
    ///
    /// # Panics
    /// If that does not end within `most` frames.
    pub fn heal(&mut self, most: u64) {
        (0..self.members.len()).for_each(|n| self.power_cut(n));
        (1..self.members.len()).for_each(|n| self.connect(n, 0));
        let mut quiet = false;
        while !quiet {
            quiet = true;
            for (link, side) in (0..self.links.len()).flat_map(|l| [(l, 0), (l, 1)]) {
                if self.deliver(link, side) {
                    (quiet, self.met.frames_to_heal) = (false, self.met.frames_to_heal + 1);
                }
            }
            assert!(self.met.frames_to_heal <= most, "they talk for ever");
        }
    }

    /// Returns what each log holds.
    ///
    /// # Errors
    /// A [`LogError`] if a log cannot be read.
    pub fn held(&mut self) -> Result<Vec<Held>, LogError> {
        let mut all = Vec::new();
        for n in 0..self.members.len() {
            let (mut ids, mut ledger) = (Vec::new(), Ledger::new());
            let log = self.log(n)?;
            log.replay(|_, entry| {
                ids.push(entry.id);
                ledger.add(&entry);
            })?;
            ledger.settle();
            ids.sort_unstable();
            all.push((log.outline()?, ids, format!("{:?}", rates(&ledger, &RatesRequest::default()))));
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

    fn run(seed: u64) -> (Vec<Held>, Met) {
        let mut meeting = SimMeeting::new(seed, 2 + (seed % 3) as usize);
        (0..120).for_each(|_| meeting.step());
        meeting.heal(2_000);
        let held = meeting.held().unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        for one in &held {
            meeting.check(&one.1).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
            assert_eq!(one, &held[0], "seed {seed}: two devices differ after they met");
        }
        (held, meeting.met())
    }

    #[test]
    fn logs_that_met_over_bad_connections_are_equal_and_hold_all_that_was_acknowledged() {
        let seeds = std::env::var("EMBERTALLY_SEEDS").ok().and_then(|s| s.parse().ok()).unwrap_or(400_u64);
        let mut all = Met::default();
        for seed in 0..seeds {
            let met = std::panic::catch_unwind(|| run(seed)).unwrap_or_else(|_| panic!("seed {seed}")).1;
            all.written += met.written;
            all.power_cuts += met.power_cuts;
            all.cuts += met.cuts;
            all.restored += met.restored;
            all.cloned += met.cloned;
            all.excused += met.excused;
            all.frames_to_heal = all.frames_to_heal.max(met.frames_to_heal);
        }
        println!("{all:?}");
        assert!(all.written > seeds * 8 && all.cuts > seeds * 2, "{all:?}");
        assert!(all.restored > seeds / 10 && all.cloned > seeds / 4, "{all:?}");
    }

    #[test]
    fn a_seed_gives_the_same_run_again() {
        assert_eq!(run(7), run(7));
    }
}
