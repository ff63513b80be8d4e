//! `kill -9` at random points, and several processes on one log.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Stdio;
use std::thread;
use std::time::{Duration, Instant};

use embertally_tests::{Device, Outcome, Rng};

/// How many processes are killed, by both writers together.
const KILLS: usize = 200;
const SEED: u64 = 0x_e3be_47a1;

/// What one writer did.
#[derive(Debug, Default)]
struct Written {
    /// Volleys whose command ended with 0.
    saved: BTreeSet<String>,
    /// Volleys that were begun.
    begun: BTreeSet<String>,
    kills: usize,
}

/// Logs volleys one after the other, each by a process of its own, and kills two of three of them at a random moment.
fn write(device: &Device, writer: &str, mut random: Rng) -> Written {
    let mut written = Written::default();
    // What an undisturbed call took lately: a kill falls anywhere within it, or a little behind.
    let mut usual = Duration::from_millis(60);
    while written.kills < KILLS / 2 {
        let volley = format!("{writer}{}", written.begun.len());
        let line = format!("volley 3f KB-104:{volley}a,{volley}b,{volley}c -f visco -w parallel --label {volley}");
        let mut call = device.call_on_log(&line);
        let begun = Instant::now();
        let mut child = call.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the tool cannot be run");
        written.begun.insert(volley.clone());
        let is_victim = random.chance(667);
        if is_victim {
            // The moment of the kill is what is random here; there is no condition to wait for.
            thread::sleep(Duration::from_micros(random.in_range(0..=usual.as_micros() as u64 * 6 / 5)));
            child.kill().expect("it cannot be killed");
        }
        let output = child.wait_with_output().expect("it cannot be waited for");
        if is_victim && output.status.code().is_none() {
            written.kills += 1;
            continue;
        }
        Outcome::new(&line, output).ended_with(0);
        written.saved.insert(volley);
        if !is_victim {
            usual = begun.elapsed();
        }
    }
    written
}

#[test]
#[expect(clippy::print_stderr, reason = "the seed of a random test is always told")]
fn no_volley_whose_command_returned_is_lost_by_200_kills_of_two_writers() {
    eprintln!("seed {SEED:#x}");
    let device = Device::new();
    device.done("outing begin 'Meadow test'");
    device.done("volley f KB-104:first -f visco --new");
    let mut random = Rng::new(SEED);
    let seeds = [random.fork(), random.fork()];
    let written = thread::scope(|scope| {
        let writers = ["x", "y"].into_iter().zip(seeds);
        let device = &device;
        let running: Vec<_> = writers.map(|(name, seed)| scope.spawn(move || write(device, name, seed))).collect();
        running.into_iter().map(|writer| writer.join().expect("a writer failed")).collect::<Vec<_>>()
    });

    let said = device.done("rates --by lot --json").stderr;
    assert!(said.is_empty(), "after the kills the log has something to say: {said}");
    let mut in_log: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for mut row in device.rows() {
        let unit = row.remove("unit").unwrap_or_default();
        assert!(
            in_log.entry(row.remove("volley").unwrap_or_default()).or_default().insert(unit),
            "a shot is there twice"
        );
    }
    in_log.remove("");
    let saved: BTreeSet<&String> = written.iter().flat_map(|w| &w.saved).collect();
    let begun: BTreeSet<&String> = written.iter().flat_map(|w| &w.begun).collect();
    assert!(saved.len() > KILLS / 4, "only {} were left to end by themselves", saved.len());
    let lost: Vec<_> = saved.iter().filter(|volley| !in_log.contains_key(**volley)).collect();
    assert!(lost.is_empty(), "these were said to be saved and are not there: {lost:?}");
    for (volley, units) in &in_log {
        assert!(begun.contains(volley), "nobody logged {volley}");
        let whole = ["a", "b", "c"].map(|letter| format!("{volley}{letter}"));
        assert_eq!(units, &BTreeSet::from(whole), "volley {volley} is half there");
    }
}

/// The sheet fills more than one document of its outing, and the register: all of them in one commit.
#[test]
#[expect(clippy::print_stderr, reason = "the seed of a random test is always told")]
fn an_import_killed_at_any_point_is_there_whole_or_not_at_all() {
    eprintln!("seed {SEED:#x}");
    let shot = |n: usize| format!("Meadow test,test,KB-104,{n},visco,fired\n");
    let sheet = "outing,outing_kind,lot,unit,fuse,ignition\n".to_owned() + &(0..6000).map(shot).collect::<String>();
    let (begun, undisturbed) = (Instant::now(), Device::new());
    undisturbed.import("sheet.csv", &sheet);
    let (whole, export) = (begun.elapsed(), undisturbed.export());
    let mut random = Rng::new(SEED);
    for _ in 0..12 {
        let device = Device::new();
        device.write("sheet.csv", &sheet);
        device.done("lot add KB-1");
        let mut call = device.call_on_log("import sheet.csv --json");
        let mut child = call.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the tool cannot be run");
        // The moment of the kill is what is random here; there is no condition to wait for.
        thread::sleep(Duration::from_micros(random.in_range(0..=whole.as_micros() as u64)));
        child.kill().expect("it cannot be killed");
        let is_done = child.wait().expect("it cannot be waited for").success();
        let rows = device.rows().len();
        assert!(rows == 6000 || (rows == 0 && !is_done), "{rows} rows of 6000 are there");
        let lots = device.json("lot")["rows"].as_array().map(Vec::len);
        assert_eq!(lots, Some(if rows == 0 { 1 } else { 2 }), "the register does not go with the shots");
        device.json("import sheet.csv");
        assert!(device.export() == export, "what the kill left behind is in the way");
    }
}

/// Holds the log as a process does that is in the middle of a write.
fn hold(device: &Device) -> rusqlite::Connection {
    let held = rusqlite::Connection::open(device.log_folder().join("log.sqlite3")).expect("the log cannot be opened");
    held.execute_batch("BEGIN IMMEDIATE").expect("the log cannot be held");
    held
}

#[test]
fn a_log_that_another_process_does_not_let_go_of_is_refused_and_stays_as_it_was() {
    let device = Device::new();
    device.done("outing begin 'Meadow test'");
    device.done("volley f KB-104:1 -f visco --new");
    let before = device.export();
    let held = hold(&device);
    device.refused("volley f KB-104:2 -f visco").saying("nother program is writing to this log");
    assert_eq!(device.export(), before, "reading needs no turn, and nothing was written");
    drop(held);
    assert_eq!(device.export(), before);
    device.done("volley f KB-104:2 -f visco");
    assert_eq!(device.rows().len(), 2);
}

#[test]
fn two_imports_and_a_volley_at_once_all_arrive() {
    let device = Device::new();
    device.done("outing begin 'Meadow test'");
    let sheet = |letter: &str| {
        let shot = |n: usize| format!("Meadow test,test,KB-104,{letter}{n},fired\n");
        "outing,outing_kind,lot,unit,ignition\n".to_owned() + &(0..1000).map(shot).collect::<String>()
    };
    device.write("x.csv", sheet("x"));
    device.write("y.csv", sheet("y"));
    thread::scope(|scope| {
        for line in ["import x.csv --json", "import y.csv --json", "volley f KB-104:z -f visco --new"] {
            let device = &device;
            scope.spawn(move || drop(device.done(line)));
        }
    });
    let units: BTreeSet<String> = device.rows().into_iter().filter_map(|mut row| row.remove("unit")).collect();
    assert_eq!(units.len(), 2001);
}
