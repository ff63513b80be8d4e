//! What one commit costs: a chunk of 250 bytes, made durable, beside a bare insert of the same bytes.
//!
//! On a real disk: `TMPDIR` must not be a file system in memory.

use divan::Bencher;
use embertally_core::facts::DocumentId;
use embertally_core::store::{PieceId, Store, Summary, Write};
use embertally_store_sqlite::SqliteStore;
use rusqlite::Connection;
use tempfile::TempDir;

const CHUNK: [u8; 250] = [0x5a; 250];
const DOCUMENT: DocumentId = DocumentId::Register { part: 1 };

fn main() {
    divan::main();
}

fn append(document: DocumentId, chunk: &[u8]) -> Write {
    Write::Append { document, chunk: chunk.to_vec(), summary: Summary { title: "Quarry".into(), ..Summary::default() } }
}

fn store() -> (TempDir, SqliteStore) {
    let folder = tempfile::tempdir().expect("a folder");
    let store = SqliteStore::open(folder.path()).expect("opens");
    (folder, store)
}

/// 20 documents of 90,000 bytes.
fn filled() -> (TempDir, SqliteStore) {
    let (folder, mut store) = store();
    for part in 1..=20 {
        store.commit(&[append(DocumentId::Register { part }, &[7; 90_000])]).expect("commits");
    }
    (folder, store)
}

#[divan::bench(sample_count = 2000, sample_size = 1)]
fn commit_of_one_chunk(bencher: Bencher<'_, '_>) {
    let (_folder, mut store) = filled();
    let writes = [append(DOCUMENT, &CHUNK)];
    bencher.bench_local(|| store.commit(&writes).expect("commits"));
}

#[divan::bench(sample_count = 2000, sample_size = 1)]
fn bare_insert_of_the_same_bytes(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a folder");
    let file = Connection::open(folder.path().join("bare.sqlite3")).expect("opens");
    file.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; CREATE TABLE bare (bytes BLOB)")
        .expect("makes the table");
    bencher.bench_local(|| {
        file.prepare_cached("INSERT INTO bare VALUES (?1)")
            .and_then(|mut insert| insert.execute([CHUNK]))
            .expect("inserts")
    });
}

#[divan::bench(sample_count = 100, sample_size = 1)]
fn load_of_one_document_of_90_kb(bencher: Bencher<'_, '_>) {
    let (_folder, mut store) = filled();
    bencher.bench_local(|| store.load(&DOCUMENT).expect("loads"));
}

#[divan::bench(sample_count = 100, sample_size = 1)]
fn list_of_20_documents_with_5_000_chunks(bencher: Bencher<'_, '_>) {
    let (_folder, mut store) = filled();
    store.commit(&vec![append(DOCUMENT, &CHUNK); 5_000]).expect("commits");
    bencher.bench_local(|| store.list().expect("lists"));
}

#[divan::bench(sample_count = 100, sample_size = 1)]
fn load_of_one_document_beside_5_000_chunks(bencher: Bencher<'_, '_>) {
    let (_folder, mut store) = filled();
    store.commit(&vec![append(DocumentId::Register { part: 2 }, &CHUNK); 5_000]).expect("commits");
    bencher.bench_local(|| store.load(&DOCUMENT).expect("loads"));
}

#[divan::bench(sample_count = 100, sample_size = 1)]
fn check_of_20_documents(bencher: Bencher<'_, '_>) {
    let (_folder, store) = filled();
    bencher.bench_local(|| store.check().expect("is whole"));
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn compaction_of_1_000_chunks(bencher: Bencher<'_, '_>) {
    let (_folder, mut store) = filled();
    let mut covers: Vec<PieceId> = Vec::new();
    bencher.with_inputs(|| ()).bench_local_values(|()| {
        // Writing the chunks is one commit as well, and cheap beside their removal.
        covers.extend(store.commit(&vec![append(DOCUMENT, &CHUNK); 1_000]).expect("commits"));
        let compact = Write::Compact {
            document: DOCUMENT,
            covers: std::mem::take(&mut covers),
            snapshot: vec![7; 90_000],
            summary: Summary::default(),
        };
        covers = store.commit(&[compact]).expect("compacts");
    });
}
