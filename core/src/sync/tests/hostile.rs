//! A server that is not honest: it drops entries, hands them on in another order, and invents some.

use automerge::transaction::Transactable;
use automerge::{AutoCommit, ROOT, ReadDoc};

use super::*;
use crate::crew::{DeviceKey, Invite, SealFault, Sealed};
use crate::facts::{EntryHash, Fact, Founding, Held, Invitation, MadeSafe, Role};
use crate::log::Document;

fn outing() -> OutingId {
    OutingId::named("dry run")
}

/// A member's device.
struct Member {
    side: Side,
    key: DeviceKey,
    n: u64,
}

impl Member {
    fn new(seed: u8) -> Self {
        let key = DeviceKey::from_seed(&[seed; 32]);
        let mut side = Side::new(seed.into(), MemoryStore::new(), true);
        side.device = key.device(NOW as i64);
        side.log.sign_with(key.clone(), side.device);
        side.engine = Engine::opener(config(side.device));
        Self { side, key, n: u64::from(seed) << 32 }
    }

    fn state(&mut self, fact: Fact) -> EntryId {
        self.n += 1;
        let at = Moment { unix_ms: NOW as i64, offset_minutes: 0 };
        let ms = self.side.log.next_ms(at.unix_ms).unwrap();
        let mut entry = Entry::new(EntryId::new(ms, &mut seeded(self.n)), self.side.device, at);
        entry.state(fact);
        entry.name_by_content().unwrap();
        self.side.log.write(Home::of(&entry).unwrap(), &entry).unwrap();
        entry.id
    }

    fn reading(&mut self) -> EntryId {
        let at = Moment { unix_ms: NOW as i64, offset_minutes: 0 };
        self.state(Fact::Reading(Reading { outing: outing(), at, conditions: Conditions::default(), source: None }))
    }

    fn meet(&mut self, other: &mut Side) {
        let said = talk(&mut self.side, other);
        assert_eq!(said.closed, None);
        reconnect(&mut self.side, other);
    }
}

/// A chief and a recorder who know each other.
fn crew() -> (Member, Member) {
    let (mut chief, mut recorder) = (Member::new(1), Member::new(2));
    let crew = chief.key.crew();
    chief.side.log.set_crew(crew).unwrap();
    chief.state(Fact::Founding(Founding { key: chief.key.public(), name: "Invented crew".to_owned() }));
    let invite = Invite::new(crew, Role::Recorder, NOW as i64 + 1, &mut seeded(3));
    let after = chief.side.log.members().unwrap().unwrap().heads();
    let invitation: Invitation = invite.fact(after);
    chief.state(Fact::Invitation(invitation));
    recorder.side.log.set_crew(crew).unwrap();
    recorder.state(Fact::Joining(invite.joining(&recorder.key, Vec::new())));
    (chief, recorder)
}

/// Fills a log with entries as they were signed, in a document of its own making, in any order. Each telling has an actor
/// of its own: two under one are refused as they are.
fn retell(log: &mut Log<MemoryStore>, actor: u8, document: DocumentId, entries: &[(EntryId, Vec<u8>)]) {
    let mut doc = AutoCommit::load(&Document::empty([actor; 16]).save()).unwrap();
    doc.set_actor(automerge::ActorId::from([actor; 16]));
    let (_, map) = doc.get(ROOT, "entries").unwrap().unwrap();
    for (id, bytes) in entries {
        doc.put(&map, id.to_string(), bytes.clone()).unwrap();
    }
    log.absorb_changes(document, &doc.save()).unwrap();
}

fn stored(log: &mut Log<MemoryStore>, document: DocumentId) -> Vec<(EntryId, Vec<u8>)> {
    log.snapshot(document).unwrap().entries().into_iter().map(|e| (e.id, e.bytes)).collect()
}

#[test]
fn what_a_server_invents_is_kept_apart_and_what_it_drops_is_missed_by_the_seal() {
    let (mut chief, mut recorder) = crew();
    let all: Vec<EntryId> = (0..5).map(|_| chief.reading()).collect();
    let mut honest = Side::new(50, MemoryStore::new(), false);
    chief.meet(&mut honest);

    // It hands on the register as it is, and of the outing all but one entry, last ones first, with two of its own: one
    // in a device's name that is not its own, and one that says that something is safe.
    let (register, place) = (Home::Register.part(1), Home::Outing(outing()).part(1));
    let mut hostile = Side::new(51, MemoryStore::new(), false);
    retell(&mut hostile.log, 0xee, register, &stored(&mut honest.log, register));
    let dropped = all[2];
    let mut told: Vec<_> = stored(&mut honest.log, place).into_iter().filter(|(id, _)| *id != dropped).collect();
    told.reverse();
    let at = Moment { unix_ms: NOW as i64, offset_minutes: 0 };
    let invent = |n: u64, fact: Fact, as_device: DeviceId, signer: Option<&DeviceKey>| {
        let mut entry = Entry::new(EntryId::new(at.unix_ms, &mut seeded(n)), as_device, at);
        entry.state(fact);
        entry.name_by_content().unwrap();
        let mut log = Log::open(MemoryStore::new(), seeded(n));
        if let Some(key) = signer {
            log.sign_with(key.clone(), as_device);
        }
        log.write(Home::Outing(outing()), &entry).unwrap();
        stored(&mut log, place).remove(0)
    };
    let own = DeviceKey::from_seed(&[66; 32]);
    let reading = Reading { outing: outing(), at, conditions: Conditions::default(), source: None };
    let safe = MadeSafe { shots: Vec::new(), by: None, at: Some(at), how: Some("says the server".to_owned()) };
    told.push(invent(90, Fact::Reading(reading), chief.side.device, Some(&own)));
    told.push(invent(91, Fact::MadeSafe(safe), chief.side.device, None));
    retell(&mut hostile.log, 0xee, place, &told);
    recorder.meet(&mut hostile);

    let counted = recorder.side.entries();
    for id in &all {
        assert_eq!(counted.contains(id), *id != dropped, "in whatever order they came, those that came count");
    }
    let mut apart: Vec<_> = recorder.side.log.apart().iter().map(|a| (a.entry, a.why.code())).collect();
    apart.sort_unstable_by_key(|(_, code)| *code);
    assert_eq!(apart, [(told[4].0, "forged"), (told[5].0, "unsigned")]);

    // The chief seals what it has; once the two meet with nobody between, the recorder has all of it, and until then the
    // seal says what is missing.
    let held = chief.side.log.held_in(outing()).unwrap();
    let list = held.iter().map(|(entry, hash): (&EntryId, &EntryHash)| Held { entry: *entry, hash: *hash });
    let facts = Sealed::facts(outing(), list.collect());
    let seals: Vec<EntryId> = facts.into_iter().map(|fact| chief.state(Fact::Seal(fact))).collect();
    let only_the_seal: Vec<_> =
        stored(&mut chief.side.log, place).into_iter().filter(|(id, _)| seals.contains(id)).collect();
    told.extend(only_the_seal);
    let mut again = Side::new(52, MemoryStore::new(), false);
    retell(&mut again.log, 0xef, place, &told);
    recorder.meet(&mut again);
    let seal = recorder.side.log.seals(outing()).unwrap().remove(0);
    let here = recorder.side.log.held_in(outing()).unwrap();
    assert_eq!(seal.faults(&here), [SealFault::Missing(dropped)]);
    chief.side.engine = Engine::answerer(config(chief.side.device));
    recorder.meet(&mut chief.side);
    let here = recorder.side.log.held_in(outing()).unwrap();
    assert_eq!(seal.faults(&here), []);
    assert!(recorder.side.entries().contains(&dropped));
    assert_eq!(chief.side.entries(), recorder.side.entries());
}
