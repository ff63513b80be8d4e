//! Failed shots of volleys: what is booked to whom, and when it is settled.

use super::*;
use crate::facts::{Cause, IgniterType, Lot, Resistance, TypeId};

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

fn typed(c: &mut Crew, milliohm: u32) -> FactId {
    let lot = Lot {
        mark: "A-17".to_owned(),
        igniter_type: Some(TypeId::named("slim")),
        made_on: None,
        use_by: None,
        count: None,
        storage: None,
    };
    c.state(1, Fact::Lot(lot));
    let stated = IgniterType { bridge_resistance: Some(Resistance(milliohm)), ..IgniterType::named("slim") };
    c.state(1, Fact::IgniterType(stated))
}

fn ohm(milliohm: u32) -> Bridge {
    Bridge::Measured(Resistance(milliohm))
}

#[test]
fn readings_of_the_bridges_settle_a_broken_string() {
    let mut c = Crew::new();
    let slim = typed(&mut c, 1_600);
    let units = ["1", "2", "3", "4", "5", "6"].map(shot).to_vec();
    let string = c.volley(1, Volley { at: Some(minute(10)), ..on("red", volley(Wiring::Series, units)) });
    c.see(1, string, vec![fired(1), failed(2), failed(3), failed(4), failed(5), failed(6)]);
    c.state(1, reading(at(string, 2), ohm(1_700), 40));
    c.state(1, reading(at(string, 3), Bridge::Open, 40));
    c.state(1, reading(at(string, 4), ohm(9_000), 40));
    c.state(1, reading(at(string, 5), ohm(1_600), 40));
    let second = c.state(2, reading(at(string, 5), Bridge::Open, 41));
    // Before the volley: it says how the igniter was, not how it came out of it.
    c.state(1, reading(at(string, 6), ohm(1_600), 9));
    let whole = Some((Cause::BrokenString, Grounds::BridgeWholeAfterMate));
    let open = Some((Cause::Igniter, Grounds::BridgeOpen));
    let outside = Some((Cause::Unresolved, Grounds::BridgeOutside));
    let both = Some((Cause::Unresolved, Grounds::BridgeDisputed));
    let unread = Some((Cause::Unresolved, Grounds::StringOpened));
    assert_eq!(causes(&mut c, string, 6), [None, whole, open, outside, both, unread]);
    assert_eq!([2, 3, 4].map(|n| c.ignition(at(string, n))), [Class::NotCounted, Class::Failure, Class::Unresolved]);
    let fields: Vec<_> = c.settled().disputes().iter().map(|d| (d.field, d.said.len())).collect();
    assert_eq!(fields, [("bridge", 2)]);
    // None of it takes a shot off the live list.
    assert_eq!(c.settled().live().len(), 5);
    c.withdraw(second);
    assert_eq!(causes(&mut c, string, 6)[4], whole);
    assert!(c.settled().disputes().is_empty());
    // The type is corrected: what was as stated is so no longer.
    let thick = IgniterType { bridge_resistance: Some(Resistance(9_000)), ..IgniterType::named("slim") };
    c.correct(1, slim, Fact::IgniterType(thick));
    assert_eq!(causes(&mut c, string, 6)[1..4], [outside, open, whole]);
    c.state(1, Fact::Ruling(Ruling { cause: Some(Cause::Operator), ..ruling(at(string, 2)) }));
    assert_eq!(causes(&mut c, string, 6)[1], Some((Cause::Operator, Grounds::Ruling)));
}

#[test]
fn a_retry_goes_before_a_reading_and_a_reading_before_what_the_wiring_says() {
    let mut c = Crew::new();
    typed(&mut c, 1_600);
    let proven = c.volley(1, on("red", single("9")));
    c.see(1, proven, vec![fired(1)]);
    let string = c.volley(1, on("red", volley(Wiring::Series, ["1", "2"].map(shot).to_vec())));
    c.see(1, string, vec![fired(1), failed(2)]);
    c.state(1, reading(at(string, 2), ohm(1_600), 40));
    let whole = Some((Cause::BrokenString, Grounds::BridgeWholeAfterMate));
    assert_eq!(causes(&mut c, string, 2)[1], whole);
    let again = c.volley(1, on("red", volley(Wiring::Single, vec![retry("2", 2)])));
    c.see(1, again, vec![failed(1)]);
    assert_eq!(causes(&mut c, string, 2)[1], Some((Cause::Igniter, Grounds::FailedLaterAlone)));
    // The retry's own bridge is whole as well: then it too had no impulse, and condemns nothing.
    c.state(1, reading(at(again, 1), ohm(1_500), 80));
    assert_eq!(causes(&mut c, again, 1), [Some((Cause::Wiring, Grounds::BridgeWhole))]);
    assert_eq!(causes(&mut c, string, 2)[1], whole);
}
