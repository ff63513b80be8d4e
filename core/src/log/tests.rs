//! Tests of the log: what is written is there, copies meet, damage is contained.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;
use crate::facts::*;
use crate::store::{MemoryStore, Store, Write};

fn bits(seed: u64) -> impl FnMut() -> u64 + Send + 'static {
    let mut state = seed;
    move || {
        // SplitMix64 (Steele, Lea & Flood 2014), from memory.
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

fn at(ms: i64) -> Moment {
    Moment { unix_ms: ms, offset_minutes: 0 }
}

fn outing() -> OutingId {
    OutingId::named("dry run")
}

/// An entry with one volley of two shots, unique by its number.
fn volley(n: u64) -> Entry {
    let mut entry = Entry::new(EntryId::new(n as i64, &mut bits(n)), DeviceId::named("phone"), at(n as i64));
    let shot = |unit: u64| Shot { lot: LotId::named("A"), unit: Some(unit.to_string()), attempt: 1, fuse: None };
    entry.state_volley(Volley {
        outing: outing(),
        at: None,
        module: None,
        channel: None,
        label: None,
        wiring: Wiring::Series,
        leads: None,
        conditions: Conditions::default(),
        shots: vec![shot(2 * n), shot(2 * n + 1)],
    });
    entry
}

fn log(seed: u64) -> Log<MemoryStore> {
    Log::open(MemoryStore::default(), bits(seed))
}

fn ids(log: &mut Log<MemoryStore>) -> BTreeSet<EntryId> {
    let mut ids = BTreeSet::new();
    log.replay(|_, e| {
        ids.insert(e.id);
    })
    .unwrap();
    ids
}

fn write(log: &mut Log<MemoryStore>, n: u64) -> EntryId {
    let entry = volley(n);
    log.write(Home::Outing(outing()), &entry).unwrap();
    entry.id
}

fn carry(log: &mut Log<MemoryStore>) -> Vec<u8> {
    let mut file = Vec::new();
    log.carry(&mut file).unwrap();
    file
}

#[test]
fn the_empty_document_is_the_fixed_bytes() {
    let made = empty::make().unwrap();
    if std::env::var_os("EMBERTALLY_MAKE_EMPTY").is_some() {
        std::fs::write(concat!(env!("CARGO_MANIFEST_DIR"), "/src/log/empty.automerge"), &made).unwrap();
    }
    assert_eq!(made, empty::EMPTY);
}

#[test]
fn what_was_written_is_there_when_the_log_is_opened_again() {
    let mut log = log(1);
    let written: BTreeSet<_> = (0..10).map(|n| write(&mut log, n)).collect();
    let mut again = Log::open(log.into_store(), bits(2));
    assert_eq!(ids(&mut again), written);
    assert!(again.problems().is_empty());
    let listed = &again.list().unwrap()[0];
    assert_eq!((listed.summary.entries, listed.summary.shots), (10, 20));
    assert_eq!((listed.summary.first_ms, listed.summary.last_ms), (Some(0), Some(9)));
}

#[test]
fn the_same_entries_written_twice_are_there_once() {
    let mut log = log(1);
    let both: Vec<_> = (0..100).map(|n| (Home::Outing(outing()), volley(n))).collect();
    assert_eq!(log.write_all(&both).unwrap(), Written { added: 100, already: 0 });
    assert_eq!(log.write_all(&both).unwrap(), Written { added: 0, already: 100 });
    assert_eq!(ids(&mut log).len(), 100);
}

#[test]
fn a_full_document_is_followed_by_the_next_part() {
    let mut log = log(1);
    let all: Vec<_> = (0..ENTRIES_PER_PART as u64 + 10).map(|n| (Home::Outing(outing()), volley(n))).collect();
    log.write_all(&all).unwrap();
    write(&mut log, 900_000);
    let listed = log.list().unwrap();
    assert_eq!(listed.iter().map(|l| l.summary.entries).collect::<Vec<_>>(), [ENTRIES_PER_PART as u64, 11]);
    assert_eq!(log.write_all(&all[..3]).unwrap(), Written { added: 0, already: 3 }, "known in an earlier part");
    assert_eq!(ids(&mut log).len(), ENTRIES_PER_PART + 11);
}

#[test]
fn two_logs_that_carry_to_each_other_are_equal() {
    let (mut a, mut b) = (log(1), log(2));
    let mine: BTreeSet<_> = (0..5).map(|n| write(&mut a, n)).collect();
    let theirs: BTreeSet<_> = (5..9).map(|n| write(&mut b, n)).collect();
    let absorbed = b.absorb(&carry(&mut a)).unwrap();
    assert_eq!((absorbed.added.len(), absorbed.already), (5, 0));
    let absorbed = a.absorb(&carry(&mut b)).unwrap();
    assert_eq!((absorbed.added.len(), absorbed.already), (4, 5));
    let all: BTreeSet<_> = mine.union(&theirs).copied().collect();
    assert_eq!((ids(&mut a), ids(&mut b)), (all.clone(), all));
    let id = Home::Outing(outing()).part(1);
    assert_eq!(a.snapshot(id).unwrap().heads(), b.snapshot(id).unwrap().heads());
    assert_eq!(a.absorb(&carry(&mut b)).unwrap().added, []);
}

#[test]
fn changes_since_the_heads_of_another_bring_only_what_is_new() {
    let (mut a, mut b) = (log(1), log(2));
    write(&mut a, 1);
    b.absorb(&carry(&mut a)).unwrap();
    let id = Home::Outing(outing()).part(1);
    let heads = b.snapshot(id).unwrap().heads();
    let new = write(&mut a, 2);
    let changes = a.snapshot(id).unwrap().changes_since(&heads);
    assert_eq!(b.absorb_changes(id, &changes).unwrap().added, [new]);
}

#[test]
fn a_carry_file_with_any_bit_flipped_is_refused_whole() {
    let mut a = log(1);
    (0..3).for_each(|n| {
        write(&mut a, n);
    });
    let file = carry(&mut a);
    let mut b = log(2);
    for bit in 0..file.len() * 8 {
        let mut damaged = file.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        assert!(matches!(b.absorb(&damaged), Err(LogError::BadCarry { .. })), "bit {bit}");
    }
    assert!(matches!(b.absorb(&file[..file.len() - 1]), Err(LogError::BadCarry { .. })));
    assert!(b.list().unwrap().is_empty());
}

/// A carry file whose hash fits whatever is in it, as a hostile hand would make it.
fn carry_of(document: &[u8]) -> Vec<u8> {
    let mut cbor = minicbor::Encoder::new(CARRY_MAGIC.to_vec());
    cbor.array(1).unwrap().array(2).unwrap();
    cbor.str(&Home::Outing(outing()).part(1).to_string()).unwrap().bytes(document).unwrap();
    let mut file = cbor.into_writer();
    let hash = blake3::hash(&file);
    file.extend_from_slice(hash.as_bytes());
    file
}

#[test]
fn a_newer_schema_is_refused_with_both_numbers() {
    use automerge::transaction::Transactable;
    let mut doc = automerge::AutoCommit::load(empty::EMPTY).unwrap();
    doc.put(automerge::ROOT, document::SCHEMA, SCHEMA_VERSION + 1).unwrap();
    let error = log(1).absorb(&carry_of(&doc.save())).unwrap_err();
    assert!(matches!(error, LogError::TooNew { found: 2, known: 1, .. }), "{error}");
}

#[test]
fn documents_damaged_on_purpose_are_refused_and_never_bring_the_program_down() {
    // The checksum inside a document's bytes is made to fit again (first four bytes of SHA-256), so that the damage
    // gets past it: see the CRDT's own format. Some of these panic inside it.
    use sha2::Digest;
    use std::hash::{DefaultHasher, Hash, Hasher};
    let mut a = log(1);
    (0..40).for_each(|n| {
        write(&mut a, n);
    });
    a.compact().unwrap();
    let good = a.snapshot(Home::Outing(outing()).part(1)).unwrap().save();
    let mut b = log(2);
    std::panic::set_hook(Box::new(|_| ()));
    for seed in 0..400_u64 {
        let mut bytes = good.clone();
        let mut hasher = DefaultHasher::new();
        seed.hash(&mut hasher);
        let at = 12 + (hasher.finish() as usize) % (bytes.len() - 12);
        bytes[at] ^= 1 << (seed % 8);
        let checksum = sha2::Sha256::digest(&bytes[8..]);
        bytes[4..8].copy_from_slice(&checksum[..4]);
        let _ = b.absorb(&carry_of(&bytes));
    }
    drop(std::panic::take_hook());
    write(&mut b, 1_000);
    assert!(ids(&mut b).contains(&volley(1_000).id), "the log still works");
}

#[test]
fn entries_behind_a_damaged_chunk_are_found_and_written_anew() {
    let mut log = log(1);
    let all: Vec<_> = (0..6).map(|n| write(&mut log, n)).collect();
    let id = Home::Outing(outing()).part(1);
    let mut store = log.into_store();
    let third = store.load(&id).unwrap().pieces[2].id;
    store.flip_bit(third, 77);
    let mut again = Log::open(store, bits(9));
    let left = ids(&mut again);
    assert_eq!(left.len(), 5);
    assert!(!left.contains(&all[2]));
    assert!(matches!(again.problems(), [Problem::DamagedPiece(_), Problem::Mended { entries: 3, .. }]));
    // What was mended can be carried on, which a change without its forerunner could not.
    let mut other = self::log(10);
    other.absorb(&carry(&mut again)).unwrap();
    assert_eq!(ids(&mut other), left);
}

#[test]
fn entries_behind_a_chunk_that_is_none_are_found_and_written_anew() {
    let mut log = log(1);
    let all: Vec<_> = (0..7).map(|n| write(&mut log, n)).collect();
    let id = Home::Outing(outing()).part(1);
    let pieces = log.into_store().load(&id).unwrap().pieces;
    // The same chunks in another store, the third of them cut short: its own hash there is right.
    let mut store = MemoryStore::default();
    for (n, piece) in pieces.iter().enumerate() {
        let chunk = if n == 2 { piece.bytes[..piece.bytes.len() - 9].to_vec() } else { piece.bytes.clone() };
        let summary = crate::store::Summary::default();
        store.commit(&[Write::Append { document: id, chunk, summary }]).unwrap();
    }
    let mut again = Log::open(store, bits(9));
    let left: BTreeSet<_> = all.iter().copied().filter(|e| *e != all[2]).collect();
    assert_eq!(ids(&mut again), left);
    again.compact().unwrap();
    let mut once_more = Log::open(again.into_store(), bits(10));
    assert_eq!(ids(&mut once_more), left, "and after compaction");
    let mut other = self::log(11);
    other.absorb(&carry(&mut once_more)).unwrap();
    assert_eq!(ids(&mut other), left, "and on the next device");
}

#[test]
fn a_store_that_takes_no_writes_still_shows_what_stands_behind_the_damage() {
    let mut log = log(1);
    (0..6).for_each(|n| {
        write(&mut log, n);
    });
    let id = Home::Outing(outing()).part(1);
    let mut store = log.into_store();
    let third = store.load(&id).unwrap().pieces[2].id;
    store.flip_bit(third, 77);
    store.load(&id).unwrap();
    // The n-th step of the store fails: while it reads there is no answer; while it mends there must be one.
    let mut answered_without_mending = 0;
    for n in 1..12 {
        store.faults().arm(n, crate::store::suite::Fault::Full);
        let mut again = Log::open(store.clone(), bits(9 + n));
        let mut left = BTreeSet::new();
        let read = again.replay_document(id, |_, e| {
            left.insert(e.id);
        });
        let reached = store.faults().disarm();
        if read.is_ok() {
            assert_eq!(left.len(), 5, "step {n}");
            let mended = again.problems().iter().any(|p| matches!(p, Problem::Mended { .. }));
            answered_without_mending += usize::from(reached && !mended);
        }
        if !reached {
            break;
        }
    }
    assert!(answered_without_mending > 0, "no fault hit the mending");
}

/// A document that a hostile hand changed, as a carry file.
fn tampered(log: &mut Log<MemoryStore>, with: impl FnOnce(&mut automerge::AutoCommit)) -> Vec<u8> {
    let saved = log.snapshot(Home::Outing(outing()).part(1)).unwrap().save();
    let mut doc = automerge::AutoCommit::load(&saved).unwrap().with_actor(automerge::ActorId::from([0xff_u8; 16]));
    with(&mut doc);
    carry_of(&doc.save())
}

#[test]
fn a_carry_file_that_takes_entries_away_is_refused_and_takes_nothing() {
    use automerge::transaction::Transactable;
    use automerge::{ObjType, ROOT, ReadDoc};
    let mut log = log(1);
    let all: BTreeSet<_> = (0..5).map(|n| write(&mut log, n)).collect();
    let entries = |doc: &automerge::AutoCommit| doc.get(ROOT, document::ENTRIES).unwrap().unwrap().1;
    let attacks = [
        tampered(&mut log, |doc| {
            let map = entries(doc);
            let keys: Vec<String> = doc.keys(&map).collect();
            keys.into_iter().for_each(|k| doc.delete(&map, k).unwrap());
        }),
        tampered(&mut log, |doc| {
            let map = entries(doc);
            let key = doc.keys(&map).next().unwrap();
            doc.put(&map, key, automerge::ScalarValue::Bytes(vec![1])).unwrap();
        }),
        tampered(&mut log, |doc| drop(doc.put_object(ROOT, document::ENTRIES, ObjType::Map).unwrap())),
        // A place taken before its entry comes: ids of imports can be foretold.
        tampered(&mut log, |doc| {
            let map = entries(doc);
            drop(doc.put_object(&map, volley(99).id.to_string(), ObjType::Map).unwrap());
        }),
        tampered(&mut log, |doc| doc.delete(ROOT, document::ENTRIES).unwrap()),
    ];
    for (n, file) in attacks.iter().enumerate() {
        let error = log.absorb(file).unwrap_err();
        assert!(matches!(error, LogError::Unreadable { .. }), "attack {n}: {error}");
        assert_eq!(ids(&mut log), all, "attack {n}");
    }
    // A document that began otherwise, with maps of the same names, is none of ours.
    let mut foreign = automerge::AutoCommit::new();
    foreign.put(ROOT, document::SCHEMA, SCHEMA_VERSION).unwrap();
    foreign.put_object(ROOT, document::ENTRIES, ObjType::Map).unwrap();
    foreign.put_object(ROOT, document::LABELS, ObjType::Map).unwrap();
    assert!(log.absorb(&carry_of(&foreign.save())).is_err());
    assert_eq!(ids(&mut log), all);
}

#[test]
fn changes_without_their_forerunners_are_refused_not_dropped_in_silence() {
    let (mut a, mut b) = (log(1), log(2));
    write(&mut a, 1);
    let id = Home::Outing(outing()).part(1);
    let heads = a.snapshot(id).unwrap().heads();
    write(&mut a, 2);
    let later = a.snapshot(id).unwrap().changes_since(&heads);
    assert!(b.absorb_changes(id, &later).is_err());
    let all = a.snapshot(id).unwrap().changes_since(&[]);
    assert_eq!(b.absorb_changes(id, &all).unwrap().added.len(), 2);
}

#[test]
fn one_entry_of_an_import_is_known_in_an_earlier_part_too() {
    let mut log = log(1);
    let all: Vec<_> = (0..ENTRIES_PER_PART as u64 + 10).map(|n| (Home::Outing(outing()), volley(n))).collect();
    log.write_all(&all).unwrap();
    assert_eq!(log.write_all(&all[..1]).unwrap(), Written { added: 0, already: 1 });
}

#[test]
fn an_entry_that_is_none_is_kept_passed_on_and_reported() {
    let mut log = log(1);
    let id = Home::Outing(outing()).part(1);
    let mut document = Document::empty([9; 16]);
    let broken = EntryId::new(1, &mut bits(5));
    let chunk = document.put(&[(broken, vec![0xff, 0x00])]).unwrap();
    log.absorb_changes(id, &chunk).unwrap();
    write(&mut log, 3);
    assert_eq!(ids(&mut log).len(), 1);
    assert!(matches!(log.problems(), [Problem::UnreadableEntry { entry, .. }] if *entry == broken));
    let mut other = self::log(2);
    other.absorb(&carry(&mut log)).unwrap();
    assert!(other.snapshot(id).unwrap().holds(broken));
}

#[test]
fn two_entries_under_one_id_are_both_kept_and_reported() {
    let id = Home::Outing(outing()).part(1);
    let mut log = log(1);
    for actor in [1, 2] {
        let mut document = Document::empty([actor; 16]);
        let chunk = document.put(&[(volley(1).id, volley(u64::from(actor)).to_bytes().unwrap())]).unwrap();
        log.absorb_changes(id, &chunk).unwrap();
    }
    assert_eq!(ids(&mut log).len(), 1);
    assert!(matches!(log.problems(), [Problem::ContestedEntry { .. }]));
}

#[test]
fn edits_of_one_label_on_two_devices_both_stay() {
    let subject = RegisterId::Lot(LotId::named("A"));
    let (mut a, mut b) = (log(1), log(2));
    a.set_label(subject, "description", "grey leads").unwrap();
    b.absorb(&carry(&mut a)).unwrap();
    a.set_label(subject, "description", "long grey leads").unwrap();
    b.set_label(subject, "description", "grey leads, box 2").unwrap();
    a.absorb(&carry(&mut b)).unwrap();
    b.absorb(&carry(&mut a)).unwrap();
    assert_eq!(a.labels().unwrap()[0].text, "long grey leads, box 2");
    assert_eq!(a.labels().unwrap(), b.labels().unwrap());
}

#[test]
fn a_label_begun_on_two_devices_shows_both_texts_until_somebody_joins_them() {
    let subject = RegisterId::Lot(LotId::named("A"));
    let (mut a, mut b) = (log(1), log(2));
    a.set_label(subject, "note", "kept dry").unwrap();
    b.set_label(subject, "note", "one box wet").unwrap();
    a.absorb(&carry(&mut b)).unwrap();
    let label = a.labels().unwrap().remove(0);
    assert_eq!([vec![label.text], label.others].concat().into_iter().collect::<BTreeSet<_>>().len(), 2);
    a.set_label(subject, "note", "kept dry but for one box").unwrap();
    let label = a.labels().unwrap().remove(0);
    assert_eq!((label.text.as_str(), label.others.len()), ("kept dry but for one box", 0));
}

#[test]
fn many_small_writes_are_compacted_and_stay_small() {
    let mut log = log(1);
    let all: BTreeSet<_> = (0..600).map(|n| write(&mut log, n)).collect();
    let listed = log.list().unwrap().remove(0);
    assert!(listed.chunks <= 256, "{} chunks wait", listed.chunks);
    log.compact().unwrap();
    assert_eq!(log.list().unwrap()[0].chunks, 0);
    assert_eq!(ids(&mut Log::open(log.into_store(), bits(3))), all);
}

#[test]
fn two_openings_of_one_store_write_as_different_actors() {
    let mut log = log(1);
    write(&mut log, 1);
    let copy = log.store().clone();
    // A restored backup and its original go on writing, and meet.
    let (mut a, mut b) = (Log::open(log.into_store(), bits(2)), Log::open(copy, bits(3)));
    write(&mut a, 2);
    write(&mut b, 3);
    a.absorb(&carry(&mut b)).unwrap();
    assert_eq!(ids(&mut a).len(), 3);
}

#[test]
fn a_write_that_the_store_refuses_is_not_in_the_log() {
    let mut log = log(1);
    write(&mut log, 1);
    let mut too_large = volley(2);
    too_large.state(Fact::Withdrawal(Withdrawal {
        fact: FactId { entry: volley(1).id, place: 0 },
        reason: "x".repeat(MAX_ENTRY_BYTES),
    }));
    let home = Home::Outing(outing());
    assert!(matches!(log.write_all(&[(home, volley(3)), (home, too_large)]), Err(LogError::Entry { .. })));
    assert_eq!(ids(&mut log).len(), 1, "neither of the two was kept");
}

#[test]
fn values_of_this_device_are_no_part_of_what_is_carried() {
    let mut log = log(1);
    log.store_mut().commit(&[Write::Keep { key: "device".into(), value: vec![1, 2] }]).unwrap();
    assert!(!carry(&mut log).windows(6).any(|w| w == b"device"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Devices write, carry and absorb in any order; at the end all hold the union.
    #[test]
    fn copies_that_met_in_any_order_hold_the_union(steps in proptest::collection::vec((0..4_usize, 0..4_usize, any::<bool>()), 1..25)) {
        let mut logs: Vec<_> = (0..4).map(|n| log(100 + n)).collect();
        let mut model: Vec<BTreeSet<EntryId>> = vec![BTreeSet::new(); 4];
        for (n, (from, to, meet)) in steps.into_iter().enumerate() {
            if meet && from != to {
                let file = carry(&mut logs[from]);
                logs[to].absorb(&file).unwrap();
                let known = model[from].clone();
                model[to].extend(known);
            } else {
                let id = write(&mut logs[from], n as u64);
                model[from].insert(id);
            }
        }
        for (log, model) in logs.iter_mut().zip(&model) {
            prop_assert_eq!(&ids(log), model);
        }
        let all: BTreeSet<_> = model.into_iter().flatten().collect();
        let files: Vec<_> = logs.iter_mut().map(carry).collect();
        for log in &mut logs {
            for file in files.iter().rev() {
                log.absorb(file).unwrap();
            }
            prop_assert_eq!(&ids(log), &all);
        }
    }

    #[test]
    fn a_carry_file_of_any_bytes_is_refused_not_a_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let mut log = log(1);
        prop_assert!(log.absorb(&bytes).is_err());
        prop_assert!(log.absorb(&[CARRY_MAGIC, &bytes].concat()).is_err());
        prop_assert!(log.absorb(&carry_of(&bytes)).is_err());
    }
}

#[test]
fn who_asks_anew_is_answered_even_if_both_have_the_same() {
    let limits = MessageLimits {
        out_bytes: 1 << 20,
        allowance: Allowance { inflated_bytes: 8 << 20, rows: 200_000, chunks: 5_000 },
        waiting: 100,
    };
    let (mut one, mut two) = (log(1), log(2));
    let document = Home::Outing(outing()).part(1);
    one.write(Home::Outing(outing()), &volley(1)).unwrap();
    let (mut of_two, mut of_one) = (PeerState::new(), PeerState::new());
    for _ in 0..4 {
        if let Some(said) = one.greeting(document, &mut of_two, &limits).unwrap() {
            two.hear(document, &mut of_one, &said.bytes, &limits).unwrap();
        }
        if let Some(said) = two.greeting(document, &mut of_one, &limits).unwrap() {
            one.hear(document, &mut of_two, &said.bytes, &limits).unwrap();
        }
    }
    assert_eq!(ids(&mut one), ids(&mut two));
    assert!(two.greeting(document, &mut of_one, &limits).unwrap().is_none(), "nothing is left to say");
    of_two.forget_unanswered();
    let asked = one.greeting(document, &mut of_two, &limits).unwrap().expect("it asks");
    assert!(asked.wants_answer);
    two.hear(document, &mut of_one, &asked.bytes, &limits).unwrap();
    let answer = two.greeting(document, &mut of_one, &limits).unwrap().expect("and is answered");
    one.hear(document, &mut of_two, &answer.bytes, &limits).unwrap();
    assert!(one.has_met(document, &of_two).unwrap());
}
