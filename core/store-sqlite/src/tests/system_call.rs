//! The n-th system call made to fail by the system itself, as a tracer sees to it: faults below SQLite.

use std::io::{Write as _, stdout};

use super::*;

/// Only does something as the child: eight commits and a compaction, each with what came of it.
#[test]
fn child_whose_calls_fail() {
    let Some(folder) = env::var_os(CHILD_FOLDER) else { return };
    let mut told = stdout();
    let mut store = match SqliteStore::open(&folder) {
        Ok(store) => store,
        Err(error) => return writeln!(told, "\nopening {}", error.code()).unwrap(),
    };
    for number in 0..8 {
        let word = match store.commit(&numbered(number, 3_000)) {
            Ok(_) => "saved",
            Err(error) => error.code(),
        };
        writeln!(told, "\n{word} {number}").unwrap();
        if number == 5 {
            let word = compaction(&mut store).and_then(|writes| store.commit(&writes));
            writeln!(told, "\ncompaction {}", word.map_or_else(|error| error.code(), |_| "saved")).unwrap();
        }
    }
}

/// Runs the child with its `nth` call of the kind failing; returns whether there was such a call.
fn fails(call: &str, errno: &str, nth: u32, allowed: &[&str]) -> bool {
    let folder = tempfile::tempdir().unwrap();
    let trace = folder.path().join("trace");
    let log = folder.path().join("log");
    let child = child("tests::system_call::child_whose_calls_fail", &log);
    let output = Command::new("strace")
        .args(["-f", "-qq", "-e", &format!("trace={call}"), "-e", &format!("inject={call}:error={errno}:when={nth}")])
        .arg("-o")
        .arg(&trace)
        .arg(child.get_program())
        .args(child.get_args())
        .env(CHILD_FOLDER, &log)
        .output()
        .unwrap();
    let (text, at) = (String::from_utf8_lossy(&output.stdout), format!("{call} number {nth} with {errno}"));
    assert!(output.status.success(), "{at}: {text}");

    let (mut saved, mut unknown) = (BTreeSet::new(), BTreeSet::new());
    for line in text.lines() {
        let Some((word, number)) = line.split_once(' ') else { continue };
        match (word, number.parse::<u64>()) {
            ("saved", Ok(number)) => drop(saved.insert(number)),
            ("E_STORE_UNKNOWN", Ok(number)) => drop(unknown.insert(number)),
            _ => {}
        }
    }
    let codes: Vec<_> = text.split_whitespace().filter(|word| word.starts_with("E_STORE")).collect();
    assert!(codes.iter().all(|code| allowed.contains(code)), "{at}: {codes:?}");
    assert!(codes.len() <= 1, "{at}: one fault, {codes:?}");

    let found = numbers(&mut SqliteStore::open(&log).unwrap());
    assert!(saved.is_subset(&found), "{at}: lost {:?}", saved.difference(&found));
    let invented: Vec<_> = found.difference(&saved).filter(|number| !unknown.contains(number)).collect();
    assert!(invented.is_empty(), "{at}: refused but there: {invented:?}");
    std::fs::read_to_string(trace).unwrap().contains("(INJECTED)")
}

#[test]
fn any_failing_system_call_has_the_right_class_and_nothing_is_half_kept() {
    match Command::new("strace").args(["-qq", "-o", "/dev/null", "true"]).status() {
        Ok(status) if status.success() => {}
        other => return eprintln!("skipped: there is no working strace ({other:?})"),
    }
    for (call, errno, allowed) in [
        ("pwrite64", "ENOSPC", &["E_STORE_FULL"][..]),
        // Full: SQLite does not tell why its shared memory could not grow, and want of room is the likely reason.
        ("pwrite64", "EIO", &["E_STORE_OTHER", "E_STORE_UNKNOWN", "E_STORE_FULL"]),
        ("fsync", "EIO", &["E_STORE_OTHER", "E_STORE_UNKNOWN"]),
        ("ftruncate", "EIO", &["E_STORE_OTHER", "E_STORE_UNKNOWN"]),
    ] {
        let mut nth = 1;
        while fails(call, errno, nth, allowed) {
            nth += if nth < 40 { 1 } else { 7 };
        }
        println!("{call}, {errno}: {nth}");
        assert!(nth > 3, "the store makes no such call any more: {call}");
    }
}
