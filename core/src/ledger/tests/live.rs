use super::*;
use LiveReason::{Failed, IgnitionDisputed, NothingSeen, Skipped, TransferDisputed, Unlit, Unseen};

fn reasons(c: &mut Crew) -> Vec<LiveReason> {
    c.settled().live().iter().map(|l| l.reason).collect()
}

#[test]
fn what_failed_is_unlit_skipped_or_without_a_word_is_live() {
    let mut c = Crew::new();
    let v = c.volley(1, volley(Wiring::Parallel, ["1", "2", "3", "4", "5", "6"].map(shot).to_vec()));
    c.see(
        1,
        v,
        vec![
            failed(1),
            saw(2, Ignition::Fired, Transfer::Unlit),
            saw(3, Ignition::Skipped, Transfer::Unlit),
            saw(4, Ignition::Fired, Transfer::Unseen),
            fired(5),
        ],
    );
    assert_eq!(reasons(&mut c), [Failed, Unlit, Skipped, Unseen, NothingSeen]);
}

#[test]
fn of_a_dispute_the_safer_reading_holds_until_a_ruling() {
    let mut c = Crew::new();
    let v = c.volley(1, volley(Wiring::Parallel, vec![shot("1"), shot("2")]));
    c.see_as("Ada", v, vec![fired(1), fired(2)]);
    c.see_as("Ben", v, vec![failed(1), saw(2, Ignition::Slow, Transfer::Unlit)]);
    assert_eq!(reasons(&mut c), [IgnitionDisputed, TransferDisputed]);
    let word = Ruling { ignition: Some(Ignition::Fired), transfer: Some(Transfer::Lit), ..ruling(at(v, 1)) };
    c.state(1, Fact::Ruling(word));
    assert_eq!(reasons(&mut c), [TransferDisputed]);
}

#[test]
fn unseen_without_a_fuse_is_nothing_to_be_afraid_of() {
    let mut c = Crew::new();
    let v = c.volley(1, volley(Wiring::Single, vec![Shot { fuse: None, ..shot("1") }]));
    c.see(1, v, vec![saw(1, Ignition::Fired, Transfer::Unseen)]);
    assert!(reasons(&mut c).is_empty());
}

#[test]
fn made_safe_by_any_slot_is_off_the_list_until_taken_back() {
    let mut c = Crew::new();
    let (a, b) = (c.volley(1, single("1")), c.volley(2, single("1")));
    c.see(1, a, vec![failed(1)]);
    let safe = c.make_safe(vec![at(b, 1)]);
    assert!(reasons(&mut c).is_empty());
    assert!(c.ledger.finding(at(a, 1)).unwrap().is_made_safe);
    c.withdraw(safe);
    assert_eq!(reasons(&mut c), [Failed]);
}

#[test]
fn a_unit_is_listed_once_by_its_last_attempt() {
    let mut c = Crew::new();
    let a = c.volley(1, single("1"));
    c.see(1, a, vec![failed(1)]);
    let b = c.volley(1, volley(Wiring::Single, vec![retry("1", 2)]));
    let last = |c: &mut Crew| c.settled().live().iter().map(|l| (l.shot.id, l.reason)).collect::<Vec<_>>();
    assert_eq!(last(&mut c), [(at(b, 1), NothingSeen)]);
    let seen = c.see(1, b, vec![failed(1)]);
    assert_eq!(last(&mut c), [(at(b, 1), Failed)]);
    c.correct(1, seen, Fact::Sightings(Sightings { volley: b, observer: None, seen: vec![fired(1)] }));
    assert!(last(&mut c).is_empty(), "what fired at last is not live for its earlier attempts");
}

/// Igniters on one channel as a device wrote them and saw them fail.
fn failed_on_channel(c: &mut Crew, by: u8, shots: Vec<Shot>) -> VolleyId {
    let seen = (1..=shots.len() as u16).map(failed).collect();
    let v = c.volley(by, on_channel("M1", 3, volley(Wiring::Series, shots)));
    c.see(by, v, seen);
    v
}

fn of_lot(lot: &str, unit: &str) -> Shot {
    Shot { lot: LotId::named(lot), ..shot(unit) }
}

fn a_show() -> Crew {
    let mut c = Crew::new();
    c.state(1, Fact::Outing(outing(OutingKind::Show)));
    c
}

#[test]
fn two_phones_that_name_different_igniters_on_one_channel_leave_both_live() {
    for (mine, theirs) in [(of_lot("LA", "1"), of_lot("LB", "7")), (of_lot("LA", "1"), of_lot("LA", "2"))] {
        let mut c = a_show();
        let a = failed_on_channel(&mut c, 1, vec![mine.clone()]);
        let b = failed_on_channel(&mut c, 2, vec![theirs]);
        assert_eq!(reasons(&mut c), [Failed, Failed]);
        let p = Proposal { first: a, second: b, likeness: Likeness::SameChannelContradicts };
        assert_eq!(c.ledger.proposals(), [p]);
        let safe = c.make_safe(vec![at(a, 1)]);
        assert_eq!(reasons(&mut c), [Failed], "what was made safe is one of the two");
        c.withdraw(safe);
        let again = c.volley(1, on_channel("M1", 3, volley(Wiring::Single, vec![Shot { attempt: 2, ..mine }])));
        c.see(1, again, vec![fired(1)]);
        assert_eq!(reasons(&mut c), [Failed], "what was tried again is one of the two");
    }
}

#[test]
fn a_lot_corrected_to_another_takes_a_channel_apart_and_back_together() {
    let mut c = a_show();
    failed_on_channel(&mut c, 1, vec![of_lot("LA", "")]);
    let b = failed_on_channel(&mut c, 2, vec![of_lot("LA", "")]);
    assert_eq!(reasons(&mut c).len(), 1);
    let other = on_channel("M1", 3, volley(Wiring::Series, vec![of_lot("LB", "")]));
    let corrected = c.correct(2, b.0, Fact::Volley(other));
    assert_eq!(reasons(&mut c).len(), 2);
    c.withdraw(corrected);
    assert_eq!(reasons(&mut c).len(), 1);
}

#[test]
fn contradicting_igniters_joined_by_a_person_stay_live_until_each_is_cleared() {
    let mut c = a_show();
    let a = failed_on_channel(&mut c, 1, vec![of_lot("LA", "1")]);
    let b = failed_on_channel(&mut c, 2, vec![of_lot("LB", "7")]);
    c.matched(a, b, true);
    assert_eq!(reasons(&mut c), [Failed], "a person's word joins them");
    assert!(c.ledger.proposals().is_empty());
    let safe = c.make_safe(vec![at(a, 1)]);
    assert_eq!(reasons(&mut c), [Failed]);
    assert!(!c.ledger.finding(at(a, 1)).unwrap().is_made_safe);
    c.make_safe(vec![at(b, 1)]);
    assert!(reasons(&mut c).is_empty());
    c.withdraw(safe);
    assert_eq!(reasons(&mut c), [Failed]);
    let again = Shot { attempt: 2, ..of_lot("LA", "1") };
    let again = c.volley(1, on_channel("M1", 3, volley(Wiring::Single, vec![again])));
    c.see(1, again, vec![fired(1)]);
    assert!(reasons(&mut c).is_empty(), "one was tried again, the other made safe");
}

#[test]
fn a_retry_clears_only_one_of_contradicting_igniters_joined_by_a_person() {
    let mut c = a_show();
    let a = failed_on_channel(&mut c, 1, vec![of_lot("LA", "1")]);
    let b = failed_on_channel(&mut c, 2, vec![of_lot("LB", "7")]);
    c.matched(a, b, true);
    let again = Shot { attempt: 2, ..of_lot("LA", "1") };
    let again = c.volley(1, on_channel("M1", 3, volley(Wiring::Single, vec![again])));
    c.see(1, again, vec![fired(1)]);
    assert_eq!(reasons(&mut c), [Failed]);
}

#[test]
fn a_label_that_one_phone_left_out_is_made_safe_by_either() {
    let mut c = a_show();
    failed_on_channel(&mut c, 1, vec![of_lot("LA", "1")]);
    let b = failed_on_channel(&mut c, 2, vec![of_lot("LA", "")]);
    assert_eq!(reasons(&mut c), [Failed]);
    c.make_safe(vec![at(b, 1)]);
    assert!(reasons(&mut c).is_empty());
}

#[test]
fn labels_that_begin_again_at_another_bench_hide_no_live_igniter() {
    let mut c = Crew::new();
    let bench = |name: &str, attempt| Volley {
        outing: OutingId::named(name),
        ..volley(Wiring::Single, vec![retry("1", attempt)])
    };
    let first = c.volley(1, bench("bench 1", 1));
    c.see(1, first, vec![failed(1)]);
    let second = c.volley(1, bench("bench 2", 1));
    c.see(1, second, vec![failed(1)]);
    let again = c.volley(1, bench("bench 2", 2));
    c.see(1, again, vec![fired(1)]);
    let live: Vec<_> = c.settled().live().iter().map(|l| (l.shot.id, l.reason)).collect();
    assert_eq!(live, [(at(first, 1), Failed)]);
    assert_eq!([c.ignition(at(first, 1)), c.ignition(at(second, 1))], [Class::Failure, Class::NotCounted]);
}

#[test]
fn a_later_attempt_does_not_light_the_fuse_that_an_igniter_left_unlit() {
    let mut c = Crew::new();
    let a = c.volley(1, volley(Wiring::Parallel, vec![shot("1"), shot("2"), shot("3"), shot("4")]));
    let unlit = |n| saw(n, Ignition::Fired, Transfer::Unlit);
    let skipped = saw(4, Ignition::Skipped, Transfer::Unlit);
    c.see_as("Ada", a, vec![unlit(1), unlit(2), saw(3, Ignition::Fired, Transfer::Unseen), skipped]);
    c.see_as("Ben", a, vec![fired(2)]);
    let again = ["1", "2", "3", "4"].map(|unit| retry(unit, 2)).to_vec();
    let b = c.volley(1, volley(Wiring::Parallel, again));
    c.see_as("Ada", b, (1..5).map(fired).collect());
    assert_eq!(reasons(&mut c), [Unlit, TransferDisputed, Unseen]);
}

#[test]
fn a_unit_that_fired_twice_is_a_dispute_on_the_attempt() {
    let mut c = Crew::new();
    let a = c.volley(1, single("1"));
    let b = c.volley(2, volley(Wiring::Single, vec![retry("1", 2)]));
    c.see(1, a, vec![fired(1)]);
    let second = c.see(2, b, vec![fired(1)]);
    let d = c.settled().disputes();
    assert_eq!((d.len(), d[0].subject, d[0].field), (1, Subject::Shot(at(b, 1)), "attempt"));
    let said: Vec<_> = d[0].said.iter().map(|s| (s.fact, s.says.as_str())).collect();
    assert_eq!(said, [(a.0, "fired at attempt 1"), (b.0, "fired at attempt 2")]);
    c.withdraw(second);
    assert!(c.settled().disputes().is_empty());
}
