//! Replays every hostile input that was ever found, with little memory: refused or harmless, and the log as it was.

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use embertally_core::facts::{Conditions, DeviceId, DocumentId, Entry, EntryId, Fact, Moment, OutingId, Reading};
use embertally_core::log::{Allowance, Home, Log, MessageLimits, PeerState, screen};
use embertally_core::store::MemoryStore;
use embertally_core::sync::{Config, Effect, Engine, Event, Frame, Limits};
use sha2::{Digest, Sha256};

const ALLOWANCE: Allowance = Allowance { inflated_bytes: 8 << 20, rows: 200_000, chunks: 5_000 };
const LIMITS: MessageLimits = MessageLimits { out_bytes: 960 << 10, allowance: ALLOWANCE, waiting: 5_000 };

/// 1.5 GB of address space: far from what one of the inputs asks for, and enough for the test itself.
const MEMORY_KB: u32 = 1_500_000;

fn corpus(kind: &str) -> Vec<(String, Vec<u8>)> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../tests/corpus").join(kind);
    let files = fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
    let mut all: Vec<_> = files
        .map(|file| file.unwrap().path())
        .map(|path| (path.file_name().unwrap().to_string_lossy().into_owned(), fs::read(&path).unwrap()))
        .collect();
    all.sort();
    assert!(all.len() >= 8, "{kind}: the corpus is gone");
    all
}

fn outing() -> OutingId {
    OutingId::named("o")
}

fn document() -> DocumentId {
    DocumentId::Outing { outing: outing(), part: 1 }
}

fn log_of(entries: usize) -> Log<MemoryStore> {
    let mut n = 7_u64;
    let mut random = move || {
        n = n.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        n
    };
    let mut log = Log::open(MemoryStore::new(), random);
    for k in 0..entries {
        let at = Moment { unix_ms: 1_900_000_000_000 + k as i64, offset_minutes: 0 };
        let mut entry = Entry::new(EntryId::new(at.unix_ms, &mut random), DeviceId::named("d"), at);
        let (conditions, source) = (Conditions::default(), Some("hygrometer in the box".to_owned()));
        entry.state(Fact::Reading(Reading { outing: outing(), at, conditions, source }));
        log.write(Home::Outing(outing()), &entry).unwrap();
    }
    log
}

fn held(log: &mut Log<MemoryStore>) -> usize {
    let mut count = 0;
    log.replay(|_, _| count += 1).unwrap();
    count
}

/// Hands a message to a log, and then lets the log speak: some faults show only then.
fn hear(log: &mut Log<MemoryStore>, message: &[u8]) -> bool {
    let mut peer = PeerState::new();
    let heard = log.hear(document(), &mut peer, message, &LIMITS).is_ok();
    log.greeting(document(), &mut peer, &LIMITS).unwrap();
    heard
}

#[test]
fn every_input_of_the_corpus_is_refused_or_harmless_in_little_memory() {
    let this = std::env::current_exe().unwrap();
    let child = format!("ulimit -v {MEMORY_KB}; exec \"$0\" --exact replay --ignored --nocapture");
    let done = Command::new("sh").args(["-c", &child]).arg(this).output().unwrap();
    let said = String::from_utf8_lossy(&done.stdout);
    assert!(done.status.success(), "{said}{}", String::from_utf8_lossy(&done.stderr));
    assert!(said.contains("1 passed"), "{said}");
}

#[test]
#[ignore = "run by the test above, with a limit on memory"]
fn replay() {
    let mut log = log_of(20);
    for (name, bytes) in corpus("messages") {
        assert!(!hear(&mut log, &bytes), "{name} was taken in");
        assert_eq!(held(&mut log), 20, "{name}");
    }
    for (name, bytes) in corpus("chunks") {
        assert!(screen(&bytes, &mut ALLOWANCE.clone()).is_err(), "{name} passed");
    }
    for (name, bytes) in corpus("frames") {
        assert!(Frame::from_bytes(&bytes).is_err(), "{name} was read");
        let config = Config { device: DeviceId::named("d"), limits: Limits::default(), peer_reads_only: false };
        let effects = Engine::answerer(config).handle(&mut log, 0, Event::Frame(&bytes)).unwrap();
        assert!(matches!(effects.last(), Some(Effect::Close(_))), "{name}: {effects:?}");
    }
}

/// A saved document with bits flipped and a checksum made to fit gets past the CRDT's own check; without a net some of
/// these panic deep inside it.
#[test]
fn a_document_with_flipped_bits_and_a_checksum_made_to_fit_never_panics_and_takes_nothing_away() {
    std::panic::set_hook(Box::new(|_| ()));
    let mut other = log_of(40);
    let saved = other.snapshot(document()).unwrap().save();
    let mut log = log_of(20);
    let mut n = 1_u64;
    let (mut refused, mut before) = (0, 20);
    for _ in 0..1_500 {
        let mut bytes = saved.clone();
        for _ in 0..=(n % 3) {
            n = n.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            // Behind magic, checksum, kind and length.
            let at = 11 + (n >> 33) as usize % (bytes.len() - 11);
            bytes[at] ^= 1 << (n >> 29 & 7);
        }
        let sum = Sha256::digest(&bytes[8..]);
        bytes[4..8].copy_from_slice(&sum[..4]);
        let mut length = Vec::new();
        let mut left = bytes.len();
        while left > 0x7f {
            length.push((left & 0x7f) as u8 | 0x80);
            left >>= 7;
        }
        length.push(left as u8);
        let message = [&[0x43, 0, 0, 0, 1], length.as_slice(), &bytes, &[2, 2, 0x84]].concat();
        refused += u32::from(!hear(&mut log, &message));
        let now = held(&mut log);
        assert!(now >= before, "entries were taken away");
        before = now;
    }
    assert!(refused > 1_000, "only {refused} refused");
}
