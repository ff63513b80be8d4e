//! Bits flipped in the file itself, below SQLite.

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};

use super::*;

const PIECE: usize = 5_000;

/// A closed store with one piece in each document, both longer than a page; its bytes and the pieces.
fn written(folder: &Path) -> (Vec<u8>, [Vec<u8>; 2]) {
    let mut rng = Rng::new(11);
    let pieces = [rng.bytes(PIECE), rng.bytes(PIECE)];
    let mut store = SqliteStore::open(folder).unwrap();
    store.commit(&[append(DOCUMENTS[0], &pieces[0]), append(DOCUMENTS[1], &pieces[1])]).unwrap();
    drop(store);
    (fs::read(folder.join(FILE_NAME)).unwrap(), pieces)
}

#[test]
fn a_bit_flipped_in_the_bytes_of_a_piece_on_disk_is_noticed_and_the_other_document_opens() {
    let folder = tempfile::tempdir().unwrap();
    let (file, pieces) = written(folder.path());
    // A long piece lies on several pages; its first 64 bytes and what follows them on a later page.
    let at = |part: &[u8]| file.windows(part.len()).position(|bytes| bytes == part).expect("lies in the file");
    let places = [at(&pieces[0][..16]), at(&pieces[0][PIECE / 2..][..16]), at(&pieces[0][PIECE - 16..])];
    for byte in places.into_iter().flat_map(|place| place..place + 16) {
        for bit in 0..8 {
            let mut flipped = file.clone();
            flipped[byte] ^= 1 << bit;
            fs::write(folder.path().join(FILE_NAME), flipped).unwrap();
            let mut store = SqliteStore::open(folder.path()).unwrap();
            let harmed = store.load(&DOCUMENTS[0]).unwrap();
            assert_eq!((harmed.pieces.len(), harmed.damaged.len()), (0, 1), "bit {bit} of byte {byte}");
            assert_eq!(harmed.damaged[0].length, PIECE as u64);
            assert_eq!(store.load(&DOCUMENTS[1]).unwrap().pieces[0].bytes, pieces[1]);
        }
    }
}

#[test]
fn a_bit_flipped_anywhere_in_the_file_is_noticed_or_harmless_and_never_a_panic() {
    let folder = tempfile::tempdir().unwrap();
    let (file, pieces) = written(folder.path());
    let mut rng = Rng::new(12);
    SqliteStore::open(folder.path()).unwrap().check().unwrap();
    let (mut refused, mut noticed, mut harmless) = (0, 0, 0);
    for _ in 0..2_000 {
        let (byte, bit) = (rng.index(file.len()), rng.index(8));
        let mut flipped = file.clone();
        flipped[byte] ^= 1 << bit;
        fs::write(folder.path().join(FILE_NAME), flipped).unwrap();
        let read = || read_all(folder.path(), &pieces);
        match catch_unwind(AssertUnwindSafe(read)).unwrap_or_else(|_| panic!("byte {byte}, bit {bit}")) {
            Ok(true) => harmless += 1,
            Ok(false) => noticed += 1,
            Err(StoreError::Full | StoreError::OutOfMemory) => panic!("not damage? byte {byte}, bit {bit}"),
            Err(_) => refused += 1,
        }
        for name in ["-wal", "-shm"] {
            let _ = fs::remove_file(folder.path().join(format!("{FILE_NAME}{name}")));
        }
    }
    println!("{refused} refused, {noticed} noticed, {harmless} harmless");
    assert!(noticed > 200, "{noticed}");
}

/// Reads everything that the list names, as a log does; returns whether all was as it had been written.
///
/// Panics if something is wrong and nothing says so.
fn read_all(folder: &Path, pieces: &[Vec<u8>; 2]) -> Result<bool, StoreError> {
    let mut store = SqliteStore::open(folder)?;
    let (mut whole, mut damaged) = (0, 0);
    for line in store.list()? {
        let loaded = store.load(&line.document)?;
        damaged += loaded.damaged.len();
        for piece in loaded.pieces {
            let at = DOCUMENTS.iter().position(|document| *document == line.document);
            assert!(at.is_some_and(|at| pieces[at] == piece.bytes), "wrong bytes");
            whole += 1;
        }
    }
    if whole + damaged < 2 {
        store.check()?;
        panic!("{whole} pieces and {damaged} damaged ones: some are gone without a word");
    }
    Ok(whole == 2 && damaged == 0)
}
