//! Every storage operation made to fail in turn, in every way.

use super::given::{Picture, append, commit, compact, keep, outing, picture, register};
use super::{Fault, Fixture};
use crate::store::{PieceId, Store, StoreError, Write};

const KEYS: [&str; 2] = ["old", "new"];

/// What is there before the fault: two documents, one of them compacted, and a kept value.
fn furnish(store: &mut impl Store) -> Vec<PieceId> {
    let ids = commit(store, &[append(register(1), b"a"), append(register(1), b"b"), keep("old", b"1")]);
    let snapshot = commit(store, &[compact(register(1), &ids, b"ab")]);
    [snapshot, commit(store, &[append(register(1), b"c"), append(outing("o"), b"d")])].concat()
}

/// The commits that are made to fail, by name.
fn batches(held: &[PieceId]) -> Vec<(&'static str, Vec<Write>)> {
    vec![
        ("one chunk", vec![append(register(1), b"e")]),
        ("a document begun", vec![append(outing("new"), b"e")]),
        ("a compaction", vec![compact(register(1), held, b"abc")]),
        ("a document dropped", vec![Write::Drop { document: register(1) }]),
        (
            "a mixed batch",
            vec![
                keep("new", b"2"),
                append(outing("new"), b"e"),
                compact(register(1), held, b"abc"),
                append(outing("o"), b"f"),
                Write::Drop { document: outing("o") },
                keep("old", b"3"),
            ],
        ),
    ]
}

/// Checks that a commit whose n-th operation fails, for every n, gives an error of the right class with nothing kept
/// (or all, where the error says that this is unknown), and that the same commit succeeds when tried again.
///
/// # Panics
/// If the store breaks the contract.
pub fn a_failing_commit_keeps_all_or_nothing<F: Fixture>(make: &mut dyn FnMut() -> F) {
    for scenario in 0..batches(&[]).len() {
        let mut untroubled = make();
        let mut twin = untroubled.open().expect("opens");
        let held = furnish(&mut twin);
        let (name, batch) = batches(&held).swap_remove(scenario);
        commit(&mut twin, &batch);
        let whole = picture(&mut twin, &KEYS);
        for fault in Fault::ALL {
            let mut nth = 1;
            while a_commit_fails(&mut make(), scenario, fault, nth, &whole, &format!("{name}, {fault:?} at {nth}")) {
                nth += 1;
            }
        }
    }
}

/// Returns whether there was an `nth` operation to fail.
fn a_commit_fails<F: Fixture>(
    fixture: &mut F,
    scenario: usize,
    fault: Fault,
    nth: u64,
    whole: &Picture,
    at: &str,
) -> bool {
    let mut store = fixture.open().expect("opens");
    let held = furnish(&mut store);
    let batch = batches(&held).swap_remove(scenario).1;
    let before = picture(&mut store, &KEYS);

    fixture.faults().arm(nth, fault);
    let result = store.commit(&batch);
    let reached = fixture.faults().disarm();

    // The same store goes on, and a later one sees the same.
    let mut after = picture(&mut store, &KEYS);
    drop(store);
    let mut store = fixture.open().expect("opens after the fault");
    let reopened = picture(&mut store, &KEYS);
    if matches!(result, Err(StoreError::OutcomeUnknown { .. })) {
        after = reopened;
    } else {
        assert_eq!(after, reopened, "{at}: another picture after opening again");
    }
    match &result {
        Ok(_) => assert_eq!(&after, whole, "{at}: saved, but not all of it is there"),
        Err(error) => {
            assert!(reached && fault.explains(error), "{at}: {error}");
            let unknown = matches!(error, StoreError::OutcomeUnknown { .. });
            assert!(after == before || (unknown && &after == whole), "{at}: refused, but something is there");
        }
    }
    if after == before {
        commit(&mut store, &batch);
    }
    assert_eq!(&picture(&mut store, &KEYS), whole, "{at}: the second try");
    commit(&mut store, &[append(register(1), b"later")]);
    reached
}

/// Checks that a read whose n-th operation fails, for every n, gives an error of the right class or the right answer,
/// and changes nothing.
///
/// # Panics
/// If the store breaks the contract.
pub fn a_failing_read_has_the_right_class_and_harms_nothing<F: Fixture>(make: &mut dyn FnMut() -> F) {
    type Read<S> = (&'static str, fn(&mut S) -> Result<String, StoreError>);
    let reads: [Read<F::Store>; 4] = [
        ("list", |store| Ok(format!("{:?}", store.list()?))),
        ("load", |store| Ok(format!("{:?}", store.load(&register(1))?))),
        ("kept", |store| Ok(format!("{:?}", store.kept("old")?))),
        ("set_aside", |store| Ok(format!("{:?}", store.set_aside(PieceId(1))?))),
    ];
    let mut fixture = make();
    let mut store = fixture.open().expect("opens");
    furnish(&mut store);
    for (name, read) in reads {
        let right = read(&mut store).expect("reads without faults");
        for fault in Fault::ALL {
            for nth in 1.. {
                fixture.faults().arm(nth, fault);
                let result = read(&mut store);
                let reached = fixture.faults().disarm();
                match result {
                    Ok(answer) => assert_eq!(answer, right, "{name}, {fault:?} at operation {nth}"),
                    Err(error) => assert!(fault.explains(&error), "{name}, {fault:?} at operation {nth}: {error}"),
                }
                assert_eq!(read(&mut store).expect("reads after the fault"), right, "{name}");
                if !reached {
                    break;
                }
            }
        }
    }
}

/// Checks that opening, of new and of filled storage, fails with the right class at every operation, and opens whole
/// afterwards.
///
/// # Panics
/// If the store breaks the contract.
pub fn a_failing_open_has_the_right_class_and_harms_nothing<F: Fixture>(make: &mut dyn FnMut() -> F) {
    for furnished in [false, true] {
        for fault in Fault::ALL {
            for nth in 1.. {
                let mut fixture = make();
                let mut expected = None;
                if furnished {
                    let mut store = fixture.open().expect("opens");
                    furnish(&mut store);
                    expected = Some(picture(&mut store, &KEYS));
                }
                fixture.faults().arm(nth, fault);
                let opened = fixture.open();
                let reached = fixture.faults().disarm();
                if let Err(error) = &opened {
                    assert!(reached && fault.explains(error), "{fault:?} at operation {nth}: {error}");
                }
                drop(opened);
                let mut store = fixture.open().expect("opens after the fault");
                if let Some(expected) = expected {
                    assert_eq!(picture(&mut store, &KEYS), expected, "{fault:?} at operation {nth}");
                }
                commit(&mut store, &[append(register(1), b"works")]);
                if !reached {
                    break;
                }
            }
        }
    }
}
