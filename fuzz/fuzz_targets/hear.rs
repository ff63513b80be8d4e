//! A peer's message into a log, and the log's answer.
#![no_main]

use embertally_core::facts::DocumentId;
use embertally_core::log::{Allowance, Log, MessageLimits, PeerState};
use embertally_core::store::MemoryStore;
use libfuzzer_sys::fuzz_target;

// The log contains the CRDT's panics; one that gets out still ends the run.
fuzz_target!(init: std::panic::set_hook(Box::new(|_| ())), |bytes: &[u8]| {
    let allowance = Allowance { inflated_bytes: 8 << 20, rows: 200_000, chunks: 5_000 };
    let limits = MessageLimits { out_bytes: 960 << 10, allowance, waiting: 5_000 };
    let (mut log, mut peer) = (Log::open(MemoryStore::new(), || 4), PeerState::new());
    let document = DocumentId::Register { part: 1 };
    let _ = log.hear(document, &mut peer, bytes, &limits);
    let _ = log.greeting(document, &mut peer, &limits);
});
