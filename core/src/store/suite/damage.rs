//! What a store does with pieces whose bytes have changed.

use super::given::{append, chunk, commit, compact, pieces, register, snapshot};
use super::{Fault, Fixture};
use crate::store::{DamagedPiece, Store};

/// Sizes in bytes of the pieces whose every bit is flipped: 2,744 bits.
const SIZES: [usize; 5] = [1, 7, 32, 103, 200];

/// Checks that each single flipped bit is noticed and named, that the piece is set aside as it was found, stays
/// readable and is reported again, and that the pieces beside it still open.
///
/// Every damaged piece has exactly one flipped bit. All copies of one size share a document, so that 2,744 flips cost
/// five fixtures instead of 2,744.
///
/// # Panics
/// If the store breaks the contract.
pub fn every_flipped_bit_is_noticed_and_set_aside<F: Fixture>(make: &mut dyn FnMut() -> F) {
    for size in SIZES {
        let mut fixture = make();
        let mut store = fixture.open().expect("opens");
        let bytes: Vec<u8> = (0..size).map(|at| (at * 37 + size) as u8).collect();
        let bits = size as u64 * 8;
        let mut writes = vec![append(register(1), &bytes); size * 8];
        writes.push(append(register(1), b"intact"));
        let ids = commit(&mut store, &writes);
        drop(store);
        for (id, bit) in ids.iter().zip(0..bits) {
            fixture.flip_bit(*id, bit);
        }
        // Three times: found, found by the same store again, found by a later one.
        let mut store = fixture.open().expect("opens in spite of damage");
        for round in 0..3 {
            if round == 2 {
                drop(store);
                store = fixture.open().expect("opens with pieces set aside");
            }
            let loaded = store.load(&register(1)).expect("loads in spite of damage");
            let intact: Vec<_> = loaded.pieces.iter().map(|piece| piece.bytes.as_slice()).collect();
            assert_eq!(intact, [b"intact"], "round {round}");
            assert_eq!(loaded.damaged.len() as u64, bits, "every flip of {size} bytes is noticed, round {round}");
            for (id, found) in ids.iter().zip(&loaded.damaged) {
                assert_eq!(found, &DamagedPiece { id: *id, document: register(1), length: size as u64 });
            }
        }
        for (id, bit) in ids.iter().zip(0..bits) {
            let mut flipped = bytes.clone();
            flipped[(bit / 8) as usize] ^= 1 << (bit % 8);
            assert_eq!(store.set_aside(*id).expect("reads"), Some(flipped), "bit {bit}");
        }
    }
}

/// Checks that damage is reported with its own document only, and that both go on being written.
///
/// # Panics
/// If the store breaks the contract.
pub fn damage_in_one_document_leaves_the_others_whole<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut fixture = make();
    let mut store = fixture.open().expect("opens");
    let ids = commit(&mut store, &[append(register(1), b"harmed"), append(register(2), b"whole")]);
    drop(store);
    fixture.flip_bit(ids[0], 3);
    let mut store = fixture.open().expect("opens");
    assert_eq!(store.list().expect("lists").len(), 2);
    let whole = store.load(&register(2)).expect("loads");
    assert_eq!((whole.pieces.len(), whole.damaged.len()), (1, 0));
    let harmed = store.load(&register(1)).expect("loads");
    assert_eq!((harmed.pieces.len(), harmed.damaged.len()), (0, 1));
    assert_eq!(store.list().expect("lists")[0].bytes, 0, "what is set aside is not counted");
    commit(&mut store, &[append(register(1), b"again")]);
    assert_eq!(pieces(&mut store, &register(1)), [chunk(b"again")]);
}

/// Checks that compaction sets a named piece aside if it finds it damaged, instead of deleting it.
///
/// # Panics
/// If the store breaks the contract.
pub fn compaction_does_not_delete_damaged_pieces<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut fixture = make();
    let mut store = fixture.open().expect("opens");
    let ids = commit(&mut store, &[append(register(1), b"a"), append(register(1), b"b"), append(register(1), b"c")]);
    let one = store.load(&register(1)).expect("loads");
    assert_eq!(one.damaged, []);
    drop(store);
    // One is damaged between reading and compacting, another was set aside before.
    fixture.flip_bit(ids[0], 0);
    let mut store = fixture.open().expect("opens");
    assert_eq!(store.load(&register(1)).expect("loads").damaged.len(), 1);
    drop(store);
    fixture.flip_bit(ids[1], 0);
    let mut store = fixture.open().expect("opens");
    commit(&mut store, &[compact(register(1), &ids, b"s")]);
    let loaded = store.load(&register(1)).expect("loads");
    assert_eq!(pieces(&mut store, &register(1)), [snapshot(b"s")]);
    assert_eq!(loaded.damaged.iter().map(|found| found.id).collect::<Vec<_>>(), ids[..2]);
    assert_eq!(store.set_aside(ids[0]).expect("reads"), Some(b"`".to_vec()));
    assert_eq!(store.set_aside(ids[1]).expect("reads"), Some(b"c".to_vec()));
}

/// Checks that a damaged piece is reported, and the intact ones given, whatever operation fails while setting it aside
/// for lack of room; and that an error of any other class leaves the damaged piece to be found again.
///
/// # Panics
/// If the store breaks the contract.
pub fn damage_is_reported_even_when_setting_it_aside_fails<F: Fixture>(make: &mut dyn FnMut() -> F) {
    for fault in Fault::ALL {
        for nth in 1.. {
            let mut fixture = make();
            let mut store = fixture.open().expect("opens");
            let ids = commit(&mut store, &[append(register(1), b"harmed"), append(register(1), b"whole")]);
            drop(store);
            fixture.flip_bit(ids[0], 17);
            let mut store = fixture.open().expect("opens");
            fixture.faults().arm(nth, fault);
            let loaded = store.load(&register(1));
            let reached = fixture.faults().disarm();
            let expected = [DamagedPiece { id: ids[0], document: register(1), length: 6 }];
            match &loaded {
                Ok(loaded) => {
                    assert_eq!(loaded.damaged, expected, "{fault:?} at {nth}");
                    assert_eq!(loaded.pieces.len(), 1, "{fault:?} at {nth}");
                    let raw = store.set_aside(ids[0]).expect("reads").expect("is readable wherever it lies");
                    assert_eq!(raw.len(), 6, "{fault:?} at {nth}");
                }
                Err(error) => assert!(reached && fault.explains(error), "{fault:?} at {nth}: {error}"),
            }
            let again = store.load(&register(1)).expect("loads after the fault has passed");
            assert_eq!((again.damaged.as_slice(), again.pieces.len()), (&expected[..], 1), "{fault:?} at {nth}");
            if !reached {
                break;
            }
        }
    }
}
