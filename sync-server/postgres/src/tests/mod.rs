//! What the suite asks of every store, and what only a real server and real processes can show.
//!
//! Every test function starts a server of its own (about a second), so they are few and each shows several things.

#![expect(clippy::print_stdout, reason = "seeds and figures are for people")]

mod crews;
mod cut;
mod damage;
mod errors;
mod kill;
mod listening;
mod opening;
mod suite;
mod writers;

use std::collections::BTreeSet;
use std::sync::LazyLock;
use std::time::Duration;

use embertally_core::facts::DocumentId;
use embertally_core::store::{DamagedPiece, PieceId, Store, StoreError, Summary, Write};
use tokio::runtime::Runtime;

use crate::testing::Cluster;
use crate::{Database, Options, PostgresStore};

const DOCUMENTS: [DocumentId; 2] = [DocumentId::Register { part: 1 }, DocumentId::Register { part: 2 }];
const CREW: [u8; 16] = *b"an invented crew";

/// Where the connections of this process live.
fn runtime() -> &'static Runtime {
    static RUNTIME: LazyLock<Runtime> =
        LazyLock::new(|| tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap());
    &RUNTIME
}

/// A new schema in the server's own database.
fn connect(cluster: &Cluster, options: Options) -> Database {
    Database::connect(&cluster.url("postgres"), options, runtime().handle()).unwrap()
}

fn in_new_schema() -> Options {
    Options::default().schema(Cluster::new_name())
}

fn append(document: DocumentId, chunk: &[u8]) -> Write {
    Write::Append { document, chunk: chunk.to_vec(), summary: Summary::default() }
}

/// The writes of one numbered commit: the number in both documents.
fn numbered(number: u64) -> Vec<Write> {
    DOCUMENTS.map(|document| append(document, &number.to_le_bytes())).to_vec()
}

/// A compaction of both documents, as they stand.
fn compaction(store: &mut PostgresStore) -> Result<Vec<Write>, StoreError> {
    let compact = |document| {
        let pieces = store.load(&document)?.pieces;
        let covers: Vec<PieceId> = pieces.iter().map(|piece| piece.id).collect();
        let snapshot = pieces.into_iter().flat_map(|piece| piece.bytes).collect();
        Ok(Write::Compact { document, covers, snapshot, summary: Summary::default() })
    };
    DOCUMENTS.into_iter().map(compact).collect()
}

/// The numbers that are there; each in both documents or in none.
fn numbers(store: &mut PostgresStore) -> BTreeSet<u64> {
    let [one, two] = DOCUMENTS.map(|document| -> BTreeSet<u64> {
        let loaded = store.load(&document).unwrap();
        assert_eq!(loaded.damaged, []);
        let bytes: Vec<u8> = loaded.pieces.into_iter().flat_map(|piece| piece.bytes).collect();
        bytes.chunks(8).map(|number| u64::from_le_bytes(number.try_into().unwrap())).collect()
    });
    assert_eq!(one, two, "half a commit");
    one
}

/// Runs a future, and fails the test if it does not end.
fn soon<T>(what: &str, limit: Duration, future: impl Future<Output = T>) -> T {
    let ended = runtime().block_on(async { tokio::time::timeout(limit, future).await });
    ended.unwrap_or_else(|_| panic!("not within {limit:?}: {what}"))
}
