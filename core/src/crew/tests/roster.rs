//! Chiefs who act at once end in the same state everywhere, and the safer reading wins.

use proptest::prelude::*;

use super::*;

/// A second chief, let in by the first.
fn two_chiefs() -> (CrewId, Phone, Phone, Phone, Vec<Stored>) {
    let (crew, mut first, recorder, mut register) = crew();
    let mut second = Phone::new(3);
    let (invite, invitation) = first.invite(crew, Role::Chief, roster(crew, &register).heads());
    register.extend([invitation, second.join(&invite)]);
    (crew, first, second, recorder, register)
}

fn end(crew: CrewId, register: &[Stored], more: &[&Stored]) -> Roster {
    let all: Vec<Stored> = register.iter().chain(more.iter().copied()).cloned().collect();
    roster(crew, &all)
}

#[test]
fn a_crew_begins_and_members_come_in() {
    let (crew, chief, recorder, register) = crew();
    let roster = roster(crew, &register);
    assert!(roster.has_begun());
    assert_eq!(roster.name(), "Invented crew");
    assert_eq!(roster.role(chief.device), Some(Role::Chief));
    assert_eq!(roster.role(recorder.device), Some(Role::Recorder));
    assert_eq!(roster.member(recorder.device).unwrap().how, How::Invited);
    assert_eq!(roster.open_invitations().count(), 0);
    assert!(!Roster::new(Phone::new(9).key.crew(), register.iter().map(|(id, b)| (*id, b.as_slice()))).has_begun());
}

#[test]
fn chiefs_who_shut_each_other_out_at_once_are_both_out() {
    let (crew, mut first, mut second, recorder, register) = two_chiefs();
    let seen = roster(crew, &register);
    let one = first.stand(second.device, None, Vec::new(), &seen);
    let other = second.stand(first.device, None, Vec::new(), &seen);
    let after = end(crew, &register, &[&one, &other]);
    assert_eq!((after.role(first.device), after.role(second.device)), (None, None));
    assert_eq!(after.role(recorder.device), Some(Role::Recorder), "the others stay");
}

#[test]
fn the_word_that_gives_less_counts() {
    let (crew, mut first, mut second, recorder, register) = two_chiefs();
    let seen = roster(crew, &register);
    let up = first.stand(recorder.device, Some(Role::Chief), Vec::new(), &seen);
    let down = second.stand(recorder.device, Some(Role::Reader), Vec::new(), &seen);
    let after = end(crew, &register, &[&up, &down]);
    assert_eq!(after.role(recorder.device), Some(Role::Reader));
    // Said after both were seen, the later word counts.
    let again = first.stand(recorder.device, Some(Role::Recorder), Vec::new(), &after);
    let last = end(crew, &register, &[&up, &down, &again]);
    assert_eq!(last.role(recorder.device), Some(Role::Recorder));
}

#[test]
fn what_a_chief_gives_while_being_shut_out_falls_and_so_does_what_was_built_on_it() {
    let (crew, mut first, mut second, recorder, register) = two_chiefs();
    let seen = roster(crew, &register);
    let mut puppet = Phone::new(4);
    let (invite, invitation) = second.invite(crew, Role::Chief, seen.heads());
    let joining = puppet.join(&invite);
    let theirs = end(crew, &register, &[&invitation, &joining]);
    assert_eq!(theirs.role(puppet.device), Some(Role::Chief), "as long as nothing else is known");
    let up = puppet.stand(recorder.device, Some(Role::Chief), Vec::new(), &theirs);
    let out = first.stand(second.device, None, Vec::new(), &seen);
    let after = end(crew, &register, &[&invitation, &joining, &up, &out]);
    assert_eq!(after.role(second.device), None);
    assert_eq!(after.role(puppet.device), None);
    assert_eq!(after.role(recorder.device), Some(Role::Recorder));
    // What it gave before it was shut out stays.
    let confirmed = second.stand(recorder.device, Some(Role::Recorder), Vec::new(), &seen);
    let later = first.stand(second.device, None, Vec::new(), &end(crew, &register, &[&confirmed]));
    let after = end(crew, &register, &[&confirmed, &later]);
    assert_eq!(after.member(recorder.device).unwrap().how, How::Confirmed);
}

#[test]
fn who_leaves_is_out_and_may_be_let_in_again() {
    let (crew, mut chief, mut recorder, mut register) = crew();
    let before = recorder.reading(outing());
    let seen = roster(crew, &register);
    let leaving = Leaving { reason: "moved away".to_owned(), known: vec![before.0], after: seen.heads() };
    register.push(recorder.state(Fact::Leaving(leaving)));
    let late = recorder.reading(outing());
    let gone = roster(crew, &register);
    assert_eq!(gone.role(recorder.device), None);
    assert_eq!((why(&gone, &before), why(&gone, &late)), (None, Some("left")));
    register.push(chief.stand(recorder.device, Some(Role::Recorder), Vec::new(), &gone));
    let back = roster(crew, &register);
    assert_eq!(back.role(recorder.device), Some(Role::Recorder));
    assert_eq!(why(&back, &late), None);
}

#[test]
fn what_was_logged_goes_on_counting_after_ups_and_downs() {
    let (crew, mut chief, mut recorder, mut register) = crew();
    register.push(chief.stand(recorder.device, Some(Role::Recorder), Vec::new(), &roster(crew, &register)));
    register.push(chief.stand(recorder.device, Some(Role::Chief), Vec::new(), &roster(crew, &register)));
    let early = recorder.reading(outing());
    let leave = |recorder: &mut Phone, known: &[&Stored], register: &[Stored]| {
        let known = known.iter().map(|s| s.0).collect();
        let after = roster(crew, register).heads();
        recorder.state(Fact::Leaving(Leaving { reason: "away".to_owned(), known, after }))
    };
    let left = leave(&mut recorder, &[&early], &register);
    register.push(left);
    register.push(chief.stand(recorder.device, Some(Role::Recorder), Vec::new(), &roster(crew, &register)));
    let later = recorder.reading(outing());
    let left = leave(&mut recorder, &[&early, &later], &register);
    register.push(left);
    let gone = roster(crew, &register);
    assert_eq!(gone.role(recorder.device), None);
    assert_eq!((why(&gone, &early), why(&gone, &later)), (None, None));
    assert_eq!(why(&gone, &recorder.reading(outing())), Some("left"));
}

#[test]
fn a_chief_vouches_for_what_nobody_signed() {
    let (crew, mut chief, mut recorder, mut register) = crew();
    let mut old = recorder.entry();
    old.state(Fact::Outing(Outing {
        name: "dry run".to_owned(),
        kind: OutingKind::Test,
        place: None,
        begins: None,
        slow_limit_ms: None,
        wait_minutes: None,
    }));
    let bytes = old.to_bytes().unwrap();
    let stored = (old.id, bytes.clone());
    assert_eq!(why(&roster(crew, &register), &stored), Some("unsigned"));
    let held = vec![Held { entry: old.id, hash: hash_of(&bytes) }];
    let word = Fact::Vouching(Vouching { held, reason: "before there was a crew".to_owned() });
    register.push(recorder.state(word.clone()));
    assert_eq!(why(&roster(crew, &register), &stored), Some("unsigned"), "a recorder's word is not enough");
    register.push(chief.state(word));
    let roster = roster(crew, &register);
    assert_eq!(why(&roster, &stored), None);
    let mut other = stored.clone();
    *other.1.last_mut().unwrap() ^= 1;
    assert_ne!(why(&roster, &other), None, "for these bytes only");
    // For a stranger's too, by what it says; never in another's name.
    let mut stranger = Phone::new(9);
    let strange = stranger.reading(outing());
    assert_eq!(why(&roster, &strange), Some("stranger"));
    let payload = envelope::payload_of(&strange.1).unwrap().into_owned();
    let held = vec![Held { entry: strange.0, hash: hash_of(&payload) }];
    register.push(chief.state(Fact::Vouching(Vouching { held, reason: "was with us".to_owned() })));
    assert_eq!(why(&super::roster(crew, &register), &strange), None);
}

/// What devices of a random crew do, some of them knowing less than others.
#[derive(Debug, Clone)]
enum Deed {
    Invite(usize, u8),
    Stand(usize, usize, Option<Role>),
    Leave(usize),
}

fn deed() -> impl Strategy<Value = Deed> {
    prop_oneof![
        (0..6_usize, 0..3_u8).prop_map(|(who, role)| Deed::Invite(who, role)),
        (0..6_usize, 0..6_usize, proptest::option::of(proptest::sample::select(Role::ALL)))
            .prop_map(|(who, whom, role)| Deed::Stand(who, whom, role)),
        (0..6_usize).prop_map(Deed::Leave),
    ]
}

fn parts(roster: &Roster) -> Vec<(DeviceId, Option<Role>, How)> {
    roster.members().map(|m| (m.device, m.role, m.how)).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn the_same_facts_give_the_same_crew_in_any_order(
        deeds in proptest::collection::vec((deed(), any::<prop::sample::Index>()), 1..14),
        order in any::<u64>(),
    ) {
        let mut phones: Vec<Phone> = (1..=6).map(Phone::new).collect();
        let crew = phones[0].key.crew();
        let mut all = vec![phones[0].found()];
        for (deed, seen) in deeds {
            // Whoever acts has seen the first so many facts, and perhaps not the last.
            let known = roster(crew, &all[..=seen.index(all.len())]);
            match deed {
                Deed::Invite(who, role) => {
                    let role = Role::from_number(role.into()).unwrap();
                    let (invite, invitation) = phones[who].invite(crew, role, known.heads());
                    all.push(invitation);
                    let joins = (who + 1) % phones.len();
                    all.push(phones[joins].join(&invite));
                }
                Deed::Stand(who, whom, role) => {
                    let device = phones[whom].device;
                    all.push(phones[who].stand(device, role, Vec::new(), &known));
                }
                Deed::Leave(who) => {
                    let leaving = Leaving { reason: String::new(), known: Vec::new(), after: known.heads() };
                    all.push(phones[who].state(Fact::Leaving(leaving)));
                }
            }
        }
        let first = roster(crew, &all);
        let mut shuffled = all.clone();
        let mut state = order | 1;
        for i in (1..shuffled.len()).rev() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            shuffled.swap(i, (state >> 33) as usize % (i + 1));
        }
        shuffled.extend_from_slice(&all[..all.len() / 2]);
        let second = roster(crew, &shuffled);
        prop_assert_eq!(parts(&first), parts(&second));
        prop_assert_eq!(first.heads(), second.heads());
        // Nobody whom no chief ever let in has a part.
        for member in first.members().filter(|m| m.role.is_some()) {
            prop_assert!(member.device == phones[0].device || matches!(member.how, How::Invited | How::Confirmed));
        }
    }
}
