//! The store over files in memory: the suite of all stores, and what only this one can show.

use std::cell::RefCell;
use std::rc::Rc;

use embertally_core::facts::DocumentId;
use embertally_core::store::suite::{Faults, Fixture};
use embertally_core::store::{PieceId, Store, StoreError, Summary, Write};

use super::{Disk, FileStore, Side};

/// Two files in memory; clones are the same files.
#[derive(Debug, Clone, Default)]
struct Memory {
    files: Rc<RefCell<[Vec<u8>; 2]>>,
    faults: Faults,
}

impl Memory {
    fn step(&self) -> Result<(), StoreError> {
        self.faults.step().map_or(Ok(()), |fault| Err(fault.error()))
    }

    fn with<T>(&self, side: Side, change: impl FnOnce(&mut Vec<u8>) -> T) -> T {
        change(&mut self.files.borrow_mut()[usize::from(side == Side::B)])
    }

    fn copy(&self) -> Self {
        Self { files: Rc::new(RefCell::new(self.files.borrow().clone())), faults: Faults::default() }
    }
}

impl Disk for Memory {
    fn size(&self, side: Side) -> Result<u64, StoreError> {
        self.step()?;
        Ok(self.with(side, |file| file.len() as u64))
    }

    fn read(&self, side: Side, at: u64, length: usize) -> Result<Vec<u8>, StoreError> {
        self.step()?;
        let at = at as usize;
        Ok(self.with(side, |file| file.get(at..(at + length).min(file.len())).unwrap_or_default().to_vec()))
    }

    fn write(&mut self, side: Side, at: u64, bytes: &[u8]) -> Result<(), StoreError> {
        let at = at as usize;
        let failed = self.step();
        self.with(side, |file| {
            // A write that fails leaves half of itself behind.
            let bytes = if failed.is_ok() { bytes } else { &bytes[..bytes.len() / 2] };
            file.resize(file.len().max(at + bytes.len()), 0);
            file[at..at + bytes.len()].copy_from_slice(bytes);
        });
        failed
    }

    fn cut(&mut self, side: Side, length: u64) -> Result<(), StoreError> {
        self.step()?;
        self.with(side, |file| file.resize(length as usize, 0));
        Ok(())
    }

    fn flush(&mut self, _: Side) -> Result<(), StoreError> {
        self.step()
    }
}

/// Stores that are open at once are handles on one; in a browser the second could not be opened.
#[derive(Default)]
struct Files {
    disk: Memory,
    open: Vec<FileStore<Memory>>,
    several: bool,
}

impl Fixture for Files {
    type Store = FileStore<Memory>;

    fn open(&mut self) -> Result<Self::Store, StoreError> {
        if let Some(one) = self.open.first().filter(|_| self.several) {
            return Ok(one.clone());
        }
        let store = FileStore::open(self.disk.clone())?;
        self.open = vec![store.clone()];
        Ok(store)
    }

    fn flip_bit(&mut self, piece: PieceId, bit: u64) {
        let (side, at, length) = self.open.first().and_then(|s| s.place_of(piece)).expect("the piece is there");
        assert!(bit / 8 < u64::from(length), "no bit {bit} in {piece:?}");
        self.disk.with(side, |file| file[(at + bit / 8) as usize] ^= 1 << (bit % 8));
    }

    fn faults(&self) -> Faults {
        self.disk.faults.clone()
    }
}

embertally_core::store_suite!(|| Files { several: true, ..Files::default() });

/// The checks that open the storage again, with the files read anew each time.
#[test]
fn the_suite_holds_for_files_read_anew() {
    use embertally_core::store::suite as of_all;
    let make = &mut Files::default;
    of_all::what_is_committed_is_there_after_opening_again(make);
    of_all::empty_and_large_pieces_are_kept_as_they_are(make);
    of_all::piece_names_are_never_used_again(make);
    of_all::kept_values_are_replaced_and_read_back(make);
    of_all::every_flipped_bit_is_noticed_and_set_aside(make);
    of_all::damage_in_one_document_leaves_the_others_whole(make);
    of_all::compaction_does_not_delete_damaged_pieces(make);
    of_all::a_failing_commit_keeps_all_or_nothing(make);
    of_all::a_failing_read_has_the_right_class_and_harms_nothing(make);
    of_all::a_failing_open_has_the_right_class_and_harms_nothing(make);
    of_all::damage_is_reported_even_when_setting_it_aside_fails(make);
}

fn append(part: u32, bytes: &[u8]) -> Write {
    let summary = Summary { entries: u64::from(part), ..Summary::default() };
    Write::Append { document: DocumentId::Register { part }, chunk: bytes.to_vec(), summary }
}

fn contents(store: &mut FileStore<Memory>) -> Vec<(u64, Vec<u8>)> {
    let documents: Vec<_> = store.list().unwrap().into_iter().map(|l| l.document).collect();
    let mut all = Vec::new();
    for document in documents {
        all.extend(store.load(&document).unwrap().pieces.into_iter().map(|p| (p.id.0, p.bytes)));
    }
    all
}

#[test]
fn whatever_of_the_last_write_reached_the_disk_all_before_it_is_there() {
    let disk = Memory::default();
    let mut store = FileStore::open(disk.clone()).unwrap();
    store.commit(&[append(1, b"first"), Write::Keep { key: "device".to_owned(), value: vec![1] }]).unwrap();
    let before = disk.with(Side::A, |file| file.len());
    store.commit(&[append(1, b"second"), append(2, b"third")]).unwrap();
    let after = disk.with(Side::A, |file| file.len());
    for length in before..=after {
        let torn = disk.copy();
        torn.with(Side::A, |file| file.truncate(length));
        let mut store = FileStore::open(torn.clone()).unwrap();
        let wanted = if length < after { 1 } else { 3 };
        assert_eq!(contents(&mut store).len(), wanted, "cut at {length} of {after}");
        assert_eq!(store.kept("device").unwrap(), Some(vec![1]));
        // What was begun is written over, and a new commit is whole again.
        store.commit(&[append(3, b"later")]).unwrap();
        let mut again = FileStore::open(torn).unwrap();
        assert_eq!(contents(&mut again).len(), wanted + 1);
    }
}

#[test]
fn a_damaged_head_hides_its_own_record_only() {
    let disk = Memory::default();
    let mut store = FileStore::open(disk.clone()).unwrap();
    store.commit(&[append(1, b"first")]).unwrap();
    let from = disk.with(Side::A, |file| file.len());
    store.commit(&[append(1, b"second")]).unwrap();
    store.commit(&[append(1, b"third")]).unwrap();
    disk.with(Side::A, |file| file[from + 40] ^= 4);
    let mut store = FileStore::open(disk).unwrap();
    let texts: Vec<_> = contents(&mut store).into_iter().map(|(_, bytes)| bytes).collect();
    assert_eq!(texts, [b"first".to_vec(), b"third".to_vec()]);
    assert!(store.lost_bytes() > 0);
}

#[test]
fn a_damaged_snapshot_does_not_take_away_what_it_replaced() {
    let disk = Memory::default();
    let mut fixture = Files { disk: disk.clone(), ..Files::default() };
    let mut store = fixture.open().unwrap();
    let ids = store.commit(&[append(1, b"one"), append(1, b"two")]).unwrap();
    let document = DocumentId::Register { part: 1 };
    let compact = Write::Compact { document, covers: ids, snapshot: b"both".to_vec(), summary: Summary::default() };
    let snapshot = store.commit(&[compact]).unwrap();
    assert_eq!(contents(&mut store).len(), 1);
    fixture.flip_bit(snapshot[0], 3);
    let mut store = FileStore::open(disk).unwrap();
    let texts: Vec<_> = contents(&mut store).into_iter().map(|(_, bytes)| bytes).collect();
    assert_eq!(texts, [b"one".to_vec(), b"two".to_vec()]);
}

#[test]
fn writing_anew_keeps_everything_and_may_fail_at_any_step() {
    let fill = |disk: &Memory| {
        let mut store = FileStore::open(disk.clone()).unwrap();
        for n in 0..5_u8 {
            store
                .commit(&[append(u32::from(n % 2 + 1), &[n; 9]), Write::Keep { key: "k".into(), value: vec![n] }])
                .unwrap();
        }
        store
    };
    let disk = Memory::default();
    let mut store = fill(&disk);
    let wanted = contents(&mut store);
    for step in 1.. {
        let disk = Memory::default();
        let store = fill(&disk);
        disk.faults.arm(step, embertally_core::store::suite::Fault::Io);
        let renewed = store.renew();
        let reached = disk.faults.disarm();
        // The tab may be killed right there: a new store sees the same.
        let mut again = FileStore::open(disk.copy()).unwrap();
        assert_eq!(contents(&mut again), wanted, "step {step}");
        assert_eq!(again.kept("k").unwrap(), Some(vec![4]));
        let mut store = store;
        store.commit(&[append(9, b"more")]).unwrap();
        assert_eq!(contents(&mut FileStore::open(disk).unwrap()).len(), wanted.len() + 1, "step {step}");
        if !reached {
            assert!(renewed.is_ok());
            return;
        }
    }
}

#[test]
fn useless_bytes_are_given_back_in_time() {
    let disk = Memory::default();
    let mut store = FileStore::open(disk.clone()).unwrap();
    for n in 0..400_u32 {
        store.commit(&[Write::Keep { key: "big".into(), value: vec![n as u8; 32 << 10] }]).unwrap();
    }
    assert!(disk.with(Side::A, |a| a.len()) + disk.with(Side::B, |b| b.len()) < 4 << 20);
    assert_eq!(FileStore::open(disk).unwrap().kept("big").unwrap(), Some(vec![399_u32 as u8; 32 << 10]));
}

#[test]
fn files_that_are_something_else_are_left_alone() {
    let disk = Memory::default();
    disk.with(Side::A, |file| *file = vec![7; 1000]);
    assert!(matches!(FileStore::open(disk.clone()), Err(StoreError::Damaged { .. })));
    assert_eq!(disk.with(Side::A, |file| file.clone()), vec![7; 1000]);
}
