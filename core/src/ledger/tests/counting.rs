use super::*;
use crate::facts::Cause;
use Class::{Failure, Good, NotCounted, Unresolved};

fn seen_as(seen: Sighting) -> [Class; 4] {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    c.see(1, v, vec![seen]);
    c.classes(at(v, 1))
}

#[test]
fn each_measure_counts_its_own_trials() {
    assert_eq!(seen_as(fired(1)), [Good, Good, Good, Good]);
    assert_eq!(seen_as(saw(1, Ignition::Slow, Transfer::Lit)), [Good, Failure, Good, Good]);
    assert_eq!(seen_as(saw(1, Ignition::Fired, Transfer::Unlit)), [Good, Good, Failure, Failure]);
    assert_eq!(seen_as(saw(1, Ignition::Fired, Transfer::Unseen)), [Good, Good, NotCounted, Unresolved]);
    assert_eq!(seen_as(failed(1)), [Failure, NotCounted, NotCounted, Failure]);
    assert_eq!(seen_as(saw(1, Ignition::Skipped, Transfer::Unlit)), [NotCounted; 4]);
    let outside = Sighting { cause: Some(Cause::Operator), ..failed(1) };
    assert_eq!(seen_as(outside), [NotCounted; 4]);
}

#[test]
fn nothing_seen_is_nothing_counted() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    assert_eq!(c.classes(at(v, 1)), [NotCounted; 4]);
}

#[test]
fn a_failed_igniter_without_a_fuse_says_nothing_end_to_end() {
    let mut c = Crew::new();
    let bare = |unit| volley(Wiring::Single, vec![Shot { fuse: None, ..shot(unit) }]);
    let v = c.volley(1, bare("1"));
    c.see(1, v, vec![saw(1, Ignition::Failed, Transfer::NoFuse)]);
    assert_eq!(c.classes(at(v, 1)), [Failure, NotCounted, NotCounted, NotCounted]);
}

#[test]
fn disputes_count_as_far_as_they_leave_no_doubt() {
    let both = |a: Sighting, b: Sighting| {
        let mut c = Crew::new();
        let v = c.volley(1, single("1"));
        c.see_as("Ada", v, vec![a]);
        c.see_as("Ben", v, vec![b]);
        c.classes(at(v, 1))
    };
    let slow = saw(1, Ignition::Slow, Transfer::Lit);
    assert_eq!(both(fired(1), slow), [Good, Unresolved, Good, Good]);
    assert_eq!(both(fired(1), failed(1)), [Unresolved, NotCounted, NotCounted, Unresolved]);
    let unlit = saw(1, Ignition::Fired, Transfer::Unlit);
    assert_eq!(both(fired(1), unlit), [Good, Good, Unresolved, Unresolved]);
    let skipped = saw(1, Ignition::Skipped, Transfer::Unseen);
    assert_eq!(both(fired(1), skipped)[0], Unresolved);
}

#[test]
fn a_dead_string_is_unresolved_and_not_nine_bad_igniters() {
    let mut c = Crew::new();
    let v = c.volley(1, volley(Wiring::Series, (1..=9).map(|n| shot(&n.to_string())).collect()));
    c.see(1, v, (1..=9).map(failed).collect());
    let l = c.settled();
    assert_eq!(l.columns().class(Measure::Ignition), [Unresolved.number(); 9]);
}

/// One unit, an attempt a volley, each alone on its channel.
fn attempts(c: &mut Crew, seen: &[Sighting]) -> Vec<ShotId> {
    (1..)
        .zip(seen)
        .map(|(attempt, s)| {
            let v = c.volley(1, volley(Wiring::Single, vec![retry("7", attempt)]));
            c.see(1, v, vec![s.clone()]);
            at(v, 1)
        })
        .collect()
}

#[test]
fn a_unit_that_fired_at_last_counts_once_and_good() {
    let mut c = Crew::new();
    let shots = attempts(&mut c, &[failed(1), failed(1), fired(1)]);
    let classes: Vec<_> = shots.iter().map(|s| c.ignition(*s)).collect();
    assert_eq!(classes, [NotCounted, NotCounted, Good]);
    assert_eq!(c.blame(shots[0]), Some(Blame { cause: Cause::Wiring, grounds: Grounds::FiredLater }));
}

#[test]
fn of_attempts_that_all_failed_only_the_last_counts() {
    let mut c = Crew::new();
    let shots = attempts(&mut c, &[failed(1), failed(1)]);
    assert_eq!([c.ignition(shots[0]), c.ignition(shots[1])], [NotCounted, Failure]);
    assert_eq!(c.ledger.finding(shots[0]).unwrap().trial, Trial::TriedAgain);
    assert_eq!(c.classes(shots[0])[3], NotCounted, "end to end neither");
}

#[test]
fn a_last_attempt_that_says_nothing_leaves_the_one_before_counted() {
    let mut c = Crew::new();
    let outside = Sighting { cause: Some(Cause::Module), ..failed(1) };
    let shots = attempts(&mut c, &[failed(1), outside]);
    assert_eq!([c.ignition(shots[0]), c.ignition(shots[1])], [Failure, NotCounted]);
}

#[test]
fn a_failure_that_people_settled_as_the_igniters_own_stays_counted_once() {
    let mut c = Crew::new();
    let own = Sighting { cause: Some(Cause::Igniter), ..failed(1) };
    let shots = attempts(&mut c, &[own, failed(1), fired(1)]);
    let classes: Vec<_> = shots.iter().map(|s| c.ignition(*s)).collect();
    assert_eq!(classes, [Failure, NotCounted, NotCounted]);
    assert_eq!(c.classes(shots[2])[2], Good, "its fuse was lit all the same");
    assert_eq!(c.ledger.finding(shots[2]).unwrap().trial, Trial::FailedElsewhere);
}

#[test]
fn labels_that_begin_anew_at_each_outing_are_not_retries() {
    let mut c = Crew::new();
    let here = c.volley(1, single("1"));
    let there = c.volley(1, Volley { outing: OutingId::named("pier"), ..single("1") });
    c.see(1, here, vec![failed(1)]);
    c.see(1, there, vec![fired(1)]);
    assert_eq!([c.ignition(at(here, 1)), c.ignition(at(there, 1))], [Failure, Good]);
}

#[test]
fn a_later_attempt_counts_within_its_outing_only_and_taking_it_back_restores() {
    let mut c = Crew::new();
    let first = c.volley(1, single("1"));
    c.see(1, first, vec![failed(1)]);
    let again = || volley(Wiring::Single, vec![retry("1", 2)]);
    let there = c.volley(1, Volley { outing: OutingId::named("pier"), ..again() });
    c.see(1, there, vec![fired(1)]);
    assert_eq!(c.ignition(at(first, 1)), Failure, "labels may have begun again there");
    let here = c.volley(1, again());
    let seen = c.see(1, here, vec![fired(1)]);
    assert_eq!(c.ignition(at(first, 1)), NotCounted);
    c.withdraw(seen);
    assert_eq!(c.ignition(at(first, 1)), Failure);
}

#[test]
fn a_fuse_that_nobody_saw_is_not_left_out_beside_failures_that_count() {
    let mut c = Crew::new();
    let v = c.volley(1, volley(Wiring::Parallel, ["1", "2", "3", "4"].map(shot).to_vec()));
    let unseen = |n| saw(n, Ignition::Fired, Transfer::Unseen);
    c.see(1, v, vec![failed(1), unseen(2), saw(3, Ignition::Fired, Transfer::NoFuse)]);
    c.state(1, Fact::Ruling(Ruling { ignition: Some(Ignition::Fired), ..ruling(at(v, 4)) }));
    let classes: Vec<_> = (1..5).map(|n| c.classes(at(v, n))).map(|c| [c[2], c[3]]).collect();
    let open = [NotCounted, Unresolved];
    assert_eq!(classes, [[NotCounted, Failure], open, [NotCounted; 2], open]);
    let bare = c.volley(1, volley(Wiring::Single, vec![Shot { fuse: None, ..shot("9") }]));
    c.see(1, bare, vec![unseen(1)]);
    assert_eq!(c.classes(at(bare, 1))[3], NotCounted, "no fuse is named");
}

#[test]
fn measures_are_read_by_their_words() {
    for m in Measure::ALL {
        assert_eq!(m.word().to_uppercase().parse(), Ok(*m));
    }
    assert!("speed".parse::<Measure>().is_err());
}
