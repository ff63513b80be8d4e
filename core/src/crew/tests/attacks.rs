//! The attacker, for real: forged, moved, altered, borrowed, and from those who may not.

use super::*;

#[test]
fn what_a_member_wrote_counts_and_what_was_made_of_it_does_not() {
    let (crew, _, mut recorder, register) = crew();
    let roster = roster(crew, &register);
    let good = recorder.reading(outing());
    assert_eq!(why(&roster, &good), None);

    let elsewhere = EntryId::from_bytes([9; 16]);
    assert_eq!(why(&roster, &(elsewhere, good.1.clone())), Some("forged"), "replayed under another id");
    let moved = roster.judge(Some(*OutingId::named("another").as_bytes()), good.0, &good.1, false);
    assert_eq!(moved, Err(Apart::Forged), "moved into another outing");
    assert_eq!(roster.judge(None, good.0, &good.1, false), Err(Apart::Forged), "moved into the register");

    // Every bit flipped, and every cut.
    for at in 0..good.1.len() {
        for bit in 0..8 {
            let mut altered = good.1.clone();
            altered[at] ^= 1 << bit;
            assert!(why(&roster, &(good.0, altered)).is_some(), "byte {at}, bit {bit}");
        }
        assert!(why(&roster, &(good.0, good.1[..at].to_vec())).is_some(), "cut at {at}");
    }
    let unsigned = envelope::payload_of(&good.1).unwrap().into_owned();
    assert_eq!(why(&roster, &(good.0, unsigned)), Some("unsigned"));
}

#[test]
fn nobody_writes_in_the_name_of_another() {
    let (crew, chief, mut recorder, register) = crew();
    let roster = roster(crew, &register);
    let mut entry = recorder.entry();
    entry.device = chief.device;
    entry.state(Fact::Seal(Seal { outing: outing(), held: Vec::new(), count: 0, digest: [0; 32] }));
    assert_eq!(why(&roster, &recorder.sign(Some(outing()), &entry)), Some("forged"), "signed by another key");
    let place = Place { home: Some(*outing().as_bytes()), entry: entry.id };
    entry.name_by_content().unwrap();
    let place = Place { entry: entry.id, ..place };
    let told = Envelope::seal(&recorder.key, place, entry.to_bytes().unwrap(), Some(recorder.device)).unwrap();
    assert_eq!(why(&roster, &(entry.id, told)), Some("borrowed"));
    // A name from a file is no device: whoever brought the file in signs for it.
    entry.device = DeviceId::named("a column of a file");
    entry.facts.clear();
    entry.name_by_content().unwrap();
    let place = Place { entry: entry.id, ..place };
    let brought = Envelope::seal(&recorder.key, place, entry.to_bytes().unwrap(), Some(recorder.device)).unwrap();
    assert_eq!(why(&roster, &(entry.id, brought)), None);
}

#[test]
fn strangers_and_readers_are_not_counted() {
    let (crew, mut chief, _, mut register) = crew();
    let mut stranger = Phone::new(7);
    let others_crew = stranger.found();
    register.push(others_crew.clone());
    let self_made = stranger.state(Fact::Standing(Standing {
        device: stranger.device,
        key: Some(stranger.key.public()),
        role: Some(Role::Chief),
        reason: "I say so".to_owned(),
        known: Vec::new(),
        after: roster(crew, &register).heads(),
    }));
    register.push(self_made.clone());
    let mut reader = Phone::new(8);
    let (invite, invitation) = chief.invite(crew, Role::Reader, roster(crew, &register).heads());
    let joining = reader.join(&invite);
    register.extend([invitation, joining.clone()]);
    let roster = roster(crew, &register);
    assert_eq!(why(&roster, &stranger.reading(outing())), Some("stranger"));
    assert_eq!(roster.judge(None, others_crew.0, &others_crew.1, false), Err(Apart::Stranger));
    assert_eq!(roster.judge(None, self_made.0, &self_made.1, false), Err(Apart::Stranger));
    assert_eq!(roster.role(reader.device), Some(Role::Reader));
    assert!(roster.judge(None, joining.0, &joining.1, false).is_ok(), "its own joining");
    assert_eq!(why(&roster, &reader.reading(outing())), Some("not_allowed"));
}

#[test]
fn a_recorder_does_not_do_what_a_chief_does() {
    let (crew, chief, mut recorder, mut register) = crew();
    let before = roster(crew, &register);
    let mutiny = recorder.stand(chief.device, None, Vec::new(), &before);
    let (invite, invitation) = recorder.invite(crew, Role::Chief, before.heads());
    let mut friend = Phone::new(9);
    register.extend([mutiny.clone(), invitation, friend.join(&invite)]);
    let after = roster(crew, &register);
    assert_eq!(after.role(chief.device), Some(Role::Chief));
    assert_eq!(after.role(friend.device), None);
    let judged = after.judge(None, mutiny.0, &mutiny.1, false);
    assert!(matches!(judged, Err(Apart::NotAllowed { role: Role::Recorder, .. })), "{judged:?}");
}

#[test]
fn a_device_that_was_shut_out_is_believed_for_what_was_known_and_for_nothing_after() {
    let (crew, mut chief, mut recorder, mut register) = crew();
    let (before, late) = (recorder.reading(outing()), recorder.reading(outing()));
    let known = vec![before.0, register[2].0];
    let standing = chief.stand(recorder.device, None, known, &roster(crew, &register));
    register.push(standing);
    let after = roster(crew, &register);
    assert_eq!(after.role(recorder.device), None);
    assert_eq!(why(&after, &before), None);
    assert_eq!(why(&after, &late), Some("shut_out"), "a clock set back does not help it: {late:?}");
    // Whoever has its key may date an entry as it likes.
    let mut backdated = recorder.entry();
    backdated.id = EntryId::new(1, &mut || 77);
    backdated.written = Moment { unix_ms: 1, offset_minutes: 0 };
    assert_eq!(why(&after, &recorder.sign(Some(outing()), &backdated)), Some("shut_out"));
}

#[test]
fn an_invitation_lets_in_one_device() {
    let (crew, mut chief, recorder, mut register) = crew();
    let mut chief_only = Phone::new(1);
    let _ = chief_only.found();
    let (invite, _) = chief_only.invite(crew, Role::Recorder, Vec::new());
    // Somebody took a picture of the code.
    let mut thief = Phone::new(6);
    register.push(thief.join(&invite));
    let two = roster(crew, &register);
    assert_eq!((two.role(recorder.device), two.role(thief.device)), (None, None));
    assert_eq!(why(&two, &thief.reading(outing())), Some("invitation_spent"));
    let confirmed = chief.stand(recorder.device, Some(Role::Recorder), Vec::new(), &two);
    register.push(confirmed);
    let after = roster(crew, &register);
    assert_eq!(after.role(recorder.device), Some(Role::Recorder));
    assert_eq!(after.member(recorder.device).unwrap().how, How::Confirmed);
    assert_eq!(after.role(thief.device), None);
}

#[test]
fn an_invitation_ends() {
    let (crew, mut chief, _, mut register) = crew();
    let (invite, invitation) = chief.invite(crew, Role::Recorder, roster(crew, &register).heads());
    let mut late = Phone::new(6);
    let mut entry = late.entry();
    entry.written.unix_ms = HOUR + 1;
    entry.state(Fact::Joining(invite.joining(&late.key, Vec::new())));
    register.extend([invitation, late.sign(None, &entry)]);
    assert_eq!(roster(crew, &register).role(late.device), None);
}

/// Nobody can put another entry under an id that is taken, and so erase what stands there.
#[test]
fn a_crew_fact_cannot_be_erased_by_another_under_its_id() {
    let (crew, mut chief, recorder, mut register) = crew();
    register.push(chief.stand(recorder.device, None, Vec::new(), &roster(crew, &register)));
    let mut stranger = Phone::new(7);
    for victim in register.clone() {
        let mut entry = stranger.entry();
        entry.state(Fact::Founding(Founding { key: stranger.key.public(), name: "Others".to_owned() }));
        entry.id = victim.0;
        let place = Place { home: None, entry: victim.0 };
        let evil = (victim.0, Envelope::seal(&stranger.key, place, entry.to_bytes().unwrap(), None).unwrap());
        for all in [[register.clone(), vec![evil.clone()]].concat(), [vec![evil.clone()], register.clone()].concat()] {
            let roster = roster(crew, &all);
            assert!(roster.has_begun());
            assert_eq!((roster.role(chief.device), roster.role(recorder.device)), (Some(Role::Chief), None));
        }
    }
}

#[test]
fn joining_twice_by_a_spent_code_confirms_nothing() {
    let (crew, mut chief, recorder, mut register) = crew();
    let confirmed = chief.stand(recorder.device, Some(Role::Recorder), Vec::new(), &roster(crew, &register));
    register.push(confirmed);
    // The thief has the code of the recorder's invitation.
    let mut again = Phone::new(1);
    let founding = again.found();
    let (invite, _) = again.invite(crew, Role::Recorder, vec![FactId { entry: founding.0, place: 0 }]);
    let mut thief = Phone::new(6);
    let first = thief.join(&invite);
    let second = thief.state(Fact::Joining(invite.joining(&thief.key, vec![FactId { entry: first.0, place: 0 }])));
    register.extend([first, second]);
    let roster = roster(crew, &register);
    assert_eq!((roster.role(recorder.device), roster.role(thief.device)), (Some(Role::Recorder), None));
    // Nor does anything that it then does to others.
    let out = thief.stand(chief.device, None, Vec::new(), &roster);
    register.push(out);
    assert_eq!(super::roster(crew, &register).role(chief.device), Some(Role::Chief));
}

#[test]
fn an_invitation_that_somebody_makes_up_keeps_nobody_waiting() {
    let (crew, mut chief, recorder, mut register) = crew();
    let Fact::Invitation(real) = envelope::entry_in(register[1].0, &register[1].1).unwrap().facts[0].fact.clone()
    else {
        panic!("an invitation")
    };
    let mut reader = Phone::new(8);
    let (invite, invitation) = chief.invite(crew, Role::Reader, roster(crew, &register).heads());
    register.extend([invitation, reader.join(&invite)]);
    let nowhere = vec![FactId { entry: EntryId::from_bytes([1; 16]), place: 0 }];
    register.push(reader.state(Fact::Invitation(Invitation { after: nowhere, ..real })));
    assert_eq!(roster(crew, &register).role(recorder.device), Some(Role::Recorder));
}

#[test]
fn who_has_left_does_nothing_more_with_a_clock_set_back() {
    let (crew, mut chief, mut recorder, mut register) = crew();
    register.push(chief.stand(recorder.device, Some(Role::Chief), Vec::new(), &roster(crew, &register)));
    let before = roster(crew, &register);
    let leaving = Leaving { reason: "moved away".to_owned(), known: Vec::new(), after: before.heads() };
    register.push(recorder.state(Fact::Leaving(leaving)));
    let puppet = Phone::new(9);
    let standing = Standing {
        device: puppet.device,
        key: Some(puppet.key.public()),
        role: Some(Role::Chief),
        reason: "I had said so before".to_owned(),
        known: Vec::new(),
        after: before.heads(),
    };
    register.push(recorder.state(Fact::Standing(standing)));
    assert_eq!(roster(crew, &register).role(puppet.device), None);
}

#[test]
fn an_ended_invitation_lets_in_nobody_who_was_not_known() {
    let (crew, mut chief, recorder, mut register) = crew();
    let (invite, invitation) = chief.invite(crew, Role::Chief, roster(crew, &register).heads());
    register.push(invitation);
    let after = roster(crew, &register).heads();
    let end = Invitation { until: Moment { unix_ms: 0, offset_minutes: 0 }, ..invite.fact(after) };
    register.push(chief.state(Fact::Invitation(end)));
    assert_eq!(roster(crew, &register).open_invitations().count(), 0);
    let mut late = Phone::new(9);
    register.push(late.join(&invite));
    let roster = roster(crew, &register);
    assert_eq!(roster.role(late.device), None, "although it says that it was written in time");
    assert_eq!(roster.role(recorder.device), Some(Role::Recorder));
}

#[test]
fn a_flood_of_crew_facts_by_a_member_stops_nothing() {
    let (crew, mut chief, mut recorder, mut register) = crew();
    for _ in 0..40 {
        let mut entry = recorder.entry();
        for n in 0..60 {
            let leaving = Leaving { reason: n.to_string(), known: Vec::new(), after: Vec::new() };
            entry.state(Fact::Leaving(leaving));
        }
        register.push(recorder.sign(None, &entry));
    }
    let flooded = roster(crew, &register);
    assert!(flooded.heads().len() < 20, "{} heads", flooded.heads().len());
    register.push(chief.stand(recorder.device, None, Vec::new(), &flooded));
    assert_eq!(roster(crew, &register).role(recorder.device), None);
}
