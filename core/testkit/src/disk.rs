//! A disk that forgets, on loss of power, what was not yet flushed.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use embertally_core::facts::DocumentId;
use embertally_core::store::suite::{Fault, Faults};
use embertally_core::store::{Listed, Loaded, MemoryStore, PieceId, Store, StoreError, Write};

use crate::Rng;
use crate::journal;

/// What the device writes whole or not at all when all is well, in bytes; a loss of power may tear even that.
const SECTOR_BYTES: usize = 512;

/// A simulated disk with a store on it; clones are the same disk.
///
/// A commit is written to a journal sector by sector, flushed, and acknowledged; each of these is a *step*. When the
/// power goes, each sector not flushed is kept, lost or torn, as the seed decides. Starting again reads the journal,
/// and a record that is not whole is as if never written.
#[derive(Debug, Clone)]
pub struct SimDisk(Arc<Mutex<Device>>);

/// A store on a [`SimDisk`]; it is dead once the power went, and another is opened after the restart.
#[derive(Debug)]
pub struct SimStore {
    disk: SimDisk,
    life: u64,
}

#[derive(Debug)]
struct Device {
    /// What is safely on the disk.
    stored: MemoryStore,
    /// The journal's bytes as they are on the disk: at most one record counts, the one after `number`.
    journal: Vec<u8>,
    /// Sectors of the journal written but not flushed, with their offsets.
    pending: Vec<(usize, Vec<u8>)>,
    /// The number of the last record in `stored`.
    number: u64,
    rng: Rng,
    steps: u64,
    cut_at: Option<u64>,
    unknown_at: Option<u64>,
    powered: bool,
    life: u64,
    faults: Faults,
}

fn no_power() -> StoreError {
    StoreError::Other { reason: "the simulated device has no power".to_owned(), source: None }
}

impl SimDisk {
    /// Makes an empty disk; the seed decides what happens to sectors when the power goes.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(Arc::new(Mutex::new(Device {
            stored: MemoryStore::new(),
            journal: Vec::new(),
            pending: Vec::new(),
            number: 0,
            rng: Rng::new(seed),
            steps: 0,
            cut_at: None,
            unknown_at: None,
            powered: true,
            life: 0,
            faults: Faults::default(),
        })))
    }

    /// Opens a store on the disk.
    ///
    /// # Errors
    /// [`StoreError::Other`] without power; an injected fault.
    pub fn open(&self) -> Result<SimStore, StoreError> {
        let device = self.device();
        if !device.powered {
            return Err(no_power());
        }
        device.injected()?;
        Ok(SimStore { disk: self.clone(), life: device.life })
    }

    /// Lets the power go just before the `nth` step from now, counted from 1.
    pub fn cut_power_at(&self, nth: u64) {
        let mut device = self.device();
        device.cut_at = Some(device.steps + nth);
    }

    /// Lets the power go now.
    pub fn cut_power(&self) {
        self.device().powered = false;
    }

    /// Lets the `nth` commit from now, counted from 1, take effect but report an unknown outcome.
    pub fn lose_acknowledgement_of(&self, nth: u64) {
        self.device().unknown_at = Some(nth);
    }

    /// Returns the switch that makes an operation fail before it has an effect.
    #[must_use]
    pub fn faults(&self) -> Faults {
        self.device().faults.clone()
    }

    /// Returns how many steps were made so far.
    #[must_use]
    pub fn steps(&self) -> u64 {
        self.device().steps
    }

    /// Starts the device again, after cutting its power if it still had any: what was not flushed is kept, lost or
    /// torn, and the journal is read. Stores opened before are dead.
    pub fn restart(&self) {
        let mut device = self.device();
        device.forget_what_was_not_flushed();
        device.recover();
        device.cut_at = None;
        device.powered = true;
        device.life += 1;
    }

    /// Flips one bit of a stored piece, counted from the lowest bit of its first byte; returns whether there is one.
    pub fn flip_bit(&self, piece: PieceId, bit: u64) -> bool {
        self.device().stored.flip_bit(piece, bit)
    }

    /// Returns a disk of its own with what this one has safely stored: a backup, or a cloned phone.
    #[must_use]
    pub fn copy(&self, seed: u64) -> Self {
        let copy = Self::new(seed);
        let (from, mut to) = (self.device(), copy.device());
        (to.stored, to.number) = (from.stored.copy(), from.number);
        drop(to);
        copy
    }

    fn device(&self) -> MutexGuard<'_, Device> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Device {
    fn injected(&self) -> Result<(), StoreError> {
        self.faults.step().map_or(Ok(()), |fault| Err(fault.error()))
    }

    /// Counts one step; the power goes here if it was to.
    fn step(&mut self) -> Result<(), StoreError> {
        self.steps += 1;
        if self.cut_at.is_some_and(|at| at <= self.steps) {
            self.powered = false;
        }
        if self.powered { Ok(()) } else { Err(no_power()) }
    }

    fn write(&mut self, writes: &[Write]) -> Result<Vec<PieceId>, StoreError> {
        let record = journal::encode(self.number + 1, writes);
        for (nth, sector) in record.chunks(SECTOR_BYTES).enumerate() {
            self.step()?;
            self.injected()?;
            self.pending.push((nth * SECTOR_BYTES, sector.to_vec()));
        }
        self.step()?;
        match self.faults.step() {
            // The sectors are on their way, and may get there.
            Some(Fault::Io) => return Err(StoreError::OutcomeUnknown { reason: "injected".to_owned() }),
            Some(fault) => {
                self.pending.clear();
                return Err(fault.error());
            }
            None => {}
        }
        for (offset, sector) in std::mem::take(&mut self.pending) {
            self.put(offset, &sector);
        }
        // On the disk from here on, whether or not the writer comes to know.
        self.step()?;
        self.number += 1;
        let ids = self.stored.commit(writes)?;
        self.unknown_at = self.unknown_at.map(|nth| nth.saturating_sub(1));
        if self.unknown_at == Some(0) {
            self.unknown_at = None;
            return Err(StoreError::OutcomeUnknown { reason: "the acknowledgement was lost".to_owned() });
        }
        Ok(ids)
    }

    fn put(&mut self, offset: usize, bytes: &[u8]) {
        let end = offset + bytes.len();
        if self.journal.len() < end {
            self.journal.resize(end, 0);
        }
        self.journal[offset..end].copy_from_slice(bytes);
    }

    fn forget_what_was_not_flushed(&mut self) {
        for (offset, sector) in std::mem::take(&mut self.pending) {
            let kept = match self.rng.in_range(0..=2) {
                0 => 0,
                1 => sector.len(),
                _ => self.rng.index(sector.len()),
            };
            self.put(offset, &sector[..kept]);
        }
    }

    fn recover(&mut self) {
        // A whole record with another number was stored long ago.
        let Some((number, writes)) = journal::decode(&self.journal) else { return };
        if number == self.number + 1 {
            self.number = number;
            self.stored.commit(&writes).expect("no fault is injected below the disk");
        }
    }
}

impl SimStore {
    /// The device, if it still runs since this store was opened.
    fn device(&self) -> Result<MutexGuard<'_, Device>, StoreError> {
        let device = self.disk.device();
        if device.powered && device.life == self.life { Ok(device) } else { Err(no_power()) }
    }

    fn reading(&self) -> Result<MemoryStore, StoreError> {
        let device = self.device()?;
        device.injected()?;
        Ok(device.stored.clone())
    }
}

impl Store for SimStore {
    fn list(&self) -> Result<Vec<Listed>, StoreError> {
        self.reading()?.list()
    }

    fn load(&mut self, document: &DocumentId) -> Result<Loaded, StoreError> {
        self.reading()?.load(document)
    }

    fn news(&self, after: PieceId) -> Result<Vec<(PieceId, DocumentId)>, StoreError> {
        self.reading()?.news(after)
    }

    fn commit(&mut self, writes: &[Write]) -> Result<Vec<PieceId>, StoreError> {
        self.device()?.write(writes)
    }

    fn kept(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.reading()?.kept(key)
    }

    fn set_aside(&self, piece: PieceId) -> Result<Option<Vec<u8>>, StoreError> {
        self.reading()?.set_aside(piece)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use embertally_core::store::Summary;
    use embertally_core::store::suite::Fixture;

    use super::*;
    use crate::Model;

    struct Simulated(SimDisk);

    impl Simulated {
        fn new() -> Self {
            Self(SimDisk::new(1))
        }
    }

    impl Fixture for Simulated {
        type Store = SimStore;

        fn open(&mut self) -> Result<SimStore, StoreError> {
            self.0.open()
        }

        fn flip_bit(&mut self, piece: PieceId, bit: u64) {
            assert!(self.0.flip_bit(piece, bit), "no bit {bit} in {piece:?}");
        }

        fn faults(&self) -> Faults {
            self.0.faults()
        }
    }

    embertally_core::store_suite!(Simulated::new);

    const DOCUMENTS: [DocumentId; 2] = [DocumentId::Register { part: 1 }, DocumentId::Register { part: 2 }];

    /// The number of each commit, in a chunk of its own in both documents; every fifth commit compacts as well.
    fn writes(store: &mut SimStore, number: u64) -> Result<Vec<Write>, StoreError> {
        let mut rng = Rng::new(number);
        let mut writes = Vec::new();
        for document in DOCUMENTS {
            if number % 5 == 4 {
                let held = store.load(&document)?.pieces;
                writes.push(Write::Compact {
                    document,
                    covers: held.iter().map(|piece| piece.id).collect(),
                    snapshot: held.into_iter().flat_map(|piece| piece.bytes).collect(),
                    summary: Summary::default(),
                });
            }
            // Between one and several sectors.
            let mut chunk = vec![];
            for _ in 0..rng.in_range(1..=60) {
                chunk.extend(number.to_le_bytes());
            }
            writes.push(Write::Append { document, chunk, summary: Summary::default() });
        }
        Ok(writes)
    }

    fn found(store: &mut SimStore) -> BTreeSet<u64> {
        let [one, two] = DOCUMENTS.map(|document| -> BTreeSet<u64> {
            let loaded = store.load(&document).unwrap();
            assert_eq!(loaded.damaged, []);
            let bytes: Vec<u8> = loaded.pieces.into_iter().flat_map(|piece| piece.bytes).collect();
            bytes.chunks(8).map(|number| u64::from_le_bytes(number.try_into().unwrap())).collect()
        });
        assert_eq!(one, two, "half a commit");
        one
    }

    fn run(store: &mut SimStore, model: &mut Model<u64>, numbers: std::ops::Range<u64>) -> Result<(), StoreError> {
        for number in numbers {
            let writes = writes(store, number)?;
            model.attempted(number);
            store.commit(&writes)?;
            model.acknowledged(number);
        }
        Ok(())
    }

    #[test]
    fn power_lost_before_any_step_loses_nothing_acknowledged() {
        let untroubled = SimDisk::new(0);
        run(&mut untroubled.open().unwrap(), &mut Model::default(), 0..12).unwrap();
        let steps = untroubled.steps();
        let (mut points, mut survived, mut lost) = (0, 0, 0);
        for seed in 0..10_000_u64.div_ceil(steps) {
            for nth in 1..=steps {
                let (disk, mut model) = (SimDisk::new(seed), Model::default());
                disk.cut_power_at(nth);
                let mut store = disk.open().unwrap();
                run(&mut store, &mut model, 0..12).unwrap_err();
                assert!(store.list().is_err(), "a store without power answers");
                disk.restart();
                assert!(store.list().is_err(), "a store of an earlier life answers");
                let mut store = disk.open().unwrap();
                let seen = found(&mut store);
                model.check(seen.iter().copied()).unwrap_or_else(|broken| panic!("seed {seed}, step {nth}: {broken}"));
                if seen.len() > model.acknowledged_count() {
                    survived += 1
                } else {
                    lost += 1
                }
                run(&mut store, &mut model, 12..15).unwrap();
                model.check(found(&mut store)).unwrap_or_else(|broken| panic!("seed {seed}, step {nth}: {broken}"));
                points += 1;
            }
        }
        assert!(points >= 10_000, "{points}");
        // Both fates of an unacknowledged commit are met.
        assert!(survived > 1_000 && lost > 1_000, "{survived} survived, {lost} lost");
    }

    #[test]
    fn a_record_stored_long_ago_is_not_stored_again_by_a_restart() {
        let disk = SimDisk::new(1);
        run(&mut disk.open().unwrap(), &mut Model::default(), 0..1).unwrap();
        for _ in 0..3 {
            disk.restart();
            assert_eq!(disk.open().unwrap().load(&DOCUMENTS[0]).unwrap().pieces.len(), 1);
        }
    }

    #[test]
    fn one_seed_gives_one_disk() {
        let fates = |seed| {
            let fate = |nth| {
                let disk = SimDisk::new(seed + nth);
                disk.cut_power_at(nth);
                run(&mut disk.open().unwrap(), &mut Model::default(), 0..12).unwrap_err();
                disk.restart();
                found(&mut disk.open().unwrap())
            };
            (1..60).map(fate).collect::<Vec<_>>()
        };
        assert_eq!(fates(3), fates(3));
        assert!((4..20).any(|seed| fates(seed) != fates(3)));
    }

    #[test]
    fn a_lost_acknowledgement_is_an_unknown_outcome_that_took_effect() {
        let disk = SimDisk::new(1);
        let (mut store, mut model) = (disk.open().unwrap(), Model::default());
        disk.lose_acknowledgement_of(2);
        let error = run(&mut store, &mut model, 0..3).unwrap_err();
        assert!(matches!(error, StoreError::OutcomeUnknown { .. }), "{error}");
        assert_eq!(found(&mut store), BTreeSet::from([0, 1]));
        assert_eq!(model.acknowledged_count(), 1);
        run(&mut store, &mut model, 2..3).unwrap();
        disk.restart();
        model.check(found(&mut disk.open().unwrap())).unwrap();
    }

    #[test]
    fn a_failed_flush_may_or_may_not_show_after_the_next_start() {
        let fates: BTreeSet<_> = (0..50)
            .map(|seed| {
                let (disk, mut model) = (SimDisk::new(seed), Model::default());
                let mut store = disk.open().unwrap();
                let writes = [Write::Keep { key: "k".to_owned(), value: vec![1] }];
                // One sector, then the flush.
                disk.faults().arm(2, Fault::Io);
                assert!(matches!(store.commit(&writes), Err(StoreError::OutcomeUnknown { .. })));
                assert_eq!(store.kept("k").unwrap(), None);
                disk.restart();
                let mut store = disk.open().unwrap();
                let kept = store.kept("k").unwrap().is_some();
                run(&mut store, &mut model, 0..3).unwrap();
                kept
            })
            .collect();
        assert_eq!(fates, BTreeSet::from([false, true]));
    }
}
