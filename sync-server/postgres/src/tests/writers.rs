//! Several writers at once, in one process with pools of their own, as several servers have.

use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;

use super::*;

const WRITERS: u64 = 4;
const COMMITS: u64 = 60;

#[test]
fn a_reader_of_news_sees_every_piece_once_while_four_write_and_compact() {
    let cluster = Cluster::shared();
    let options = in_new_schema().connections(2);
    connect(&cluster, options.clone());
    let writing = AtomicU64::new(WRITERS);
    let (named, seen) = thread::scope(|scope| {
        let write = |writer: u64| {
            let mut store = PostgresStore::open(&connect(&cluster, options.clone()), CREW).unwrap();
            let mut named = Vec::new();
            for number in 0..COMMITS {
                named.extend(store.commit(&numbered(writer * 1000 + number)).unwrap());
            }
            writing.fetch_sub(1, Ordering::Release);
            named
        };
        let writers: Vec<_> = (0..WRITERS).map(|writer| scope.spawn(move || write(writer))).collect();
        let store = PostgresStore::open(&connect(&cluster, options.clone()), CREW).unwrap();
        let (mut seen, mut rounds) = (Vec::new(), 0_u64);
        loop {
            // Asked before reading, so that the last reading comes after the last commit.
            let last = writing.load(Ordering::Acquire) == 0;
            let after = seen.last().copied().unwrap_or(PieceId(0));
            seen.extend(store.news(after).unwrap().into_iter().map(|(id, _)| id));
            rounds += 1;
            if last {
                break;
            }
        }
        println!("{rounds} readings");
        assert!(rounds > 10, "the reader read {rounds} times only");
        let named: Vec<PieceId> = writers.into_iter().flat_map(|writer| writer.join().unwrap()).collect();
        (named, seen)
    });
    let mut sorted = named.clone();
    sorted.sort_unstable();
    assert_eq!(sorted.len() as u64, WRITERS * COMMITS * 2);
    let skipped: Vec<_> = sorted.iter().filter(|id| !seen.contains(id)).collect();
    assert!(skipped.is_empty(), "{skipped:?} were skipped");
    assert!(seen == sorted, "each piece once, in order");
}

#[test]
fn many_may_write_and_compact_one_document_at_once() {
    let cluster = Cluster::shared();
    let options = in_new_schema().connections(2);
    connect(&cluster, options.clone());
    let ids: Vec<PieceId> = thread::scope(|scope| {
        let write = |writer: u64| {
            let mut store = PostgresStore::open(&connect(&cluster, options.clone()), CREW).unwrap();
            let mut ids = Vec::new();
            for number in 0..40 {
                ids.extend(store.commit(&numbered(writer * 100 + number)).unwrap());
                if number % 10 == writer {
                    let writes = compaction(&mut store).unwrap();
                    ids.extend(store.commit(&writes).unwrap());
                }
            }
            ids
        };
        let writers: Vec<_> = (0..WRITERS).map(|writer| scope.spawn(move || write(writer))).collect();
        writers.into_iter().flat_map(|writer| writer.join().unwrap()).collect()
    });
    let distinct: BTreeSet<_> = ids.iter().collect();
    assert_eq!(distinct.len(), ids.len(), "a name was given twice");
    let database = connect(&cluster, options);
    let expected = (0..WRITERS).flat_map(|writer| (0..40).map(move |number| writer * 100 + number)).collect();
    assert_eq!(numbers(&mut PostgresStore::open(&database, CREW).unwrap()), expected);
}
