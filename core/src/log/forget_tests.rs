//! Forgetting: the name is gone, and no way leads back.

use super::*;
use crate::facts::*;
use crate::store::{MemoryStore, Store, Summary, Write};

fn bits(seed: u64) -> impl FnMut() -> u64 + Send + 'static {
    let mut state = seed;
    move || {
        // A Weyl sequence, mixed by its own high half: distinct is all that is wanted here.
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        state ^ (state >> 32)
    }
}

const NAME: &str = "Wilhelmina Quast";

fn who() -> PersonId {
    PersonId::named(NAME)
}

fn log(seed: u64) -> Log<MemoryStore> {
    Log::open(MemoryStore::default(), bits(seed))
}

fn entry(n: i64, facts: impl IntoIterator<Item = Fact>) -> Entry {
    let at = Moment { unix_ms: n, offset_minutes: 0 };
    let mut entry = Entry::new(EntryId::new(n, &mut bits(n as u64)), DeviceId::named("phone"), at);
    for fact in facts {
        entry.state(fact);
    }
    entry
}

fn named(n: i64) -> Entry {
    entry(n, [Fact::Person(Person { name: NAME.into(), role: Role::Recorder })])
}

fn lot(n: i64) -> Fact {
    let mark = format!("L-{n}");
    Fact::Lot(Lot { mark, igniter_type: None, made_on: None, use_by: None, count: None, storage: None })
}

fn forgetting(n: i64) -> Entry {
    entry(n, [Fact::Forgotten(Forgotten { person: who(), reason: Some("left the crew".into()) })])
}

fn write(log: &mut Log<MemoryStore>, entry: &Entry) {
    log.write(Home::of(entry).unwrap(), entry).unwrap();
}

fn carry(log: &mut Log<MemoryStore>) -> Vec<u8> {
    let mut file = Vec::new();
    log.carry(&mut file).unwrap();
    file
}

/// Whether any fact that the log shows states the name, and whether any stored piece holds it.
fn shows(log: &mut Log<MemoryStore>) -> (bool, bool) {
    let mut shown = false;
    log.replay(|_, e| shown |= e.facts.iter().any(|s| s.fact.texts().iter().any(|t| t.contains(NAME)))).unwrap();
    let mut store = log.store().clone();
    let mut stored = false;
    for line in store.list().unwrap() {
        for piece in store.load(&line.document).unwrap().pieces {
            stored |= piece.bytes.windows(NAME.len()).any(|w| w == NAME.as_bytes());
        }
    }
    (shown, stored)
}

#[test]
fn a_name_has_a_document_of_its_own_and_stands_nowhere_else() {
    let mut log = log(1);
    let mixed = entry(1, [lot(1), Fact::Person(Person { name: NAME.into(), role: Role::Chief })]);
    assert_eq!(Home::of(&mixed), None);
    for home in [Home::Register, Home::Person(who()), Home::Outing(OutingId::named("o"))] {
        assert!(matches!(log.write(home, &mixed), Err(LogError::Misplaced { .. })), "{home:?}");
    }
    assert!(matches!(log.write(Home::Register, &named(2)), Err(LogError::Misplaced { .. })));
    assert!(matches!(log.write(Home::Person(PersonId::named("Ada")), &named(2)), Err(LogError::Misplaced { .. })));
    write(&mut log, &named(2));
    let documents: Vec<_> = log.list().unwrap().into_iter().map(|line| line.document).collect();
    assert_eq!(documents, [DocumentId::Person { person: who(), part: 1 }]);
    assert_eq!(shows(&mut log), (true, true), "the search finds what is there");
}

#[test]
fn a_forgotten_name_is_gone_from_log_and_store_with_what_was_kept_about_it_and_cannot_be_stated_again() {
    let mut log = log(1);
    write(&mut log, &named(1));
    write(&mut log, &entry(2, [lot(1)]));
    let document = DocumentId::Person { person: who(), part: 1 };
    let met = format!("met/{}/{document}", DeviceId::named("peer"));
    log.store_mut().commit(&[Write::Keep { key: met.clone(), value: vec![1] }]).unwrap();
    write(&mut log, &forgetting(3));
    assert_eq!(shows(&mut log), (false, false));
    assert_eq!(log.store().kept(&met).unwrap(), None);
    assert!(log.is_forgotten(who()).unwrap() && log.is_dropped(&document).unwrap());
    assert!(log.outline().unwrap().iter().all(|(d, _)| *d != document));
    assert!(
        matches!(log.write(Home::Person(who()), &named(4)), Err(LogError::Forgotten { person }) if person == who())
    );
    assert!(matches!(log.snapshot(document), Err(LogError::Forgotten { .. })));
    // Said again it changes nothing, and the log opens as before.
    write(&mut log, &forgetting(5));
    let mut again = Log::open(log.into_store(), bits(2));
    assert_eq!(shows(&mut again), (false, false));
    assert!(matches!(again.write(Home::Person(who()), &named(6)), Err(LogError::Forgotten { .. })));
    assert!(again.problems().is_empty());
}

#[test]
fn an_old_carry_file_does_not_bring_the_name_back_and_a_new_one_takes_it_away() {
    let (mut chief, mut away) = (log(1), log(2));
    write(&mut chief, &named(1));
    let old = carry(&mut chief);
    assert_eq!(away.absorb(&old).unwrap().forgotten, 0);
    assert_eq!(shows(&mut away), (true, true));
    write(&mut chief, &forgetting(2));
    write(&mut away, &entry(3, [lot(3)]));
    // From the device that was away, and from the file as it was made before.
    for file in [carry(&mut away), old.clone()] {
        let absorbed = chief.absorb(&file).unwrap();
        assert_eq!(absorbed.forgotten, 1);
        assert_eq!(shows(&mut chief), (false, false));
    }
    away.absorb(&carry(&mut chief)).unwrap();
    assert_eq!(shows(&mut away), (false, false));
    assert_eq!(away.absorb(&old).unwrap().forgotten, 1);
    assert_eq!(away.outline().unwrap(), chief.outline().unwrap());
    // Into a log that knows nothing yet, both at once in one file, name and word: the word wins.
    let mut fresh = log(4);
    fresh.absorb(&carry(&mut chief)).unwrap();
    assert_eq!(fresh.absorb(&old).unwrap().forgotten, 1);
}

#[test]
fn a_name_that_came_back_behind_the_logs_back_is_never_shown_and_dropped_again() {
    let mut log = log(1);
    write(&mut log, &named(1));
    let document = DocumentId::Person { person: who(), part: 1 };
    let saved = log.snapshot(document).unwrap().save();
    write(&mut log, &forgetting(2));
    let mut behind = log.store().clone();
    let back = Write::Append { document, chunk: saved.clone(), summary: Summary::default() };
    for look in [0, 1, 2] {
        behind.commit(std::slice::from_ref(&back)).unwrap();
        assert!(log.list().unwrap().iter().all(|line| line.document != document));
        match look {
            0 => drop(log.refresh().unwrap()),
            1 => drop(log.outline().unwrap()),
            _ => log.replay(|_, _| ()).unwrap(),
        }
        assert!(behind.list().unwrap().iter().all(|line| line.document != document), "look {look}");
    }
    // A store that lost its mark, but whose register says it.
    let mut unmarked = MemoryStore::new();
    for line in behind.list().unwrap() {
        for piece in behind.load(&line.document).unwrap().pieces {
            let write = Write::Append { document: line.document, chunk: piece.bytes, summary: Summary::default() };
            unmarked.commit(&[write]).unwrap();
        }
    }
    unmarked.commit(&[back]).unwrap();
    let mut log = Log::open(unmarked, bits(3));
    assert_eq!(shows(&mut log), (false, false));
    assert!(log.is_forgotten(who()).unwrap());
}

#[test]
fn a_process_that_writes_the_name_while_another_forgets_it_leaves_nothing_behind() {
    let store = MemoryStore::new();
    let (mut one, mut two) = (Log::open(store.clone(), bits(1)), Log::open(store.clone(), bits(2)));
    write(&mut one, &named(1));
    one.replay(|_, _| ()).unwrap();
    write(&mut two, &forgetting(2));
    // It still has the document in memory.
    assert!(matches!(one.write(Home::Person(who()), &named(3)), Err(LogError::Forgotten { .. })));
    one.refresh().unwrap();
    assert_eq!(shows(&mut one), (false, false));
}

#[test]
fn a_name_in_an_old_register_goes_on_being_read_and_forgetting_it_is_refused() {
    // As the first version wrote it: among other things, in the register.
    let old = entry(1, [lot(1), Fact::Person(Person { name: NAME.into(), role: Role::Chief })]);
    let mut document = Document::empty([7; 16]);
    let chunk = document.put(&[(old.id, old.to_bytes().unwrap())]).unwrap();
    let mut store = MemoryStore::new();
    let register = DocumentId::Register { part: 1 };
    store.commit(&[Write::Append { document: register, chunk, summary: Summary::default() }]).unwrap();
    let mut log = Log::open(store, bits(1));
    assert_eq!(shows(&mut log), (true, true));
    let refused = log.write(Home::Register, &forgetting(2)).unwrap_err();
    assert!(matches!(refused, LogError::NameInRegister { document, .. } if document == register), "{refused}");
    assert!(!refused.to_string().contains(NAME));
    assert!(!log.is_forgotten(who()).unwrap());
    // Somebody else had it forgotten: the word is taken in, and the ledger shows the name no more.
    let mut elsewhere = self::log(2);
    write(&mut elsewhere, &forgetting(3));
    log.absorb(&carry(&mut elsewhere)).unwrap();
    let mut ledger = crate::ledger::Ledger::new();
    log.replay(|_, e| ledger.add(&e)).unwrap();
    ledger.settle();
    assert!(ledger.register().people().is_empty());
    let called = ledger.register().name(RegisterId::Person(who())).unwrap();
    assert_eq!(called, format!("forgotten person {}", &who().to_string()[..8]));
}

#[test]
fn evidence_cannot_be_hidden_in_a_document_that_will_be_dropped() {
    let smuggled = entry(1, [lot(1)]);
    let mut document = Document::empty([7; 16]);
    let chunk = document.put(&[(smuggled.id, smuggled.to_bytes().unwrap())]).unwrap();
    let mut log = log(1);
    let id = DocumentId::Person { person: who(), part: 1 };
    assert!(matches!(log.absorb_changes(id, &chunk), Err(LogError::Unreadable { .. })));
    assert!(log.list().unwrap().is_empty());
}
