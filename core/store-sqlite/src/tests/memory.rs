//! A process with no memory left: SQLite's own limit, lowered step by step until nothing works any more.

use std::io::{Write as _, stdout};

use super::*;

/// Only does something as the child, because the limit holds for the whole process and cannot be raised again.
#[test]
fn child_without_memory() {
    let Some(folder) = env::var_os(CHILD_FOLDER) else { return };
    let mut store = SqliteStore::open(&folder).unwrap();
    for (number, limit) in (0_u64..).zip((1..300).rev().map(|step| step * 4_000)) {
        let lowered = store.sql().connection.execute_batch(&format!("PRAGMA hard_heap_limit = {limit}"));
        let committed = store.commit(&numbered(number, 16_000));
        let loaded = store.load(&DOCUMENTS[0]);
        let line = match (&committed, &loaded) {
            (Ok(_), Ok(_) | Err(StoreError::OutOfMemory)) => format!("saved {number}"),
            (Err(StoreError::OutOfMemory), Ok(_) | Err(StoreError::OutOfMemory)) => format!("refused {number}"),
            other => format!("wrong {number}: {other:.200?} {lowered:?}"),
        };
        writeln!(stdout(), "\n{line}").unwrap();
    }
}

#[test]
fn without_memory_commits_are_refused_as_such_and_nothing_is_half_kept() {
    let folder = tempfile::tempdir().unwrap();
    let output = child("tests::memory::child_without_memory", folder.path()).output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout);
    let of = |word: &str| -> BTreeSet<u64> {
        text.lines().filter_map(|line| line.strip_prefix(word)?.strip_prefix(' ')?.parse().ok()).collect()
    };
    let (saved, refused) = (of("saved"), of("refused"));
    assert!(!text.contains("wrong"), "{text}");
    assert_eq!(saved.len() + refused.len(), 299, "{text}");
    assert!(!saved.is_empty() && refused.len() > 5, "{} saved, {} refused", saved.len(), refused.len());
    assert_eq!(numbers(&mut SqliteStore::open(folder.path()).unwrap()), saved);
}
