//! A process killed at any moment, as a server is with `kill -9`.

use std::env;
use std::io::{BufRead, BufReader, Write as _, stdout};
use std::process::{Command, Stdio};
use std::thread;

use embertally_core::facts::RandomBits;
use embertally_testkit::Rng;

use super::*;

/// Cycles of starting, killing and looking; `EMBERTALLY_KILL_CYCLES` asks for more.
const CYCLES: u64 = 20;

/// Set for a child only.
const CHILD_URL: &str = "EMBERTALLY_TEST_CHILD_URL";

/// Only does something as the child: commits one number after another, and prints each once its commit has returned.
#[test]
fn child_that_is_killed() {
    let Ok(url) = env::var(CHILD_URL) else { return };
    let database = Database::connect(&url, Options::default(), runtime().handle()).unwrap();
    let mut store = PostgresStore::open(&database, CREW).unwrap();
    let first = numbers(&mut store).last().map_or(0, |last| last + 1);
    for number in first.. {
        store.commit(&numbered(number)).unwrap();
        writeln!(stdout(), "saved {number}").unwrap();
        if number % 8 == 0 {
            let compaction = compaction(&mut store).unwrap();
            store.commit(&compaction).unwrap();
        }
    }
}

#[test]
fn what_was_saved_before_a_kill_is_there_after_it() {
    let cycles = env::var("EMBERTALLY_KILL_CYCLES").ok().map_or(CYCLES, |text| text.parse().unwrap());
    let seed = env::var("EMBERTALLY_SEED").ok().map_or(1, |text| text.parse().unwrap());
    println!("seed {seed}, {cycles} cycles");
    let cluster = Cluster::shared();
    let url = cluster.url(&cluster.new_database());
    let database = Database::connect(&url, Options::default(), runtime().handle()).unwrap();
    let mut store = PostgresStore::open(&database, CREW).unwrap();
    let (mut rng, mut saved) = (Rng::new(seed), BTreeSet::new());
    for cycle in 0..cycles {
        let mut child = Command::new(env::current_exe().unwrap());
        child.args(["--exact", "tests::kill::child_that_is_killed", "--nocapture", "--test-threads=1"]);
        let mut child = child.env(CHILD_URL, &url).stdout(Stdio::piped()).spawn().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let mut number = |line: String| {
            let number = line.rsplit_once("saved ").map(|(_, number)| number.parse::<u64>().unwrap());
            number.is_some_and(|number| saved.insert(number))
        };
        let mut wanted = rng.in_range(1..=40);
        while wanted > 0 {
            wanted -= u64::from(number(lines.next().expect("the child stopped by itself")));
        }
        thread::sleep(Duration::from_micros(rng.next_u64() % 3_000));
        child.kill().unwrap();
        child.wait().unwrap();
        // What the child printed before it was killed counts as said.
        let _ = lines.map(number).count();

        // A commit that was under way ends by itself, and this one waits for it.
        store.commit(&[append(DOCUMENTS[0], b""), append(DOCUMENTS[1], b"")]).unwrap();
        let found = numbers(&mut store);
        let lost: Vec<_> = saved.difference(&found).collect();
        assert!(lost.is_empty(), "seed {seed}, cycle {cycle}: lost {lost:?}");
        // One commit per cycle may have been kept without its number being printed.
        let unsaid = found.len() - saved.len();
        assert!(unsaid <= 1, "seed {seed}, cycle {cycle}: {unsaid} never written");
        saved = found;
    }
    assert!(saved.len() as u64 > cycles * 5, "the children wrote only {} numbers", saved.len());
}
