//! Failed shots of volleys: what is booked to whom, and when it is settled.

use super::*;
use crate::facts::Cause;

fn on(module: &str, v: Volley) -> Volley {
    Volley { module: Some(ModuleId::named(module)), ..v }
}

fn causes(c: &mut Crew, v: VolleyId, count: u16) -> Vec<Option<(Cause, Grounds)>> {
    (1..=count).map(|n| c.blame(at(v, n)).map(|b| (b.cause, b.grounds))).collect()
}

#[test]
fn a_retry_clears_and_a_failure_alone_on_a_proven_module_settles() {
    let mut c = Crew::new();
    let string = c.volley(1, on("red", volley(Wiring::Series, ["1", "2", "3", "4"].map(shot).to_vec())));
    c.see(1, string, vec![fired(1), failed(2), failed(3), failed(4)]);
    let open = Some((Cause::Unresolved, Grounds::StringOpened));
    assert_eq!(causes(&mut c, string, 4), [None, open, open, open]);
    let again = |c: &mut Crew, unit, seen| {
        let v = c.volley(1, on("red", volley(Wiring::Single, vec![retry(unit, 2)])));
        c.see(1, v, vec![seen]);
        v
    };
    again(&mut c, "2", fired(1));
    let dud = again(&mut c, "3", failed(1));
    let cleared = Some((Cause::BrokenString, Grounds::FiredLaterAfterMate));
    let own = Some((Cause::Igniter, Grounds::FailedLaterAlone));
    assert_eq!(causes(&mut c, string, 4), [None, cleared, own, open]);
    assert_eq!(c.blame(at(dud, 1)).map(|b| b.grounds), Some(Grounds::AloneOnProvenModule));
    // Counted once, at the attempt that settled it; raw counts every pulse.
    assert_eq!([c.ignition(at(string, 3)), c.ignition(at(dud, 1))], [Class::NotCounted, Class::Failure]);
    let raw = |c: &mut Crew, shot| c.settled().finding(shot).unwrap().class(Measure::Raw);
    assert_eq!([raw(&mut c, at(string, 3)), raw(&mut c, at(dud, 1))], [Class::Failure; 2]);
    // A ruling goes before all of it.
    c.state(1, Fact::Ruling(Ruling { cause: Some(Cause::LowCurrent), ..ruling(at(string, 4)) }));
    assert_eq!(c.blame(at(string, 4)).map(|b| b.cause), Some(Cause::LowCurrent));
}

#[test]
fn a_module_is_proven_by_what_it_fired_at_the_outing_and_no_longer_when_that_is_taken_back() {
    let mut c = Crew::new();
    let alone = c.volley(1, on("red", single("1")));
    c.see(1, alone, vec![failed(1)]);
    let grounds = |c: &mut Crew| c.blame(at(alone, 1)).map(|b| b.grounds);
    assert_eq!(grounds(&mut c), Some(Grounds::ModuleUnproven));
    assert_eq!(c.ignition(at(alone, 1)), Class::Unresolved);
    let elsewhere = c.volley(1, on("blue", single("2")));
    c.see(1, elsewhere, vec![fired(1)]);
    let another_day = c.volley(1, Volley { outing: OutingId::named("pier"), ..on("red", single("3")) });
    c.see(1, another_day, vec![fired(1)]);
    assert_eq!(grounds(&mut c), Some(Grounds::ModuleUnproven));
    let other = c.volley(1, on("red", single("4")));
    let seen = c.see(1, other, vec![fired(1)]);
    assert_eq!(grounds(&mut c), Some(Grounds::AloneOnProvenModule));
    assert_eq!(c.ignition(at(alone, 1)), Class::Failure);
    c.withdraw(seen);
    assert_eq!(grounds(&mut c), Some(Grounds::ModuleUnproven));
    c.see(1, other, vec![fired(1)]);
    assert_eq!(grounds(&mut c), Some(Grounds::AloneOnProvenModule));
    c.withdraw(other.0);
    assert_eq!(grounds(&mut c), Some(Grounds::ModuleUnproven));
}

#[test]
fn strings_of_a_series_parallel_volley_are_judged_each_by_itself() {
    let mut c = Crew::new();
    let units = ["1", "2", "3", "4", "5"].map(shot).to_vec();
    let v = c.volley(1, volley(Wiring::SeriesParallel(vec![2, 3]), units));
    c.see(1, v, vec![fired(1), failed(2), failed(3), failed(4), failed(5)]);
    let opened = Some((Cause::Unresolved, Grounds::StringOpened));
    let dead = Some((Cause::Unresolved, Grounds::OtherStringsFired));
    assert_eq!(causes(&mut c, v, 5), [None, opened, dead, dead, dead]);
}
