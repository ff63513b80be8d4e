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
