//! A session and a client made of the CRDT's own sync, as stock clients are.

use automerge::sync::{Message, State, SyncDoc};
use automerge::transaction::Transactable;
use automerge::{AutoCommit, ROOT, ReadDoc};
use minicbor::Encoder;
use minicbor::data::Tag;
use proptest::prelude::*;

use super::*;
use crate::facts::{
    Conditions, DeviceId, DocumentId, Entry, EntryId, Fact, LotId, Moment, OutingId, Reading, RegisterId,
};
use crate::log::{Home, Log};
use crate::store::MemoryStore;
use crate::sync::{Effect, Limits, Refusal};

const NOW: u64 = 1_900_000_000_000;
const CREW: &[u8] = b"crew";

fn entry(n: u64) -> Entry {
    let at = Moment { unix_ms: NOW as i64 + n as i64, offset_minutes: 0 };
    let mut bits = n;
    let id = EntryId::new(at.unix_ms, &mut || {
        bits += 1;
        bits
    });
    let mut entry = Entry::new(id, DeviceId::named("some device"), at);
    let conditions = Conditions::default();
    entry.state(Fact::Reading(Reading { outing: OutingId::named("field"), at, conditions, source: None }));
    entry
}

fn home() -> Home {
    Home::Outing(OutingId::named("field"))
}

struct Room {
    log: Log<MemoryStore>,
    session: RepoSession,
    changed: Vec<DocumentId>,
    refusal: Option<Refusal>,
}

impl Room {
    fn new(reads_only: bool) -> Self {
        let mut n = 0;
        let log = Log::open(MemoryStore::new(), move || {
            n += 0x9e37_79b9_7f4a_7c15_u64 >> 8;
            n
        });
        let config = RepoConfig {
            peer: "server".to_owned(),
            crew: CREW.to_vec(),
            limits: Limits::default(),
            peer_reads_only: reads_only,
        };
        Self { log, session: RepoSession::new(config), changed: Vec::new(), refusal: None }
    }

    fn joined(reads_only: bool) -> Self {
        let mut room = Self::new(reads_only);
        let join = RepoMessage::Join { sender: "client".to_owned(), speaks_ours: true };
        let peer = RepoMessage::Peer { sender: "server".to_owned(), target: "client".to_owned() };
        assert_eq!(room.say(&join.to_bytes()), [peer]);
        room
    }

    fn say(&mut self, bytes: &[u8]) -> Vec<RepoMessage> {
        let mut out = Vec::new();
        self.session.hear(&mut self.log, NOW, bytes, &mut out).unwrap();
        self.sort(out)
    }

    fn tell(&mut self, documents: &[DocumentId]) -> Vec<RepoMessage> {
        let mut out = Vec::new();
        self.session.changed(&mut self.log, documents, &mut out).unwrap();
        self.sort(out)
    }

    fn sort(&mut self, out: Vec<Effect>) -> Vec<RepoMessage> {
        let mut said = Vec::new();
        for effect in out {
            match effect {
                Effect::Send(bytes) => said.push(RepoMessage::from_bytes(&bytes).unwrap()),
                Effect::Changed { document, .. } => self.changed.push(document),
                Effect::Close(refusal) => self.refusal = Some(refusal),
                Effect::Met => {}
            }
        }
        said
    }

    fn entries(&mut self) -> Vec<EntryId> {
        let mut ids = Vec::new();
        self.log.replay(|_, entry| ids.push(entry.id)).unwrap();
        ids
    }
}

struct Client {
    doc: AutoCommit,
    state: State,
    document: DocumentId,
}

impl Client {
    fn new(document: DocumentId) -> Self {
        Self { doc: AutoCommit::new(), state: State::new(), document }
    }

    fn next(&mut self) -> Option<Vec<u8>> {
        let request = self.doc.get_heads().is_empty();
        let data = self.doc.sync().generate_sync_message(&mut self.state)?.encode();
        let (sender, target) = ("client".to_owned(), "server".to_owned());
        Some(RepoMessage::Sync { sender, target, document: RepoId::of(CREW, self.document), data, request }.to_bytes())
    }

    fn take(&mut self, said: Vec<RepoMessage>) {
        for message in said {
            if let RepoMessage::Sync { data, document, .. } = message
                && document == RepoId::of(CREW, self.document)
            {
                self.doc.sync().receive_sync_message(&mut self.state, Message::decode(&data).unwrap()).unwrap();
            }
        }
    }

    /// Talks until there is nothing more to say; returns how many messages it sent.
    fn talk(&mut self, room: &mut Room) -> usize {
        for n in 0..100 {
            let Some(next) = self.next() else { return n };
            let said = room.say(&next);
            self.take(said);
        }
        panic!("they never come to an end");
    }

    fn put(&mut self, id: EntryId, bytes: Vec<u8>) {
        let (_, entries) = self.doc.get(ROOT, "entries").unwrap().unwrap();
        self.doc.put(&entries, id.to_string(), bytes).unwrap();
        self.doc.commit();
    }

    fn held(&self) -> usize {
        self.doc.get(ROOT, "entries").unwrap().map_or(0, |(_, entries)| self.doc.length(&entries))
    }
}

#[test]
fn a_client_reads_writes_and_is_told_of_what_others_write() {
    let mut room = Room::joined(false);
    room.log.write_all(&(1..=40).map(|n| (home(), entry(n))).collect::<Vec<_>>()).unwrap();
    let document = home().part(1);
    let mut client = Client::new(document);
    client.talk(&mut room);
    assert_eq!(client.held(), 40);
    assert_eq!(room.changed, []);

    client.put(entry(41).id, entry(41).to_bytes().unwrap());
    client.talk(&mut room);
    assert_eq!(room.changed, [document]);
    assert!(room.entries().contains(&entry(41).id));

    room.log.write(home(), &entry(42)).unwrap();
    assert!(room.session.is_news(document));
    let said = room.tell(&[document]);
    assert!(!said.is_empty());
    client.take(said);
    // One in a hundred changes looks as if the client had it (a Bloom filter), and goes with the next message.
    client.talk(&mut room);
    assert_eq!(client.held(), 42);
    // Nothing is news any more, also its own echo.
    assert_eq!(room.tell(&[document]), []);
}

#[test]
fn both_may_speak_at_once() {
    let mut room = Room::joined(false);
    let document = home().part(1);
    room.log.write(home(), &entry(1)).unwrap();
    let mut client = Client::new(document);
    client.talk(&mut room);
    for n in 0..20 {
        client.put(entry(100 + n).id, entry(100 + n).to_bytes().unwrap());
        room.log.write(home(), &entry(200 + n)).unwrap();
        let ours = room.tell(&[document]);
        // On its way before the client has heard ours.
        let theirs = client.next().unwrap();
        let answers = room.say(&theirs);
        client.take(ours);
        client.take(answers);
    }
    client.talk(&mut room);
    assert_eq!((client.held(), room.entries().len()), (41, 41));
}

#[test]
fn a_large_document_goes_out_in_parts_that_each_fit() {
    let mut room = Room::joined(false);
    room.session = RepoSession::new(RepoConfig {
        peer: "server".to_owned(),
        crew: CREW.to_vec(),
        limits: Limits { message_bytes: (64 << 10) + 2_000, ..Limits::default() },
        peer_reads_only: false,
    });
    room.say(&RepoMessage::Join { sender: "client".to_owned(), speaks_ours: true }.to_bytes());
    for n in 1..=200 {
        room.log.write(home(), &entry(n)).unwrap();
    }
    let mut client = Client::new(home().part(1));
    assert!(client.talk(&mut room) > 5);
    assert_eq!(client.held(), 200);
}

#[test]
fn a_reader_reads_and_nothing_that_it_writes_is_taken() {
    let mut room = Room::joined(true);
    room.log.write(home(), &entry(1)).unwrap();
    let mut client = Client::new(home().part(1));
    client.talk(&mut room);
    assert_eq!(client.held(), 1);
    client.put(entry(2).id, entry(2).to_bytes().unwrap());
    client.talk(&mut room);
    assert_eq!(room.entries(), [entry(1).id]);
    assert_eq!((room.changed.len(), &room.refusal), (0, &None), "one that is told that it may only read sends nothing");
}

#[test]
fn a_write_that_overwrites_an_entry_ends_the_connection_and_changes_nothing() {
    let mut room = Room::joined(false);
    room.log.write(home(), &entry(1)).unwrap();
    let mut client = Client::new(home().part(1));
    client.talk(&mut room);
    client.put(entry(1).id, entry(2).to_bytes().unwrap());
    let said = room.say(&client.next().unwrap());
    assert!(matches!(said.as_slice(), [RepoMessage::Error { message, .. }] if message.contains("overwrites")));
    assert!(matches!(room.refusal, Some(Refusal::Contents { .. })), "{:?}", room.refusal);
    assert_eq!(room.entries(), [entry(1).id]);
    assert_eq!(room.say(&client.next().unwrap_or_default()), [], "it is over");
}

#[test]
fn a_document_that_is_not_here_is_said_to_be_so_and_sent_when_it_comes() {
    let mut room = Room::joined(false);
    let document = home().part(1);
    let mut client = Client::new(document);
    let said = room.say(&client.next().unwrap());
    assert!(matches!(said.as_slice(), [RepoMessage::Unavailable { .. }]), "{said:?}");
    room.log.write(home(), &entry(1)).unwrap();
    assert!(room.session.is_news(document));
    let said = room.tell(&[document, DocumentId::Register { part: 7 }]);
    client.take(said);
    client.talk(&mut room);
    assert_eq!(client.held(), 1);
    // The register is always there, so that a new crew can be begun.
    let mut register = Client::new(DocumentId::Register { part: 1 });
    register.talk(&mut room);
    let (_, labels) = register.doc.get(ROOT, "labels").unwrap().unwrap();
    let subject = RegisterId::Lot(LotId::named("A 1"));
    let text = register.doc.put_object(&labels, format!("{subject}/note"), automerge::ObjType::Text).unwrap();
    register.doc.splice_text(&text, 0, 0, "dry").unwrap();
    register.talk(&mut room);
    assert_eq!(room.log.labels().unwrap().len(), 1);
}

#[test]
fn a_change_that_was_lost_while_it_waited_is_asked_for_again() {
    let mut room = Room::joined(false);
    let document = home().part(1);
    room.log.write(home(), &entry(1)).unwrap();
    let mut client = Client::new(document);
    client.talk(&mut room);
    // The first of two changes never arrives, so the second waits for it.
    client.put(entry(2).id, entry(2).to_bytes().unwrap());
    client.next().unwrap();
    client.put(entry(3).id, entry(3).to_bytes().unwrap());
    let answer = room.say(&client.next().unwrap());
    // Other documents push this one out of memory, and with it what waits.
    for n in 0..8 {
        room.log.write(Home::Outing(OutingId::named(&format!("field {n}"))), &entry(100 + n)).unwrap();
    }
    client.take(answer);
    client.talk(&mut room);
    let held = |room: &mut Room| {
        let mut ids = Vec::new();
        room.log.replay_document(document, |_, e| ids.push(e.id)).unwrap();
        ids.len()
    };
    assert_eq!(held(&mut room), 3, "asked for again at once, as the client goes on speaking");
}

#[test]
fn an_exchange_that_leads_nowhere_comes_to_an_end_and_is_begun_again_once() {
    let mut room = Room::joined(false);
    let document = home().part(1);
    room.log.write(home(), &entry(1)).unwrap();
    let mut client = Client::new(document);
    client.talk(&mut room);
    // A client that says that it has something, and never gives it.
    client.put(entry(2).id, entry(2).to_bytes().unwrap());
    let rounds = (0..50).map(|_| {
        let mut message = client.doc.sync().generate_sync_message(&mut State::new()).unwrap();
        message.changes = automerge::sync::ChunkList::empty();
        let (sender, target) = ("client".to_owned(), "server".to_owned());
        let document = RepoId::of(CREW, document);
        let sync = RepoMessage::Sync { sender, target, document, data: message.encode(), request: false };
        room.say(&sync.to_bytes()).len()
    });
    assert_eq!(rounds.sum::<usize>(), 6);
    let late = NOW + Limits::default().answer_ms;
    for (now, late, said) in [(NOW, false, 0), (late, true, 1), (late, false, 0), (2 * late, false, 0)] {
        assert_eq!(room.session.is_late(now), late);
        let mut out = Vec::new();
        room.session.tick(&mut room.log, now, &mut out).unwrap();
        assert_eq!(room.sort(out).len(), said);
    }
    // Once it has spoken it is asked again, and gives.
    client.state = State::new();
    client.talk(&mut room);
    let mut out = Vec::new();
    room.session.tick(&mut room.log, 2 * late, &mut out).unwrap();
    let said = room.sort(out);
    client.take(said);
    client.talk(&mut room);
    assert!(room.entries().contains(&entry(2).id) && !room.session.is_late(3 * late));
}

#[test]
fn what_does_not_belong_ends_the_connection() {
    let join = RepoMessage::Join { sender: "client".to_owned(), speaks_ours: true };
    let sync = |sender: &str, data: &[u8]| RepoMessage::Sync {
        sender: sender.to_owned(),
        target: "server".to_owned(),
        document: RepoId::of(CREW, DocumentId::Register { part: 1 }),
        data: data.to_vec(),
        request: false,
    };
    let first = sync("client", &[]).to_bytes();
    let old = RepoMessage::Join { sender: "client".to_owned(), speaks_ours: false };
    assert!(matches!(refused(Room::new(false), &first), Refusal::Grammar { .. }));
    assert!(matches!(refused(Room::joined(false), &sync("other", &[]).to_bytes()), Refusal::Grammar { .. }));
    assert!(matches!(refused(Room::joined(false), &sync("client", b"no").to_bytes()), Refusal::Contents { .. }));
    assert!(matches!(refused(Room::joined(false), &vec![0; 2 << 20]), Refusal::TooLarge { .. }));
    let mut out = Encoder::new(Vec::new());
    out.map(3).unwrap().str("type").unwrap().str("join").unwrap().str("senderId").unwrap().str("c").unwrap();
    out.str("supportedProtocolVersions").unwrap().array(1).unwrap().str("2").unwrap();
    assert!(matches!(refused(Room::new(false), &out.into_writer()), Refusal::Version { .. }));
    // And these do: kinds that are not known, words between clients, a second join in the same name.
    let mut room = Room::joined(false);
    assert_eq!(room.say(&RepoMessage::Ignored.to_bytes()), []);
    assert_eq!(room.say(&join.to_bytes()).len(), 1);
    assert_eq!(room.say(&RepoMessage::Leave { sender: "client".to_owned() }.to_bytes()), []);
    assert!(!room.session.has_joined() && room.refusal.is_none());
    assert_eq!(old.to_bytes(), join.to_bytes(), "what is written always offers version 1");
}

fn refused(mut room: Room, bytes: &[u8]) -> Refusal {
    let said = room.say(bytes);
    assert!(matches!(said.as_slice(), [RepoMessage::Error { .. }]), "{said:?}");
    room.refusal.expect("refused")
}

#[test]
fn bytes_are_read_plain_and_as_a_typed_array_and_no_key_twice() {
    let write = |tag: Option<u64>, twice: bool| {
        let document = RepoId::of(CREW, DocumentId::Register { part: 1 }).to_string();
        let mut out = Encoder::new(Vec::new());
        out.map(if twice { 6 } else { 5 }).unwrap();
        for (key, value) in [("type", "sync"), ("senderId", "c"), ("targetId", "s"), ("documentId", &document)] {
            out.str(key).unwrap().str(value).unwrap();
        }
        if twice {
            out.str("type").unwrap().str("join").unwrap();
        }
        out.str("data").unwrap();
        if let Some(tag) = tag {
            out.tag(Tag::new(tag)).unwrap();
        }
        out.bytes(&[1, 2]).unwrap();
        RepoMessage::from_bytes(&out.into_writer())
    };
    assert!(matches!(write(None, false), Ok(RepoMessage::Sync { data, .. }) if data == [1, 2]));
    assert_eq!(write(Some(64), false), write(None, false));
    assert!(write(Some(2), false).is_err() && write(None, true).is_err());
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), at in 0_usize..60, bit in 0_u8..8) {
        let _ = RepoMessage::from_bytes(&bytes);
        let mut room = Room::joined(false);
        room.say(&bytes);
        let mut real = Client::new(DocumentId::Register { part: 1 }).next().unwrap();
        let at = at % real.len();
        real[at] ^= 1 << bit;
        let mut room = Room::joined(false);
        room.say(&real);
    }
}

#[test]
fn a_client_is_served_no_forgotten_name_and_cannot_bring_it_back() {
    use crate::facts::{Forgotten, Person, PersonId, Role};
    let mut room = Room::joined(false);
    let who = PersonId::named("Wilhelmina Quast");
    let document = DocumentId::Person { person: who, part: 1 };
    let stated = |n: u64, fact: Fact| {
        let mut entry = Entry { facts: Vec::new(), ..entry(n) };
        entry.state(fact);
        entry
    };
    let person = Fact::Person(Person { name: "Wilhelmina Quast".to_owned(), role: Role::Chief });
    let (named, again) = (stated(1, person.clone()), stated(2, person));
    room.log.write(Home::Person(who), &named).unwrap();
    let mut client = Client::new(document);
    client.talk(&mut room);
    assert!(client.doc.get(ROOT, "entries").unwrap().is_some(), "served while it is not forgotten");

    room.log.write(Home::Register, &stated(3, Fact::Forgotten(Forgotten { person: who, reason: None }))).unwrap();
    client.put(again.id, again.to_bytes().unwrap());
    let said = room.say(&client.next().expect("something to say"));
    assert!(matches!(said.as_slice(), [RepoMessage::Unavailable { .. }]), "{said:?}");
    // A client that begins anew, and news for one that followed it.
    let said = room.say(&Client::new(document).next().unwrap());
    assert!(matches!(said.as_slice(), [RepoMessage::Unavailable { .. }]), "{said:?}");
    assert!(room.tell(&[document]).iter().all(|said| matches!(said, RepoMessage::Unavailable { .. })));
    assert_eq!(room.refusal, None);
    assert!(room.log.list().unwrap().iter().all(|line| line.document != document));
    // The client goes on with other documents.
    assert!(Client::new(DocumentId::Register { part: 1 }).talk(&mut room) > 0);
}
