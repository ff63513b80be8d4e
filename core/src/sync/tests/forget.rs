//! Names that are forgotten, and devices that do not know it yet.

use super::*;
use crate::facts::{Fact, Forgotten, Person, PersonId, Role};
use crate::store::Store;

const NAME: &str = "Wilhelmina Quast";

fn who() -> PersonId {
    PersonId::named(NAME)
}

fn stated(side: &mut Side, n: u64, fact: Fact) {
    let at = Moment { unix_ms: NOW as i64 + n as i64, offset_minutes: 0 };
    let mut entry = Entry::new(EntryId::new(at.unix_ms, &mut seeded(n)), side.device, at);
    entry.state(fact);
    side.log.write(Home::of(&entry).expect("a home"), &entry).expect("writes");
}

fn name(side: &mut Side, n: u64) {
    stated(side, n, Fact::Person(Person { name: NAME.to_owned(), role: Role::Recorder }));
}

fn forget(side: &mut Side, n: u64) {
    stated(side, n, Fact::Forgotten(Forgotten { person: who(), reason: None }));
}

/// Whether a side shows the name, or holds the document that it stands in.
fn holds(side: &mut Side) -> bool {
    let mut shown = false;
    side.log.replay(|_, e| shown |= e.facts.iter().any(|s| matches!(s.fact, Fact::Person(_)))).expect("reads");
    let document = DocumentId::Person { person: who(), part: 1 };
    shown || side.log.store().list().expect("lists").iter().any(|line| line.document == document)
}

fn met(said: &Talk) {
    assert!(said.closed.is_none() && said.met >= 2 && said.turns <= 10, "{said:?}");
}

#[test]
fn a_device_that_was_away_drops_the_name_and_cannot_bring_it_back() {
    for opens in [true, false] {
        let (mut away, mut server) = (Side::new(1, MemoryStore::new(), true), Side::new(2, MemoryStore::new(), false));
        name(&mut away, 1);
        met(&talk(&mut away, &mut server));
        assert!(holds(&mut away) && holds(&mut server));
        forget(&mut server, 2);
        away.write(10, OutingId::named("a"), 20);
        // It states the name anew, not knowing, so that its document is newer than what the server had.
        stated(&mut away, 3, Fact::Person(Person { name: NAME.to_owned(), role: Role::Chief }));
        reconnect(&mut away, &mut server);
        let said = if opens {
            talk(&mut away, &mut server)
        } else {
            (away.engine, server.engine) =
                (Engine::answerer(config(away.device)), Engine::opener(config(server.device)));
            talk(&mut server, &mut away)
        };
        met(&said);
        assert!(!holds(&mut away) && !holds(&mut server));
        assert_eq!(away.log.outline().unwrap(), server.log.outline().unwrap());
        assert_eq!(away.entries(), server.entries());
        assert_eq!(away.entries().len(), 21);
    }
}

#[test]
fn the_word_reaches_a_third_device_through_the_server() {
    let mut server = Side::new(9, MemoryStore::new(), false);
    let mut devices = [1, 2, 3].map(|n| Side::new(n, MemoryStore::new(), true));
    name(&mut devices[0], 1);
    let meet = |server: &mut Side, device: &mut Side| {
        reconnect(device, server);
        met(&talk(device, server));
    };
    devices.iter_mut().for_each(|device| meet(&mut server, device));
    assert!(devices.iter_mut().all(holds));
    forget(&mut devices[1], 2);
    for n in [1, 2, 0] {
        meet(&mut server, &mut devices[n]);
        assert!(!holds(&mut devices[n]) && !holds(&mut server), "device {n}");
    }
}

#[test]
fn a_server_restored_from_before_drops_the_name_when_it_next_meets_the_register() {
    let (mut device, mut server) = pair();
    name(&mut server, 1);
    met(&talk(&mut device, &mut server));
    let backup = server.log.store().copy();
    forget(&mut device, 2);
    reconnect(&mut device, &mut server);
    met(&talk(&mut device, &mut server));
    let mut restored = Side::new(2, backup, false);
    assert!(holds(&mut restored));
    reconnect(&mut device, &mut restored);
    met(&talk(&mut device, &mut restored));
    assert!(!holds(&mut restored) && !holds(&mut device));
    // A device that is new, and meets a restored server together with the name: it has the word from elsewhere.
    assert_eq!(device.log.outline().unwrap(), restored.log.outline().unwrap());
}

#[test]
fn a_side_that_may_not_be_told_is_left_with_its_copy_and_the_conversation_goes_on() {
    // Whoever only reads cannot tell the server; it does not take the name in again, and both come to an end.
    let (mut reader, mut server) = pair();
    name(&mut server, 1);
    server.write(10, OutingId::named("a"), 5);
    forget(&mut reader, 2);
    server.engine = Engine::answerer(Config { peer_reads_only: true, ..config(server.device) });
    let said = talk(&mut reader, &mut server);
    assert_eq!(said.closed, None);
    assert!(!holds(&mut reader) && holds(&mut server));
    assert_eq!((reader.engine.progress().stage, server.engine.progress().stage), (Stage::Met, Stage::Met), "{said:?}");
    // Later news of it are answered, and end nothing.
    stated(&mut server, 3, Fact::Person(Person { name: NAME.to_owned(), role: Role::Chief }));
    let news = [DocumentId::Person { person: who(), part: 1 }];
    let from_server = server.engine.handle(&mut server.log, NOW, Event::Changed(&news)).unwrap();
    let said = deliver(&mut reader, &mut server, Vec::new(), from_server);
    assert!(said.closed.is_none() && said.frames == 2, "{said:?}");
    assert!(!holds(&mut reader));
}
