//! A process killed at any moment.

use std::io::{BufRead, BufReader, Write as _, stdout};
use std::process::Stdio;
use std::thread;
use std::time::Duration;

use embertally_core::facts::RandomBits;

use super::*;

/// Cycles of starting, killing and looking; `EMBERTALLY_KILL_CYCLES` asks for more.
const CYCLES: u64 = 60;

/// Only does something as the child: commits one number after another, and prints each once its commit has returned.
#[test]
fn child_that_is_killed() {
    let Some(folder) = env::var_os(CHILD_FOLDER) else { return };
    let mut store = SqliteStore::open(&folder).unwrap();
    let first = numbers(&mut store).last().map_or(0, |last| last + 1);
    for number in first.. {
        let mut rng = Rng::new(number);
        store.commit(&numbered(number, 8 * rng.in_range(1..=300) as usize)).unwrap();
        writeln!(stdout(), "saved {number}").unwrap();
        if number % 8 == 0 {
            let small: Vec<u8> = numbers(&mut store).into_iter().flat_map(u64::to_le_bytes).collect();
            let mut compaction = compaction(&mut store).unwrap();
            for write in &mut compaction {
                if let Write::Compact { snapshot, .. } = write {
                    snapshot.clone_from(&small);
                }
            }
            store.commit(&compaction).unwrap();
        }
        if number % 32 == 0 {
            drop(store);
            store = SqliteStore::open(&folder).unwrap();
        }
    }
}

#[test]
fn what_was_saved_before_a_kill_is_there_after_it() {
    let cycles = env::var("EMBERTALLY_KILL_CYCLES").ok().map_or(CYCLES, |text| text.parse().unwrap());
    let seed = env::var("EMBERTALLY_SEED").ok().map_or(1, |text| text.parse().unwrap());
    println!("seed {seed}, {cycles} cycles");
    let (folder, mut rng) = (tempfile::tempdir().unwrap(), Rng::new(seed));
    let mut saved = BTreeSet::new();
    for cycle in 0..cycles {
        let mut child =
            child("tests::kill::child_that_is_killed", folder.path()).stdout(Stdio::piped()).spawn().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let mut number = |line: String| {
            let number = line.rsplit_once("saved ").map(|(_, number)| number.parse::<u64>().unwrap());
            number.is_some_and(|number| saved.insert(number))
        };
        // At a random moment after some commits, or right at the start, in the middle of opening.
        let mut wanted = if rng.chance(100) { 0 } else { rng.in_range(1..=40) };
        while wanted > 0 {
            wanted -= u64::from(number(lines.next().expect("the child stopped by itself")));
        }
        thread::sleep(Duration::from_micros(rng.next_u64() % 4_000));
        child.kill().unwrap();
        child.wait().unwrap();
        // What the child printed before it was killed counts as said.
        let _ = lines.map(number).count();

        let found = numbers(&mut SqliteStore::open(folder.path()).unwrap());
        let lost: Vec<_> = saved.difference(&found).collect();
        assert!(lost.is_empty(), "seed {seed}, cycle {cycle}: lost {lost:?}");
        // One commit per cycle may have been kept without its number being printed.
        let unsaid = found.len() - saved.len();
        assert!(unsaid <= 1, "seed {seed}, cycle {cycle}: {unsaid} never written");
        saved = found;
    }
    assert!(saved.len() as u64 > cycles * 5, "the children wrote only {} numbers", saved.len());
}
