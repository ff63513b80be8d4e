//! What the store's operations cost on a PostgreSQL of the bench's own, by its socket, beside a bare insert.
//!
//! The server keeps its files in `/tmp`, which must be on a real disk.

use std::sync::{LazyLock, RwLock};

use divan::Bencher;
use embertally_core::facts::DocumentId;
use embertally_core::store::{PieceId, Store, Summary, Write};
use embertally_postgres::testing::Cluster;
use embertally_postgres::{Database, Options, PostgresStore};
use tokio::runtime::{Builder, Runtime};
use tokio_postgres::NoTls;

/// About what a volley of ten shots takes.
const CHUNK: [u8; 250] = [0x5a; 250];
const DOCUMENT: DocumentId = DocumentId::Register { part: 1 };

static CLUSTER: RwLock<Option<Cluster>> = RwLock::new(None);

static RUNTIME: LazyLock<Runtime> =
    LazyLock::new(|| Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime"));

fn main() {
    *CLUSTER.write().expect("nobody holds it") = Some(Cluster::on_disk());
    divan::main();
    // A static is never dropped by itself.
    *CLUSTER.write().expect("nobody holds it") = None;
}

fn url() -> String {
    CLUSTER.read().expect("nobody writes").as_ref().expect("was started").url("postgres")
}

fn tcp_url() -> String {
    CLUSTER.read().expect("nobody writes").as_ref().expect("was started").tcp_url("postgres")
}

fn append(document: DocumentId, chunk: &[u8]) -> Write {
    Write::Append { document, chunk: chunk.to_vec(), summary: Summary { title: "Quarry".into(), ..Summary::default() } }
}

fn store(url: &str) -> PostgresStore {
    let options = Options::default().schema(Cluster::new_name());
    let database = Database::connect(url, options, RUNTIME.handle()).expect("connects");
    PostgresStore::open(&database, [7; 16]).expect("opens")
}

#[divan::bench(sample_count = 2000, sample_size = 1)]
fn commit_of_one_chunk(bencher: Bencher<'_, '_>) {
    let (mut store, writes) = (store(&url()), [append(DOCUMENT, &CHUNK)]);
    bencher.bench_local(|| store.commit(&writes).expect("commits"));
}

#[divan::bench(sample_count = 2000, sample_size = 1)]
fn commit_of_one_chunk_by_tcp(bencher: Bencher<'_, '_>) {
    let (mut store, writes) = (store(&tcp_url()), [append(DOCUMENT, &CHUNK)]);
    bencher.bench_local(|| store.commit(&writes).expect("commits"));
}

/// Each thread is a crew; all wait for the same disk.
#[divan::bench(sample_count = 500, sample_size = 1, threads = [4])]
fn commit_of_one_chunk_in_each_of_several_crews(bencher: Bencher<'_, '_>) {
    let options = Options::default().schema("several");
    let database = Database::connect(&url(), options, RUNTIME.handle()).expect("connects");
    let writes = [append(DOCUMENT, &CHUNK)];
    let crew = || {
        let id: u64 = std::thread::current().name().map_or(0, |name| name.bytes().map(u64::from).sum());
        let mut bytes = [0; 16];
        bytes[..8].copy_from_slice(&id.to_be_bytes());
        PostgresStore::open(&database, bytes).expect("opens")
    };
    bencher.with_inputs(crew).bench_values(|mut store| store.commit(&writes).expect("commits"));
}

#[divan::bench(sample_count = 2000, sample_size = 1)]
fn bare_insert_of_the_same_bytes(bencher: Bencher<'_, '_>) {
    let url = url();
    let (client, connection) = RUNTIME.block_on(tokio_postgres::connect(&url, NoTls)).expect("connects");
    RUNTIME.spawn(connection);
    let make = client.batch_execute("CREATE TABLE IF NOT EXISTS bare (bytes bytea)");
    RUNTIME.block_on(make).expect("makes the table");
    let insert = RUNTIME.block_on(client.prepare("INSERT INTO bare VALUES ($1)")).expect("prepares");
    bencher.bench_local(|| RUNTIME.block_on(client.execute(&insert, &[&&CHUNK[..]])).expect("inserts"));
}

#[divan::bench(sample_count = 200, sample_size = 1)]
fn load_of_256_chunks(bencher: Bencher<'_, '_>) {
    let mut store = store(&url());
    store.commit(&vec![append(DOCUMENT, &CHUNK); 256]).expect("commits");
    bencher.bench_local(|| assert_eq!(store.load(&DOCUMENT).expect("loads").pieces.len(), 256));
}

#[divan::bench(sample_count = 200, sample_size = 1)]
fn list_of_500_documents(bencher: Bencher<'_, '_>) {
    let mut store = store(&url());
    let writes: Vec<_> = (1..=500).map(|part| append(DocumentId::Register { part }, &CHUNK)).collect();
    for _ in 0..4 {
        store.commit(&writes).expect("commits");
    }
    bencher.bench_local(|| assert_eq!(store.list().expect("lists").len(), 500));
}

#[divan::bench(sample_count = 500, sample_size = 1)]
fn news_when_there_are_none(bencher: Bencher<'_, '_>) {
    let mut store = store(&url());
    let ids = store.commit(&vec![append(DOCUMENT, &CHUNK); 1000]).expect("commits");
    let last = ids.last().copied().unwrap_or(PieceId(0));
    bencher.bench_local(|| assert_eq!(store.news(last).expect("reads"), []));
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn compaction_of_1_000_chunks(bencher: Bencher<'_, '_>) {
    let mut store = store(&url());
    let mut covers: Vec<PieceId> = Vec::new();
    bencher.bench_local(|| {
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
