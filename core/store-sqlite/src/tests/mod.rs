//! What the suite asks of every store, and what only a real file and real processes can show.

#![expect(clippy::print_stdout, clippy::print_stderr, reason = "seeds, figures and skipped tests are for people")]

mod busy;
mod damage;
mod dropping;
mod file;
mod full;
mod kill;
mod memory;
mod suite;
mod system_call;

use std::collections::BTreeSet;
use std::env;
use std::path::Path;
use std::process::Command;

use embertally_core::facts::DocumentId;
use embertally_core::store::{PieceId, Store, StoreError, Summary, Write};
use embertally_testkit::{Model, Rng};

use crate::{FILE_NAME, Options, SqliteStore};

const DOCUMENTS: [DocumentId; 2] = [DocumentId::Register { part: 1 }, DocumentId::Register { part: 2 }];

fn append(document: DocumentId, chunk: &[u8]) -> Write {
    Write::Append { document, chunk: chunk.to_vec(), summary: Summary::default() }
}

/// The writes of one numbered commit: the number in a chunk of `bytes` bytes (a multiple of 8) in both documents.
fn numbered(number: u64, bytes: usize) -> Vec<Write> {
    DOCUMENTS.map(|document| append(document, &number.to_le_bytes().repeat(bytes / 8))).to_vec()
}

/// A compaction of both documents, as they stand.
fn compaction(store: &mut SqliteStore) -> Result<Vec<Write>, StoreError> {
    let compact = |document| {
        let pieces = store.load(&document)?.pieces;
        let covers: Vec<PieceId> = pieces.iter().map(|piece| piece.id).collect();
        let snapshot = pieces.into_iter().flat_map(|piece| piece.bytes).collect();
        Ok(Write::Compact { document, covers, snapshot, summary: Summary::default() })
    };
    DOCUMENTS.into_iter().map(compact).collect()
}

/// The numbers that are there; each in both documents or in none.
fn numbers(store: &mut SqliteStore) -> BTreeSet<u64> {
    let [one, two] = DOCUMENTS.map(|document| -> BTreeSet<u64> {
        let loaded = store.load(&document).unwrap();
        assert_eq!(loaded.damaged, []);
        let bytes: Vec<u8> = loaded.pieces.into_iter().flat_map(|piece| piece.bytes).collect();
        bytes.chunks(8).map(|number| u64::from_le_bytes(number.try_into().unwrap())).collect()
    });
    assert_eq!(one, two, "half a commit");
    one
}

/// The size of the file and of what lies beside it, in bytes.
fn file_size(folder: &Path) -> u64 {
    folder.read_dir().unwrap().map(|entry| entry.unwrap().metadata().unwrap().len()).sum()
}

/// This test binary once more, to run the one test of the given name as a child that works in `folder`.
fn child(test: &str, folder: &Path) -> Command {
    let mut command = Command::new(env::current_exe().unwrap());
    command.args(["--exact", test, "--nocapture", "--test-threads=1"]).env(CHILD_FOLDER, folder);
    command
}

/// Set for a child only.
const CHILD_FOLDER: &str = "EMBERTALLY_TEST_CHILD_FOLDER";
