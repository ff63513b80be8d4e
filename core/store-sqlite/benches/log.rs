//! What a crew waits for, on real files: logging a volley, opening a long log, importing a season.
//!
//! `cargo bench -p embertally-store-sqlite --bench log`

use std::time::Instant;

use divan::{Bencher, black_box};
use embertally_core::crew::DeviceKey;
use embertally_core::exchange::{ImportOptions, Known, read_csv};
use embertally_core::facts::{Entry, EntryId, Fact, Founding, Moment, PersonId};
use embertally_core::ledger::Ledger;
use embertally_core::log::{Home, Log};
use embertally_core::rates::{Group, RatesRequest, rates};
use embertally_store_sqlite::SqliteStore;
use embertally_testkit::Rng;
use embertally_testkit::builders::{VolleyBuilder, outing, season};
use tempfile::TempDir;

fn main() {
    sizes();
    pairs();
    divan::main();
}

/// The device's key: what is written is signed, as the tool does.
fn key() -> DeviceKey {
    DeviceKey::from_seed(&[7; 32])
}

fn open(folder: &TempDir, seed: u64) -> Log<SqliteStore> {
    let mut log = Log::open(SqliteStore::open(folder.path()).expect("a fresh folder"), Rng::new(seed));
    log.sign_with(key(), key().device(1));
    log
}

/// Makes it a crew's log, whose signatures were checked when it was read for the first time.
fn found(log: &mut Log<SqliteStore>) {
    let at = Moment { unix_ms: 1, offset_minutes: 0 };
    let mut founding = Entry::new(EntryId::new(1, &mut Rng::new(9)), key().device(1), at);
    founding.state(Fact::Founding(Founding { key: key().public(), name: "Invented crew".to_owned() }));
    founding.name_by_content().expect("fits");
    log.write(Home::Register, &founding).expect("writable");
    log.set_crew(key().crew()).expect("writable");
    log.replay(|_, _| ()).expect("readable");
}

/// A log of 100,000 shots in volleys of five to ten, as a crew's devices would have it after their import.
fn long_log(seed: u64) -> TempDir {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut log = open(&folder, seed);
    let entries: Vec<_> = season(100_000, &mut Rng::new(seed)).into_iter().map(|(home, e)| (home, e.named())).collect();
    log.write_all(&entries).expect("writable");
    found(&mut log);
    log.compact().expect("compactable");
    folder
}

fn volley_of_ten(n: u64, rng: &mut Rng) -> Entry {
    VolleyBuilder {
        device: key().device(1),
        observer: PersonId::named("somebody"),
        outing: outing(0),
        at_ms: 1_900_000_000_000 + n as i64 * 90_000,
        shots: 10,
        first_unit: n * 10,
    }
    .build(rng)
    .named()
}

trait Named {
    fn named(self) -> Self;
}

impl Named for Entry {
    /// Gives it the id that follows from what it says, as signed entries have.
    fn named(mut self) -> Self {
        self.name_by_content().expect("small");
        self
    }
}

/// Counts, which a benchmark of time does not show.
#[expect(clippy::print_stdout, reason = "a benchmark prints its figures")]
fn sizes() {
    let folder = long_log(1);
    let bytes: u64 = std::fs::read_dir(folder.path())
        .expect("readable")
        .filter_map(|e| e.ok()?.metadata().ok())
        .map(|m| m.len())
        .sum();
    println!("on disk after compaction: {:.1} bytes a shot, everything included", bytes as f64 / 100_000.0);
}

/// Both in turn, A B A B …, since a disk's speed drifts: what a durable log costs beyond the bare commit.
#[expect(clippy::print_stdout, reason = "a benchmark prints its figures")]
fn pairs() {
    let (folder, bare) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    let (mut log, db, mut rng) = (open(&folder, 2), bare_store(&bare), Rng::new(2));
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    for n in 0..600 {
        let entry = volley_of_ten(n, &mut rng);
        let bytes = entry.to_bytes().expect("small");
        let begun = Instant::now();
        log.write(Home::Outing(outing(0)), &entry).expect("writable");
        ours.push(begun.elapsed());
        let begun = Instant::now();
        bare_commit(&db, &bytes);
        theirs.push(begun.elapsed());
    }
    ours.sort_unstable();
    theirs.sort_unstable();
    let (ours, theirs) = (ours[300], theirs[300]);
    let ratio = ours.as_secs_f64() / theirs.as_secs_f64();
    println!("in turn: a durable volley {ours:.0?}, the same bytes bare {theirs:.0?}, ratio {ratio:.2}");
}

fn bare_store(folder: &TempDir) -> rusqlite::Connection {
    let db = rusqlite::Connection::open(folder.path().join("bare.sqlite3")).expect("a fresh file");
    db.execute_batch(
        "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; CREATE TABLE piece (id INTEGER PRIMARY KEY, bytes BLOB);",
    )
    .expect("a fresh file");
    db
}

fn bare_commit(db: &rusqlite::Connection, bytes: &[u8]) {
    db.prepare_cached("INSERT INTO piece (bytes) VALUES (?1)").and_then(|mut s| s.execute([bytes])).expect("writable");
}

/// One volley of ten, durable when it returns, in an outing that has 500 volleys already.
#[divan::bench(sample_count = 400)]
fn log_a_volley_of_ten(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut log = open(&folder, 2);
    let mut rng = Rng::new(2);
    let before: Vec<_> = (0..500).map(|n| (Home::Outing(outing(0)), volley_of_ten(n, &mut rng))).collect();
    log.write_all(&before).expect("writable");
    let mut n = 500;
    bencher
        .with_inputs(|| {
            n += 1;
            volley_of_ten(n, &mut rng)
        })
        .bench_local_values(|entry| log.write(Home::Outing(outing(0)), &entry).expect("writable"));
}

/// The same bytes as one bare SQLite commit with full synchronous, for comparison.
#[divan::bench(sample_count = 400)]
fn bare_commit_of_the_same_bytes(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let db = bare_store(&folder);
    let mut rng = Rng::new(2);
    let bytes = volley_of_ten(1, &mut rng).to_bytes().expect("small");
    bencher.bench_local(|| bare_commit(&db, &bytes));
}

/// From the closed file to a table of rates: 100,000 shots.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn open_100_000_shots_and_have_their_rates(bencher: Bencher<'_, '_>) {
    let folder = long_log(3);
    bencher.bench_local(|| {
        let mut log = open(&folder, 4);
        let mut ledger = Ledger::new();
        log.replay(|_, entry| ledger.add(&entry)).expect("readable");
        ledger.settle();
        let by = vec![Group::Lot, Group::Fuse, Group::Weather];
        black_box(rates(&ledger, &RatesRequest { by, ..RatesRequest::default() }).expect("in range").rows.len())
    });
}

/// A CSV file of 100,000 rows in volleys of ten, to a durable log.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn import_100_000_rows(bencher: Bencher<'_, '_>) {
    let mut csv = String::from(
        "outing,outing_kind,time,device,observer,volley,module,channel,wiring,position,lot,unit,fuse,ignition,transfer,\
         delay_low_ms,delay_high_ms,temperature_c,humidity_pct,wind_m_s,precipitation\n",
    );
    let mut rng = Rng::new(5);
    for row in 0..100_000_u32 {
        let (volley, position) = (row / 10, row % 10 + 1);
        let failed = rng.chance(20);
        let (ignition, transfer) = if failed { ("failed", "unlit") } else { ("fired", "lit") };
        csv.push_str(&format!(
            "season,test,2031-05-09T{:02}:{:02}:00+02:00,phone {},Ada,V{volley},box,{},parallel,{position},LOT-{},\
             {row},cord {},{ignition},{transfer},{},{},{:.1},71,2.5,none\n",
            8 + volley / 1000,
            volley / 17 % 60,
            volley % 4,
            volley % 16 + 1,
            volley % 6,
            volley % 5,
            20 + volley % 9,
            37 + volley % 9,
            10.0 + f64::from(volley % 100) / 10.0,
        ));
    }
    bencher.with_inputs(|| tempfile::tempdir().expect("a temporary folder")).bench_local_values(|folder| {
        let mut log = open(&folder, 6);
        let import = read_csv(csv.as_bytes(), &ImportOptions::default(), &Known::default()).expect("a good file");
        let entries: Vec<_> = import
            .entries
            .into_iter()
            .map(|(o, e)| (o.map(Home::Outing).or_else(|| Home::of(&e)).expect("a home"), e))
            .collect();
        let written = log.write_all(&entries).expect("writable").added;
        drop(log);
        (folder, written)
    });
}
