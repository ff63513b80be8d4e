//! Several stores on one folder.

use std::thread;
use std::time::Duration;

use rusqlite::Connection;

use super::*;

#[test]
fn a_writer_that_does_not_finish_is_reported_as_busy_and_nothing_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let options = Options::default().busy_timeout(Duration::from_millis(40));
    let mut store = SqliteStore::open_with(folder.path(), options).unwrap();
    store.commit(&numbered(1, 8)).unwrap();

    let other = Connection::open(folder.path().join(FILE_NAME)).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let error = store.commit(&numbered(2, 8)).unwrap_err();
    assert!(matches!(error, StoreError::Busy { waited_ms: 40 }), "{error}");
    assert_eq!(numbers(&mut store), BTreeSet::from([1]), "reading goes on meanwhile");

    other.execute_batch("ROLLBACK").unwrap();
    store.commit(&numbered(3, 8)).unwrap();
    assert_eq!(numbers(&mut store), BTreeSet::from([1, 3]));
}

#[test]
fn opening_a_file_that_another_holds_is_busy() {
    let folder = tempfile::tempdir().unwrap();
    let other = Connection::open(folder.path().join(FILE_NAME)).unwrap();
    other.execute_batch("BEGIN EXCLUSIVE").unwrap();
    let options = Options::default().busy_timeout(Duration::from_millis(30));
    let error = SqliteStore::open_with(folder.path(), options.clone()).unwrap_err();
    assert!(matches!(error, StoreError::Busy { waited_ms: 30 }), "{error}");
    other.execute_batch("ROLLBACK").unwrap();
    SqliteStore::open_with(folder.path(), options).unwrap();
}

#[test]
fn many_may_open_a_new_folder_at_once() {
    for _ in 0..10 {
        let folder = tempfile::tempdir().unwrap();
        thread::scope(|scope| {
            for number in 0..6 {
                let path = folder.path();
                scope.spawn(move || SqliteStore::open(path).unwrap().commit(&numbered(number, 8)).unwrap());
            }
        });
        assert_eq!(numbers(&mut SqliteStore::open(folder.path()).unwrap()), (0..6).collect());
    }
}

#[test]
fn many_may_write_and_compact_one_document_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let ids: Vec<PieceId> = thread::scope(|scope| {
        let write = |writer: u64| {
            let mut store = SqliteStore::open(folder.path()).unwrap();
            let mut ids = Vec::new();
            for number in 0..40 {
                ids.extend(store.commit(&numbered(writer * 100 + number, 64)).unwrap());
                if number % 10 == writer {
                    let writes = compaction(&mut store).unwrap();
                    ids.extend(store.commit(&writes).unwrap());
                }
            }
            ids
        };
        let writers: Vec<_> = (0..4).map(|writer| scope.spawn(move || write(writer))).collect();
        writers.into_iter().flat_map(|writer| writer.join().unwrap()).collect()
    });
    let distinct: BTreeSet<_> = ids.iter().collect();
    assert_eq!(distinct.len(), ids.len(), "a name was given twice");
    let expected = (0..4).flat_map(|writer| (0..40).map(move |number| writer * 100 + number)).collect();
    assert_eq!(numbers(&mut SqliteStore::open(folder.path()).unwrap()), expected);
}
