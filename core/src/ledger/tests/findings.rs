use super::*;
use crate::facts::{Cause, Delay, DelayInterval};

fn finding(c: &mut Crew, shot: ShotId) -> Finding {
    c.settled().finding(shot).unwrap().finding
}

fn delayed(low_ms: u32, high_ms: u32, ignition: Ignition) -> Sighting {
    let delay = Some(Delay::Stated { low_us: low_ms * 1000, high_us: high_ms * 1000 });
    Sighting { delay, ..saw(1, ignition, Transfer::Lit) }
}

#[test]
fn observers_who_agree_settle_and_those_who_do_not_dispute() {
    let mut c = Crew::new();
    let v = c.volley(1, volley(Wiring::Series, vec![shot("1"), shot("2")]));
    c.see_as("Ada", v, vec![fired(1), fired(2)]);
    c.see_as("Ben", v, vec![fired(1), failed(2)]);
    let (one, two) = (finding(&mut c, at(v, 1)), finding(&mut c, at(v, 2)));
    assert_eq!(one.ignition, Outcome::Agreed(Ignition::Fired));
    assert_eq!(two.ignition, Outcome::Disputed(Choices::of(Ignition::Fired).with(Ignition::Failed)));
    assert!(two.transfer.is_disputed());
}

#[test]
fn an_observer_who_contradicts_themself_is_a_dispute_too() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    c.see_as("Ada", v, vec![fired(1)]);
    c.see_as("Ada", v, vec![failed(1)]);
    assert!(finding(&mut c, at(v, 1)).ignition.is_disputed());
    assert!(c.ledger.agreement().pairs.is_empty(), "who has two words has none");
}

#[test]
fn unseen_yields_to_anybody_who_saw() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    c.see_as("Ada", v, vec![saw(1, Ignition::Fired, Transfer::Unseen)]);
    assert_eq!(finding(&mut c, at(v, 1)).transfer, Outcome::Agreed(Transfer::Unseen));
    c.see_as("Ben", v, vec![fired(1)]);
    assert_eq!(finding(&mut c, at(v, 1)).transfer, Outcome::Agreed(Transfer::Lit));
    c.see_as("Cy", v, vec![saw(1, Ignition::Fired, Transfer::NoFuse)]);
    assert!(finding(&mut c, at(v, 1)).transfer.is_disputed());
}

#[test]
fn slow_is_measured_where_it_can_be_and_the_observers_word_where_not() {
    for (low, high, word, want) in [
        (51, 60, Ignition::Fired, Ignition::Slow),
        (40, 50, Ignition::Slow, Ignition::Fired),
        (50, 51, Ignition::Slow, Ignition::Slow),
        (50, 51, Ignition::Fired, Ignition::Fired),
        (80, 90, Ignition::Failed, Ignition::Failed),
    ] {
        let mut c = Crew::new();
        let v = c.volley(1, single("1"));
        c.see(1, v, vec![delayed(low, high, word)]);
        assert_eq!(finding(&mut c, at(v, 1)).ignition, Outcome::Agreed(word), "no limit, no measure");
        c.state(1, Fact::Outing(Outing { slow_limit_ms: Some(50), ..outing(OutingKind::Test) }));
        assert_eq!(finding(&mut c, at(v, 1)).ignition, Outcome::Agreed(want), "{low} to {high} ms, {word}");
    }
}

#[test]
fn a_mere_word_on_fired_or_slow_yields_to_a_measured_delay_and_a_word_on_failing_does_not() {
    let mut c = Crew::new();
    c.state(1, Fact::Outing(Outing { slow_limit_ms: Some(50), ..outing(OutingKind::Test) }));
    let v = c.volley(1, single("1"));
    c.see_as("Ada", v, vec![fired(1)]);
    c.see_as("Ben", v, vec![delayed(60, 70, Ignition::Fired)]);
    assert_eq!(finding(&mut c, at(v, 1)).ignition, Outcome::Agreed(Ignition::Slow));
    c.see_as("Cy", v, vec![delayed(10, 20, Ignition::Fired)]);
    assert!(finding(&mut c, at(v, 1)).ignition.is_disputed(), "two measurements that differ");
    let w = c.volley(1, single("2"));
    c.see_as("Ada", w, vec![saw(1, Ignition::Failed, Transfer::Unlit)]);
    c.see_as("Ben", w, vec![delayed(60, 70, Ignition::Fired)]);
    assert!(finding(&mut c, at(w, 1)).ignition.is_disputed());
}

#[test]
fn delays_meet_in_what_they_have_in_common_or_are_disputed() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    c.see_as("Ada", v, vec![delayed(10, 30, Ignition::Fired)]);
    c.see_as("Ben", v, vec![delayed(30, 40, Ignition::Fired)]);
    let common = DelayInterval { low_us: 30_000, high_us: 30_000 };
    assert_eq!(finding(&mut c, at(v, 1)).delay, DelayFinding::Agreed(common));
    c.see_as("Cy", v, vec![delayed(50, 60, Ignition::Fired)]);
    let hull = DelayInterval { low_us: 10_000, high_us: 60_000 };
    assert_eq!(finding(&mut c, at(v, 1)).delay, DelayFinding::Disputed(hull));
    assert_eq!(c.ledger.disputes()[0].field, "delay");
}

#[test]
fn a_delay_that_contradicts_itself_is_no_delay() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    c.see(1, v, vec![delayed(9, 3, Ignition::Fired)]);
    assert_eq!(finding(&mut c, at(v, 1)).delay, DelayFinding::Nothing);
}

#[test]
fn strength_is_the_lower_median() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    for (who, strength) in [("Ada", 5), ("Ben", 2), ("Cy", 4), ("Di", 3)] {
        c.see_as(who, v, vec![Sighting { strength: Some(strength), ..fired(1) }]);
    }
    assert_eq!(finding(&mut c, at(v, 1)).strength, Some(3));
}

#[test]
fn a_ruling_settles_the_field_it_names_and_no_other() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    c.see_as("Ada", v, vec![fired(1)]);
    c.see_as("Ben", v, vec![saw(1, Ignition::Failed, Transfer::Unlit)]);
    let r = c.state(1, Fact::Ruling(Ruling { ignition: Some(Ignition::Fired), ..ruling(at(v, 1)) }));
    let f = finding(&mut c, at(v, 1));
    assert_eq!(f.ignition, Outcome::Ruled(Ignition::Fired));
    assert!(f.transfer.is_disputed());
    assert_eq!(c.ledger.disputes().len(), 1);
    assert_eq!(c.ledger.finding(at(v, 1)).unwrap().sightings().len(), 2, "nothing is lost by a ruling");
    c.withdraw(r);
    assert!(finding(&mut c, at(v, 1)).ignition.is_disputed());
}

#[test]
fn causes_that_observers_state_are_weighed_and_unresolved_states_none() {
    let mut c = Crew::new();
    let v = c.volley(1, volley(Wiring::Series, vec![shot("1"), shot("2")]));
    let blames = |cause| vec![Sighting { cause: Some(cause), ..failed(1) }];
    c.see_as("Ada", v, blames(Cause::Unresolved));
    c.see_as("Ben", v, blames(Cause::Igniter));
    assert_eq!(c.blame(at(v, 1)), Some(Blame { cause: Cause::Igniter, grounds: Grounds::Observers }));
    c.see_as("Cy", v, blames(Cause::Wiring));
    assert_eq!(c.blame(at(v, 1)), Some(Blame { cause: Cause::Unresolved, grounds: Grounds::Contradiction }));
    assert_eq!(c.ledger.disputes()[0].field, "cause");
    c.state(1, Fact::Ruling(Ruling { cause: Some(Cause::Wiring), ..ruling(at(v, 1)) }));
    assert_eq!(c.blame(at(v, 1)), Some(Blame { cause: Cause::Wiring, grounds: Grounds::Ruling }));
    assert!(c.ledger.disputes().is_empty());
}

#[test]
fn a_failed_igniter_is_looked_at_with_its_mates() {
    let mut c = Crew::new();
    let v = c.volley(1, volley(Wiring::Series, vec![shot("1"), shot("2")]));
    c.see(1, v, vec![failed(1)]);
    assert_eq!(c.blame(at(v, 1)).map(|b| b.grounds), Some(Grounds::StringDead));
    c.see(1, v, vec![fired(2)]);
    assert_eq!(c.blame(at(v, 1)).map(|b| b.grounds), Some(Grounds::StringOpened));
    c.correct(1, v.0, Fact::Volley(volley(Wiring::Parallel, vec![shot("1"), shot("2")])));
    assert_eq!(c.blame(at(v, 1)).map(|b| b.grounds), Some(Grounds::BranchAlone));
}

#[test]
fn observers_are_compared_on_the_shots_that_both_saw() {
    let mut c = Crew::new();
    let v = c.volley(1, volley(Wiring::Parallel, vec![shot("1"), shot("2"), shot("3")]));
    c.see_as("Ada", v, vec![fired(1), failed(2), fired(3)]);
    c.see_as("Ben", v, vec![fired(1), fired(2)]);
    c.see_as("Cy", v, vec![fired(1)]);
    let a = c.settled().agreement();
    let ada_ben = [PersonId::named("Ada"), PersonId::named("Ben")].map(Observer::Person);
    let pair = a.pairs.iter().find(|p| ada_ben.contains(&p.first) && ada_ben.contains(&p.second)).unwrap();
    let (agree, rest) = (pair.table[0][0], pair.table[0][2] + pair.table[2][0]);
    assert_eq!((a.pairs.len(), agree, rest), (3, 1, 1));
    assert_eq!(a.many, [ManyTable { observers: 3, rows: vec![[3, 0, 0, 0]] }]);
}
