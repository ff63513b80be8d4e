//! What is left of a dropped document in the files themselves.

use std::fs;

use embertally_core::facts::PersonId;
use rusqlite::Connection;

use super::*;

const NAME: &[u8] = b"Wilhelmina Quast";

fn document() -> DocumentId {
    DocumentId::Person { person: PersonId::from_bytes([9; 16]), part: 1 }
}

/// How often the name's bytes stand in the files of a folder: the file, its write-ahead log, its index, a journal.
fn found(folder: &Path) -> usize {
    let files = folder.read_dir().unwrap().map(|entry| fs::read(entry.unwrap().path()).unwrap());
    files.map(|bytes| bytes.windows(NAME.len()).filter(|w| *w == NAME).count()).sum()
}

/// A store in which the name has been written, compacted away, damaged and set aside, among much else.
fn furnished(folder: &Path) -> SqliteStore {
    let mut store = SqliteStore::open(folder).unwrap();
    let mut rng = Rng::new(5);
    store.commit(&[append(DOCUMENTS[0], &rng.bytes(60_000))]).unwrap();
    for round in 0..6_u8 {
        let chunk = |n: u8| [NAME, &[round, n]].concat();
        let ids = store.commit(&[append(document(), &chunk(0)), append(document(), &chunk(1))]).unwrap();
        let summary = Summary { title: String::from_utf8(NAME.to_vec()).unwrap(), ..Summary::default() };
        let snapshot = [NAME, &rng.bytes(3_000)].concat();
        store.commit(&[Write::Compact { document: document(), covers: ids[..1].to_vec(), snapshot, summary }]).unwrap();
        store.commit(&[append(DOCUMENTS[1], &rng.bytes(2_000))]).unwrap();
        if round == 3 {
            let file = Connection::open(folder.join(FILE_NAME)).unwrap();
            file.execute("UPDATE pieces SET hash = x'00' WHERE id = ?1", [ids[1].0 as i64]).unwrap();
            assert_eq!(store.load(&document()).unwrap().damaged.len(), 1);
        }
    }
    store.commit(&[Write::Keep { key: format!("met/x/{}", document()), value: NAME.to_vec() }]).unwrap();
    store
}

#[test]
fn after_a_drop_no_byte_of_it_is_in_any_file_open_or_closed() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = furnished(folder.path());
    let other = SqliteStore::open(folder.path()).unwrap();
    assert!(found(folder.path()) > 12, "the search finds what is there");
    store.commit(&[Write::Drop { document: document() }]).unwrap();
    assert!(store.is_cleared().unwrap());
    assert_eq!(found(folder.path()), 0, "while it is open");
    store.commit(&[append(DOCUMENTS[1], b"later")]).unwrap();
    drop((store, other));
    assert_eq!(found(folder.path()), 0, "when it is closed");
    let mut store = SqliteStore::open(folder.path()).unwrap();
    store.check().unwrap();
    assert_eq!(store.load(&DOCUMENTS[0]).unwrap().pieces[0].bytes.len(), 60_000);
    assert_eq!(store.load(&DOCUMENTS[1]).unwrap().pieces.len(), 7);
}

#[test]
fn what_another_reader_kept_from_being_cleared_is_cleared_at_the_next_opening() {
    let folder = tempfile::tempdir().unwrap();
    drop(furnished(folder.path()));
    let reader = Connection::open(folder.path().join(FILE_NAME)).unwrap();
    reader.execute_batch("BEGIN; SELECT count(*) FROM pieces").unwrap();
    let options = Options::default().busy_timeout(std::time::Duration::from_millis(50));
    let mut store = SqliteStore::open_with(folder.path(), options).unwrap();
    store.commit(&[Write::Drop { document: document() }]).unwrap();
    assert!(!store.is_cleared().unwrap() && store.load(&document()).unwrap().pieces.is_empty());
    drop(store);
    assert!(found(folder.path()) > 0, "the reader still reads it");
    reader.execute_batch("COMMIT").unwrap();
    let store = SqliteStore::open(folder.path()).unwrap();
    assert!(store.is_cleared().unwrap());
    assert_eq!(found(folder.path()), 0);
}
