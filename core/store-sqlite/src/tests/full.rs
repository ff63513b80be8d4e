//! A device with no room left.

use std::fs;

use super::*;

/// Commits numbers until one is refused for want of room; returns the first number refused.
fn fill(store: &mut SqliteStore, model: &mut Model<u64>, from: u64, bytes: usize) -> u64 {
    for number in from.. {
        match store.commit(&numbered(number, bytes)) {
            Ok(_) => model.acknowledged(number),
            Err(error) => {
                assert!(matches!(error, StoreError::Full), "commit {number}: {error}");
                return number;
            }
        }
        assert!(number < from + 10_000, "never full");
    }
    unreachable!()
}

#[test]
fn a_file_that_may_not_grow_is_full_keeps_what_it_has_and_goes_on_when_it_may() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, mut model, mut next) = (SqliteStore::open(folder.path()).unwrap(), Model::default(), 0);
    // Every limit in turn, so that the refusal comes at each place of the commit where a page is added.
    let pages: i64 = store.sql().number("PRAGMA page_count").unwrap();
    for limit in pages..pages + 40 {
        store.sql().batch(&format!("PRAGMA max_page_count = {limit}")).unwrap();
        next = 1 + fill(&mut store, &mut model, next, 3_000);
        model.check(numbers(&mut store)).unwrap();
    }
    store.sql().batch("PRAGMA max_page_count = 1000000").unwrap();
    store.commit(&numbered(next, 3_000)).unwrap();
    model.acknowledged(next);
    drop(store);
    model.check(numbers(&mut SqliteStore::open(folder.path()).unwrap())).unwrap();
}

/// A file system of its own, unmounted in the end.
struct SmallDisk(tempfile::TempDir);

impl SmallDisk {
    fn new(options: &str) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let mount = Command::new("mount").args(["-t", "tmpfs", "-o", options, "tmpfs"]).arg(folder.path()).output();
        match mount {
            Ok(output) if output.status.success() => return Some(Self(folder)),
            Ok(output) => eprintln!("skipped: mount was refused: {}", String::from_utf8_lossy(&output.stderr)),
            Err(error) => eprintln!("skipped: there is no mount: {error}"),
        }
        None
    }

    fn path(&self) -> &Path {
        self.0.path()
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.path()).output();
    }
}

#[test]
fn a_full_disk_is_said_to_be_full_loses_nothing_and_goes_on_when_there_is_room() {
    let Some(disk) = SmallDisk::new("size=1m") else { return };
    let (log, ballast) = (disk.path().join("log"), disk.path().join("ballast"));
    let (mut model, mut next) = (Model::default(), 0);
    for _ in 0..8 {
        fs::write(&ballast, vec![1; 600_000]).unwrap();
        let mut store = SqliteStore::open(&log).unwrap();
        // Large commits and then small ones, until not even those find room.
        for bytes in [8_000, 800, 8] {
            next = 1 + fill(&mut store, &mut model, next, bytes);
        }
        model.check(numbers(&mut store)).unwrap();
        fs::remove_file(&ballast).unwrap();
        store.commit(&numbered(next, 8)).unwrap();
        model.acknowledged(next);
        next += 1;
        // Each number once instead of hundreds of times: room for the next round.
        let small: Vec<u8> = numbers(&mut store).into_iter().flat_map(u64::to_le_bytes).collect();
        let mut compaction = compaction(&mut store).unwrap();
        for write in &mut compaction {
            if let Write::Compact { snapshot, .. } = write {
                snapshot.clone_from(&small);
            }
        }
        store.commit(&compaction).unwrap();
        drop(store);
        model.check(numbers(&mut SqliteStore::open(&log).unwrap())).unwrap();
    }
}

#[test]
fn opening_on_a_full_disk_has_the_right_class_and_works_when_there_is_room() {
    let Some(disk) = SmallDisk::new("size=256k") else { return };
    let ballast = disk.path().join("ballast");
    // From no room at all upwards, a page of the system at a time.
    for room in 0..40 {
        let log = disk.path().join(format!("log{room}"));
        let _ = fs::write(&ballast, vec![1; 300_000]);
        fs::File::options().write(true).open(&ballast).unwrap().set_len(256 * 1024 - room * 4096).unwrap();
        match SqliteStore::open(&log).and_then(|mut store| store.commit(&numbered(1, 8))) {
            Ok(_) => assert!(room > 0),
            Err(error) => assert!(matches!(error, StoreError::Full), "{room} pages of room: {error}"),
        }
        fs::remove_file(&ballast).unwrap();
        let mut store = SqliteStore::open(&log).unwrap();
        store.commit(&numbered(2, 8)).unwrap();
        assert!(numbers(&mut store).contains(&2));
        drop(store);
        fs::remove_dir_all(&log).unwrap();
    }
}

#[test]
fn a_read_only_disk_is_said_to_be_read_only() {
    let Some(disk) = SmallDisk::new("size=1m") else { return };
    let log = disk.path().join("log");
    SqliteStore::open(&log).unwrap().commit(&numbered(1, 8)).unwrap();
    let remount = Command::new("mount").args(["-o", "remount,ro"]).arg(disk.path()).output().unwrap();
    assert!(remount.status.success());
    for folder in [log, disk.path().join("new")] {
        let error = SqliteStore::open(&folder).unwrap_err();
        assert!(matches!(error, StoreError::ReadOnly { .. }), "{error}");
    }
}

/// Mounts the disk again, only to be read.
fn make_read_only(disk: &SmallDisk) -> bool {
    let mount = Command::new("mount").args(["-o", "remount,ro"]).arg(disk.path()).output();
    mount.is_ok_and(|output| output.status.success())
}

#[test]
fn a_log_on_a_full_disk_can_still_be_read() {
    let Some(disk) = SmallDisk::new("size=1m") else { return };
    let log = disk.path().join("log");
    let mut store = SqliteStore::open(&log).unwrap();
    (0..5).for_each(|n| drop(store.commit(&numbered(n, 300)).unwrap()));
    drop(store);
    let _ = fs::write(disk.path().join("ballast"), vec![1; 2_000_000]);
    assert!(matches!(SqliteStore::open(&log), Err(StoreError::Full)));
    let mut store = SqliteStore::open_to_read(&log).unwrap();
    assert_eq!(numbers(&mut store), (0..5).collect());
    assert!(store.commit(&numbered(9, 8)).is_err());
}

#[test]
fn a_log_on_a_read_only_disk_can_still_be_read_with_what_a_crash_left_beside_it() {
    for crashed in [false, true] {
        let Some(disk) = SmallDisk::new("size=4m") else { return };
        let log = disk.path().join("log");
        let mut store = SqliteStore::open(&log).unwrap();
        (0..5).for_each(|n| drop(store.commit(&numbered(n, 300)).unwrap()));
        if crashed {
            // What was committed stands in the write-ahead log alone, as after a loss of power.
            let kept = disk.path().join("kept");
            fs::create_dir(&kept).unwrap();
            for file in ["log.sqlite3", "log.sqlite3-wal"] {
                fs::copy(log.join(file), kept.join(file)).unwrap();
            }
            drop(store);
            fs::remove_dir_all(&log).unwrap();
            fs::rename(&kept, &log).unwrap();
        } else {
            drop(store);
        }
        if !make_read_only(&disk) {
            eprintln!("skipped: the disk could not be made read-only");
            return;
        }
        assert!(SqliteStore::open(&log).is_err(), "crashed: {crashed}");
        let mut store = SqliteStore::open_to_read(&log).unwrap_or_else(|e| panic!("crashed: {crashed}: {e}"));
        assert_eq!(numbers(&mut store), (0..5).collect(), "crashed: {crashed}");
    }
}
