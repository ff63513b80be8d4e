//! Two logs in one room.

mod forget;
mod hostile;

use super::*;
use crate::facts::{Conditions, DeviceId, DocumentId, Entry, EntryId, LotId, Moment, OutingId, Reading, RegisterId};
use crate::log::{Home, Log};
use crate::store::MemoryStore;

const NOW: u64 = 1_900_000_000_000;

struct Side {
    log: Log<MemoryStore>,
    engine: Engine,
    device: DeviceId,
}

fn seeded(seed: u64) -> impl FnMut() -> u64 + Send {
    let mut n = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    move || {
        n = n.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = n;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

fn config(device: DeviceId) -> Config {
    Config { device, limits: Limits::default(), peer_reads_only: false }
}

impl Side {
    fn new(seed: u64, store: MemoryStore, opens: bool) -> Self {
        let device = DeviceId::named(&format!("device {seed}"));
        let engine = if opens { Engine::opener(config(device)) } else { Engine::answerer(config(device)) };
        Self { log: Log::open(store, seeded(seed)), engine, device }
    }

    fn write(&mut self, seed: u64, outing: OutingId, entries: usize) {
        let mut random = seeded(seed);
        for n in 0..entries {
            let at = Moment { unix_ms: NOW as i64 + n as i64, offset_minutes: 0 };
            let mut entry = Entry::new(EntryId::new(at.unix_ms, &mut random), self.device, at);
            entry.state(crate::facts::Fact::Reading(Reading {
                outing,
                at,
                conditions: Conditions::default(),
                source: None,
            }));
            self.log.write(Home::Outing(outing), &entry).expect("writes");
        }
    }

    fn entries(&mut self) -> Vec<EntryId> {
        let mut ids = Vec::new();
        self.log.replay(|_, entry| ids.push(entry.id)).expect("reads");
        ids.sort_unstable();
        ids
    }
}

/// What a conversation came to.
#[derive(Debug, Default)]
struct Talk {
    frames: usize,
    bytes: usize,
    turns: usize,
    met: usize,
    closed: Option<Refusal>,
}

/// Lets two sides talk until neither has anything to say.
fn talk(one: &mut Side, two: &mut Side) -> Talk {
    let begun = one.engine.handle(&mut one.log, NOW, Event::Opened).expect("opens");
    deliver(one, two, begun, Vec::new())
}

fn deliver(one: &mut Side, two: &mut Side, from_one: Vec<Effect>, from_two: Vec<Effect>) -> Talk {
    let mut talk = Talk::default();
    let (mut from_one, mut from_two) = (from_one, from_two);
    let sort = |effects: Vec<Effect>, talk: &mut Talk| {
        let mut frames = Vec::new();
        for effect in effects {
            match effect {
                Effect::Send(bytes) => frames.push(bytes),
                Effect::Met => talk.met += 1,
                Effect::Close(refusal) => talk.closed = Some(refusal),
                Effect::Changed { .. } => {}
            }
        }
        talk.frames += frames.len();
        talk.bytes += frames.iter().map(Vec::len).sum::<usize>();
        frames
    };
    loop {
        let (to_two, to_one) =
            (sort(std::mem::take(&mut from_one), &mut talk), sort(std::mem::take(&mut from_two), &mut talk));
        if to_two.is_empty() && to_one.is_empty() {
            return talk;
        }
        talk.turns += 1;
        assert!(talk.turns < 500, "they talk for ever: {talk:?}");
        for frame in to_two {
            from_two.extend(two.engine.handle(&mut two.log, NOW, Event::Frame(&frame)).expect("two"));
        }
        for frame in to_one {
            from_one.extend(one.engine.handle(&mut one.log, NOW, Event::Frame(&frame)).expect("one"));
        }
    }
}

fn pair() -> (Side, Side) {
    (Side::new(1, MemoryStore::new(), true), Side::new(2, MemoryStore::new(), false))
}

fn reconnect(one: &mut Side, two: &mut Side) {
    one.engine.handle(&mut one.log, NOW, Event::Closed).expect("closes");
    two.engine.handle(&mut two.log, NOW, Event::Closed).expect("closes");
    (one.engine, two.engine) = (Engine::opener(config(one.device)), Engine::answerer(config(two.device)));
}

#[test]
fn two_logs_end_with_the_union_of_what_both_had() {
    let (mut one, mut two) = pair();
    let (a, b) = (OutingId::named("a"), OutingId::named("b"));
    one.write(10, a, 30);
    two.write(11, a, 20);
    two.write(12, b, 10);
    one.log.set_label(RegisterId::Lot(LotId::named("x")), "note", "dry box").expect("writes");
    let said = talk(&mut one, &mut two);
    assert_eq!(said.closed, None);
    assert!(said.met >= 2 && said.turns <= 8, "{said:?}");
    assert_eq!(one.entries().len(), 60);
    assert_eq!(one.entries(), two.entries());
    assert_eq!(one.log.outline().unwrap(), two.log.outline().unwrap());
    assert_eq!(two.log.labels().unwrap()[0].text, "dry box");
    assert_eq!(one.engine.progress().entries_in, 30);
    assert_eq!((one.engine.progress().entries_out, two.engine.progress().entries_out), (30, 30));
    assert_eq!(one.engine.progress().stage, Stage::Met);
}

#[test]
fn two_logs_that_are_even_cost_under_a_kilobyte_and_one_round_trip_however_long_they_are() {
    let (mut one, mut two) = pair();
    for n in 0..40 {
        one.write(n, OutingId::named(&format!("{n}")), 5);
    }
    talk(&mut one, &mut two);
    reconnect(&mut one, &mut two);
    let said = talk(&mut one, &mut two);
    assert_eq!((said.turns, said.frames, said.met), (2, 2, 2), "{said:?}");
    assert!(said.bytes < 1_000, "{said:?}");
}

#[test]
fn new_records_cost_little_when_the_two_have_met_before() {
    let (mut one, mut two) = pair();
    let outing = OutingId::named("long");
    one.write(1, outing, 2_000);
    talk(&mut one, &mut two);
    reconnect(&mut one, &mut two);
    one.write(2, outing, 100);
    two.write(3, outing, 100);
    let said = talk(&mut one, &mut two);
    // Promise: 350 bytes a record and 1 kB beside; 4 messages for the document.
    assert!(said.bytes < 200 * 350 + 1_000, "{said:?}");
    assert!(said.turns <= 6, "{said:?}");
    assert_eq!(one.entries(), two.entries());
}

#[test]
fn what_is_written_while_connected_goes_over_at_once_both_ways() {
    let (mut one, mut two) = pair();
    let outing = OutingId::named("live");
    one.write(1, outing, 3);
    talk(&mut one, &mut two);
    let document = DocumentId::Outing { outing, part: 1 };
    for n in 0..5 {
        one.write(100 + n, outing, 1);
        two.write(200 + n, outing, 1);
        let from_one = one.engine.handle(&mut one.log, NOW, Event::Changed(&[document])).unwrap();
        let from_two = two.engine.handle(&mut two.log, NOW, Event::Changed(&[document])).unwrap();
        let said = deliver(&mut one, &mut two, from_one, from_two);
        assert!(said.turns <= 4, "{said:?}");
        assert_eq!(one.entries(), two.entries());
        assert_eq!(one.engine.progress().stage, Stage::Met);
    }
    // A document that the other side has never heard of.
    let new = OutingId::named("new");
    two.write(300, new, 2);
    let from_two = two.engine.handle(&mut two.log, NOW, Event::Changed(&[DocumentId::Outing { outing: new, part: 1 }]));
    deliver(&mut one, &mut two, Vec::new(), from_two.unwrap());
    assert_eq!(one.entries(), two.entries());
}

#[test]
fn a_document_larger_than_a_message_goes_over_in_several() {
    let (mut one, mut two) = pair();
    let outing = OutingId::named("large");
    one.write(1, outing, 3_000);
    let limits = Limits { message_bytes: 100 << 10, frame_bytes: 16 << 10, ..Limits::default() };
    one.engine = Engine::opener(Config { limits, ..config(one.device) });
    two.engine = Engine::answerer(Config { limits, ..config(two.device) });
    let said = talk(&mut one, &mut two);
    assert_eq!(said.closed, None);
    assert!(said.turns > 10, "{said:?}");
    assert_eq!(two.entries().len(), 3_000);
}

#[test]
fn a_reader_gets_everything_and_gives_nothing() {
    let (mut one, mut two) = pair();
    two.engine = Engine::answerer(Config { peer_reads_only: true, ..config(two.device) });
    let outing = OutingId::named("o");
    one.write(1, outing, 5);
    two.write(2, outing, 7);
    let said = talk(&mut one, &mut two);
    assert_eq!(said.closed, None);
    assert!(!one.engine.progress().may_write);
    assert_eq!(one.engine.progress().stage, Stage::Met, "{said:?}");
    assert_eq!((one.entries().len(), two.entries().len()), (12, 7));
}

#[test]
fn a_conversation_that_was_cut_anywhere_goes_on_where_it_was() {
    let outing = OutingId::named("o");
    for after in 0..12 {
        let (mut one, mut two) = pair();
        one.write(1, outing, 200);
        two.write(2, outing, 150);
        // Only so many frames get through; then the line is dead.
        let mut left = after;
        let (mut to_two, mut to_one) = (one.engine.handle(&mut one.log, NOW, Event::Opened).unwrap(), Vec::new());
        while left > 0 && !(to_two.is_empty() && to_one.is_empty()) {
            for effect in std::mem::take(&mut to_two) {
                if let (Effect::Send(frame), true) = (effect, left > 0) {
                    left -= 1;
                    to_one.extend(two.engine.handle(&mut two.log, NOW, Event::Frame(&frame)).unwrap());
                }
            }
            for effect in std::mem::take(&mut to_one) {
                if let (Effect::Send(frame), true) = (effect, left > 0) {
                    left -= 1;
                    to_two.extend(one.engine.handle(&mut one.log, NOW, Event::Frame(&frame)).unwrap());
                }
            }
        }
        reconnect(&mut one, &mut two);
        let said = talk(&mut one, &mut two);
        assert!(said.turns <= 8, "after {after} frames: {said:?}");
        assert_eq!(one.entries().len(), 350);
        assert_eq!(one.entries(), two.entries());
    }
}

#[test]
fn messages_that_make_the_crdts_reader_panic_or_ask_for_gigabytes_end_the_conversation_and_nothing_else() {
    let document = DocumentId::Register { part: 1 };
    // One summary of changes: 1 entry, `bits` a piece, `probes`, and its bits; no heads, needs or changes.
    let message = |bits: &[u8], probes: &[u8], data: &[u8]| {
        let bloom = [&[1], bits, probes, data].concat();
        [&[0x42, 0, 0, 1, 0, bloom.len() as u8], bloom.as_slice(), &[0]].concat()
    };
    let hostile = [
        message(&[0], &[7], &[]),
        message(&[10], &[0xff, 0xff, 0xff, 0xff, 0x0f], &[0, 0]),
        message(&[0x80, 0x80, 0x01], &[7], &[0; 2048][..]).into_iter().take(200).collect(),
        vec![0x42],
        vec![],
        vec![0x99; 40],
    ];
    for bytes in hostile {
        let (mut one, mut two) = pair();
        one.write(1, OutingId::named("o"), 2);
        talk(&mut one, &mut two);
        let frame = Frame::Document { document, message: bytes }.to_bytes();
        let effects = two.engine.handle(&mut two.log, NOW, Event::Frame(&frame)).expect("not this side's fault");
        assert!(matches!(effects.last(), Some(Effect::Close(Refusal::Contents { .. }))), "{effects:?}");
        assert_eq!(two.engine.handle(&mut two.log, NOW, Event::Frame(&frame)).unwrap(), [], "it is over");
        // The log is as it was, and talks to others.
        two.engine = Engine::answerer(config(two.device));
        one.engine = Engine::opener(config(one.device));
        assert_eq!(talk(&mut one, &mut two).met, 2);
        assert_eq!(two.entries().len(), 2);
    }
}

#[test]
fn a_frame_out_of_turn_or_of_another_version_is_refused_with_words() {
    let (_, mut two) = pair();
    let early = Frame::Document { document: DocumentId::Register { part: 1 }, message: vec![] }.to_bytes();
    let effects = two.engine.handle(&mut two.log, NOW, Event::Frame(&early)).unwrap();
    assert!(matches!(effects.as_slice(), [Effect::Send(_), Effect::Close(Refusal::Grammar { .. })]), "{effects:?}");
    let (_, mut two) = pair();
    let hello = Frame::Hello { version: 9, device: DeviceId::named("d"), clock_ms: 0, buckets: vec![[0; 8]; 16] };
    let effects = two.engine.handle(&mut two.log, NOW, Event::Frame(&hello.to_bytes())).unwrap();
    let Some(Effect::Send(last)) = effects.first() else { panic!("{effects:?}") };
    let Ok(Frame::Refuse(refusal)) = Frame::from_bytes(last) else { panic!("no refusal") };
    assert!(refusal.to_string().contains("version 9"), "{refusal}");
}

#[test]
fn what_is_written_between_the_call_and_its_answer_goes_over_too() {
    let (mut one, mut two) = pair();
    let outing = OutingId::named("o");
    one.write(1, outing, 3);
    talk(&mut one, &mut two);
    reconnect(&mut one, &mut two);
    let call = one.engine.handle(&mut one.log, NOW, Event::Opened).unwrap();
    one.write(2, outing, 1);
    let changed = [DocumentId::Outing { outing, part: 1 }];
    assert_eq!(one.engine.handle(&mut one.log, NOW, Event::Changed(&changed)).unwrap(), []);
    deliver(&mut one, &mut two, call, Vec::new());
    assert_eq!(two.entries().len(), 4);
    assert_eq!(one.engine.progress().stage, Stage::Met);
}

#[test]
fn an_answer_that_never_comes_is_asked_for_again() {
    let (mut one, mut two) = pair();
    one.write(1, OutingId::named("o"), 4);
    // The first call is lost.
    one.engine.handle(&mut one.log, NOW, Event::Opened).unwrap();
    let again = one.engine.handle(&mut one.log, NOW + 20_000, Event::Tick).unwrap();
    // The first message of the document is lost too.
    let [Effect::Send(call)] = again.as_slice() else { panic!("{again:?}") };
    let answer = two.engine.handle(&mut two.log, NOW, Event::Frame(call)).unwrap();
    let [Effect::Send(answer)] = answer.as_slice() else { panic!("{answer:?}") };
    let lost = one.engine.handle(&mut one.log, NOW + 20_001, Event::Frame(answer)).unwrap();
    assert!(!lost.is_empty());
    assert_eq!(one.engine.handle(&mut one.log, NOW + 30_000, Event::Tick).unwrap(), []);
    let again = one.engine.handle(&mut one.log, NOW + 40_001, Event::Tick).unwrap();
    let said = deliver(&mut one, &mut two, again, Vec::new());
    assert!(said.met > 0, "{said:?}");
    assert_eq!(two.entries().len(), 4);
}

#[test]
fn what_waited_in_memory_and_was_lost_with_its_document_is_asked_for_again() {
    let (mut one, mut two) = pair();
    let outing = OutingId::named("o");
    one.write(1, outing, 40);
    talk(&mut one, &mut two);
    one.write(2, outing, 3);
    let document = DocumentId::Outing { outing, part: 1 };
    let sent = one.engine.handle(&mut one.log, NOW, Event::Changed(&[document])).unwrap();
    let [Effect::Send(frame)] = sent.as_slice() else { panic!("{sent:?}") };
    let Ok(Frame::Document { message, .. }) = Frame::from_bytes(frame) else { panic!("no document") };
    // The first of the three is taken for one that the other side has, as happens by chance with one in a hundred.
    let mut message = automerge::sync::Message::decode(&message).unwrap();
    let changes: Vec<u8> = message.changes.iter().flatten().copied().collect();
    // Each has four bytes of magic, four of checksum, its kind, and a length, here of two bytes in LEB128.
    let length = 11 + usize::from(changes[9] & 0x7f) + usize::from(changes[10]) * 128;
    assert!(changes[9] >= 0x80 && changes[10] < 0x80 && changes[length..].starts_with(&changes[..4]));
    message.changes = vec![changes[length..].to_vec()].into();
    let frame = Frame::Document { document, message: message.encode() }.to_bytes();
    let answer = two.engine.handle(&mut two.log, NOW, Event::Frame(&frame)).unwrap();
    assert_eq!(two.entries().len(), 40, "two wait for the first");
    // Before that one comes, so much else is written that the document is dropped from memory.
    for n in 0..40 {
        two.write(100 + n, OutingId::named(&format!("other {n}")), 1);
    }
    // Each says what it lacks, and has sent all that it has; before long one of them asks for all of it again.
    let said = deliver(&mut one, &mut two, Vec::new(), answer);
    assert!(said.turns <= 12, "{said:?}");
    assert_eq!(two.entries().len(), 40 + 40 + 3);
    assert_eq!((one.engine.progress().stage, two.engine.progress().stage), (Stage::Met, Stage::Met));
}

#[test]
fn entries_that_inflate_hugely_go_over_in_messages_that_the_other_side_takes() {
    let (mut one, mut two) = pair();
    let outing = OutingId::named("notes");
    let mut random = seeded(9);
    let entries: Vec<_> = (0..300)
        .map(|n| {
            let at = Moment { unix_ms: NOW as i64 + n, offset_minutes: 0 };
            let mut entry = Entry::new(EntryId::new(at.unix_ms, &mut random), one.device, at);
            let (conditions, source) = (Conditions::default(), Some("the same words ".repeat(5_000)));
            entry.state(crate::facts::Fact::Reading(Reading { outing, at, conditions, source }));
            (Home::Outing(outing), entry)
        })
        .collect();
    // 22 MB of text that deflates to next to nothing, written in one go.
    one.log.write_all(&entries).expect("writes");
    let said = talk(&mut one, &mut two);
    assert_eq!(said.closed, None);
    assert_eq!(two.entries().len(), 300);
    assert_eq!(one.engine.progress().stage, Stage::Met);
}
