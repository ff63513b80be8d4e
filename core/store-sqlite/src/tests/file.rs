//! The file: whose it is, how large it is, and its copies.

use std::fs;

use rusqlite::Connection;

use super::*;
use crate::schema::{self, APPLICATION_ID, Identity, STEPS};
use crate::sql::{Gate, Sql};

#[test]
fn after_a_clean_close_there_is_one_file_and_its_mode_and_marks_are_set() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("new").join("deep");
    let mut store = SqliteStore::open(&path).unwrap();
    store.commit(&numbered(1, 800)).unwrap();
    assert_eq!(store.folder(), path);
    assert_eq!(store.sql().number("PRAGMA synchronous").unwrap(), 2);
    assert_eq!(store.sql().number("PRAGMA foreign_keys").unwrap(), 1);
    assert_eq!(store.sql().number("PRAGMA application_id").unwrap(), APPLICATION_ID);
    assert_eq!(store.sql().number("PRAGMA page_size").unwrap(), 2048);
    assert_eq!(store.sql().number("PRAGMA auto_vacuum").unwrap(), 2);
    drop(store);
    let names: Vec<_> = path.read_dir().unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(names, [FILE_NAME]);
}

#[test]
fn twenty_documents_cost_little_more_than_their_bytes() {
    let (folder, mut rng) = (tempfile::tempdir().unwrap(), Rng::new(1));
    let mut store = SqliteStore::open(folder.path()).unwrap();
    for part in 1..=20 {
        store.commit(&[append(DocumentId::Register { part }, &rng.bytes(90_000))]).unwrap();
    }
    drop(store);
    let over = file_size(folder.path()) - 20 * 90_000;
    println!("{over} bytes on top of 1,800,000");
    assert!(over < 45_000, "{over} bytes on top, more than 2.5 %");
}

#[test]
fn compaction_gives_room_back_to_the_file_system() {
    let (folder, mut rng) = (tempfile::tempdir().unwrap(), Rng::new(2));
    let mut store = SqliteStore::open(folder.path()).unwrap();
    let chunks: Vec<_> = (0..5_000).map(|_| append(DOCUMENTS[0], &rng.bytes(250))).collect();
    let covers = store.commit(&chunks).unwrap();
    let summary = Summary::default();
    let compact = |covers| Write::Compact { document: DOCUMENTS[0], covers, snapshot: vec![1; 90_000], summary };
    store.commit(&[compact(covers)]).unwrap();
    drop(store);
    let size = file_size(folder.path());
    println!("{size} bytes after compacting 5,000 chunks to 90,000 bytes");
    assert!(size < 120_000, "{size}");
}

#[test]
fn a_file_of_a_newer_program_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    SqliteStore::open(folder.path()).unwrap().commit(&numbered(1, 8)).unwrap();
    let file = folder.path().join(FILE_NAME);
    Connection::open(&file).unwrap().execute_batch("PRAGMA user_version = 99").unwrap();
    let before = fs::read(&file).unwrap();
    let error = SqliteStore::open(folder.path()).unwrap_err();
    assert!(matches!(error, StoreError::TooNew { found: 99, known: 2 }), "{error}");
    assert!(fs::read(&file).unwrap() == before, "the file was changed");
}

#[test]
fn a_file_of_the_first_schema_opens_whole_and_knows_no_states() {
    let folder = tempfile::tempdir().unwrap();
    SqliteStore::open(folder.path()).unwrap().commit(&numbered(1, 8)).unwrap();
    let old = Connection::open(folder.path().join(FILE_NAME)).unwrap();
    old.execute_batch("ALTER TABLE documents DROP COLUMN state; PRAGMA user_version = 1").unwrap();
    drop(old);
    let mut store = SqliteStore::open(folder.path()).unwrap();
    let list = store.list().unwrap();
    assert!(!list.is_empty() && list.iter().all(|line| line.state().is_none()));
    assert!(list.iter().all(|line| line.pieces > 0 && !store.load(&line.document).unwrap().pieces.is_empty()));
}

#[test]
fn what_is_no_log_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join(FILE_NAME);
    let foreign = tempfile::tempdir().unwrap();
    let other = foreign.path().join("other");
    Connection::open(&other).unwrap().execute_batch("CREATE TABLE t (x)").unwrap();
    for content in [b"not a database at all, but a text of some length ".repeat(40), fs::read(other).unwrap()] {
        fs::write(&file, &content).unwrap();
        let error = SqliteStore::open(folder.path()).unwrap_err();
        assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
        assert!(fs::read(&file).unwrap() == content, "the file was changed");
    }
}

#[test]
fn a_file_that_was_only_just_begun_becomes_a_log() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join(FILE_NAME), b"").unwrap();
    SqliteStore::open(folder.path()).unwrap().commit(&numbered(1, 8)).unwrap();
    assert_eq!(numbers(&mut SqliteStore::open(folder.path()).unwrap()), BTreeSet::from([1]));
}

#[test]
fn a_file_that_cannot_be_opened_is_said_to_be_read_only() {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join(FILE_NAME)).unwrap();
    let error = SqliteStore::open(folder.path()).unwrap_err();
    assert!(matches!(error, StoreError::ReadOnly { .. }), "{error}");
}

#[test]
fn an_older_schema_goes_through_the_steps_it_has_not_seen() {
    let (connection, gate) = (Connection::open_in_memory().unwrap(), Gate::default());
    let sql = Sql { connection: &connection, gate: &gate, waited_ms: 0 };
    let steps = ["CREATE TABLE a (x)", "ALTER TABLE a ADD COLUMN y", "CREATE TABLE b (z)"];
    assert_eq!(schema::identity(&sql).unwrap(), Identity::Empty);
    schema::migrate(&sql, &steps[..1]).unwrap();
    assert_eq!(schema::identity(&sql).unwrap(), Identity::Ours(1));
    schema::migrate(&sql, &steps).unwrap();
    schema::migrate(&sql, &steps).unwrap();
    assert_eq!(schema::identity(&sql).unwrap(), Identity::Ours(3));
    assert!(sql.run("INSERT INTO a (x, y) VALUES (1, 2)", []).is_ok());
    // A step that fails leaves the version it began with.
    let bad = [steps[0], steps[1], steps[2], "CREATE TABLE c (z); CREATE TABLE b (z)"];
    assert!(schema::migrate(&sql, &bad).is_err());
    assert_eq!(schema::identity(&sql).unwrap(), Identity::Ours(3));
    assert!(sql.run("INSERT INTO c VALUES (1)", []).is_err());
    assert_eq!(STEPS.len(), 2, "a new step needs a test that an older file goes through it");
}

#[test]
fn a_backup_is_a_store_with_everything_in_it_and_replaces_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = SqliteStore::open(folder.path().join("log")).unwrap();
    store.commit(&numbered(1, 8_000)).unwrap();
    store.commit(&[Write::Keep { key: "k".to_owned(), value: vec![7] }]).unwrap();
    let copy = folder.path().join("copy");
    fs::create_dir(&copy).unwrap();
    store.backup_to(copy.join(FILE_NAME)).unwrap();
    store.commit(&numbered(2, 8)).unwrap();
    assert!(matches!(store.backup_to(copy.join(FILE_NAME)), Err(StoreError::Other { .. })));
    assert!(store.backup_to(folder.path().join("missing").join("x")).is_err());
    assert_eq!(copy.read_dir().unwrap().count(), 1, "nothing but the copy");
    let mut copied = SqliteStore::open(&copy).unwrap();
    assert_eq!(numbers(&mut copied), BTreeSet::from([1]));
    assert_eq!(copied.kept("k").unwrap(), Some(vec![7]));
    // It is a store of its own from here on.
    copied.commit(&numbered(3, 8)).unwrap();
    assert_eq!(numbers(&mut store), BTreeSet::from([1, 2]));
}
