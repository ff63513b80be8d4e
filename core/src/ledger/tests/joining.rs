use super::*;
use crate::facts::{FuseId, LotId};

#[test]
fn in_a_test_one_unit_written_on_two_devices_is_one_shot() {
    let mut c = Crew::new();
    let a = c.volley(1, single("No 4"));
    let b = c.volley(2, single(" no  4"));
    assert_eq!(c.shots(), 1);
    let shot = c.ledger.finding(at(b, 1)).unwrap();
    assert_eq!(shot.slots().collect::<Vec<_>>(), [at(a, 1), at(b, 1)]);
}

#[test]
fn another_attempt_lot_or_outing_is_another_shot() {
    let mut c = Crew::new();
    c.volley(1, single("4"));
    c.volley(2, volley(Wiring::Single, vec![retry("4", 2)]));
    c.volley(3, volley(Wiring::Single, vec![Shot { lot: LotId::named("B-2"), ..shot("4") }]));
    c.volley(4, Volley { outing: OutingId::named("pier"), ..single("4") });
    assert_eq!(c.shots(), 4);
}

#[test]
fn one_device_that_writes_a_unit_twice_is_asked_and_not_joined() {
    let mut c = Crew::new();
    let a = c.volley(1, single("4"));
    let b = c.volley(1, single("4"));
    assert_eq!(c.shots(), 2);
    let p = Proposal { first: a, second: b, likeness: Likeness::WrittenTwice };
    assert_eq!(c.ledger.proposals(), [p]);
    c.matched(b, a, true);
    assert_eq!(c.shots(), 1);
    assert!(c.ledger.proposals().is_empty());
}

#[test]
fn two_devices_that_both_write_a_unit_twice_are_paired_in_order_of_ids() {
    let mut c = Crew::new();
    let v: Vec<_> = [1, 1, 2, 2].map(|by| c.volley(by, single("4"))).to_vec();
    assert_eq!(c.shots(), 2);
    let first: Vec<_> = c.ledger.finding(at(v[0], 1)).unwrap().slots().collect();
    assert_eq!(first, [at(v[0], 1), at(v[2], 1)]);
    c.withdraw(v[0].0);
    let first: Vec<_> = c.settled().finding(at(v[1], 1)).unwrap().slots().collect();
    assert_eq!(first, [at(v[1], 1), at(v[2], 1)], "the next one takes the place");
}

#[test]
fn in_a_show_module_channel_and_position_make_a_shot() {
    let mut c = Crew::new();
    let cue = |units: [&str; 2]| on_channel("red", 7, volley(Wiring::Series, units.map(shot).to_vec()));
    let a = c.volley(1, cue(["", ""]));
    let b = c.volley(2, cue(["1", "2"]));
    assert_eq!(c.shots(), 4, "a test until the outing is stated");
    c.state(1, Fact::Outing(outing(OutingKind::Show)));
    assert_eq!(c.shots(), 2);
    let l = c.settled();
    assert_eq!(l.finding(at(a, 2)).unwrap().slots().collect::<Vec<_>>(), [at(a, 2), at(b, 2)]);
    assert_eq!(l.finding(at(a, 2)).unwrap().unit, Some("2"), "a label that one left out is filled");
    assert!(l.disputes().is_empty());
}

#[test]
fn a_match_joins_position_by_position() {
    let mut c = Crew::new();
    let a = c.volley(1, volley(Wiring::Series, vec![shot(""), shot(""), shot("")]));
    let b = c.volley(2, volley(Wiring::Series, vec![shot(""), shot("")]));
    assert_eq!(c.shots(), 5);
    let m = c.matched(a, b, true);
    assert_eq!(c.shots(), 3);
    c.withdraw(m);
    assert_eq!(c.shots(), 5);
}

#[test]
fn what_people_keep_apart_never_meets_not_even_by_way_of_a_third() {
    let mut c = Crew::new();
    let a = c.volley(1, single("4"));
    let b = c.volley(2, single("4"));
    let d = c.volley(3, single("4"));
    assert_eq!(c.shots(), 1);
    c.matched(a, b, false);
    assert_eq!(c.shots(), 2);
    let slots: Vec<_> = c.ledger.finding(at(d, 1)).unwrap().slots().collect();
    assert_eq!(slots, [at(a, 1), at(d, 1)]);
    assert!(c.ledger.proposals().is_empty(), "what is decided is not asked again");
}

#[test]
fn contradicting_matches_are_a_dispute_and_the_first_counts_meanwhile() {
    let mut c = Crew::new();
    let (a, b) = (c.volley(1, single("4")), c.volley(2, single("4")));
    c.matched(a, b, false);
    c.matched(b, a, true);
    assert_eq!(c.shots(), 2);
    let d = &c.ledger.disputes()[0];
    assert_eq!((d.subject, d.field), (Subject::Matches(a, b), "same"));
    assert_eq!(d.said.iter().map(|s| s.says.as_str()).collect::<Vec<_>>(), ["different", "the same"]);
}

#[test]
fn a_withdrawn_volley_takes_its_disputed_match_along() {
    let mut c = Crew::new();
    let (a, b) = (c.volley(1, single("4")), c.volley(2, single("4")));
    c.matched(a, b, false);
    c.matched(b, a, true);
    assert_eq!(c.settled().disputes().len(), 1);
    c.withdraw(a.0);
    assert!(c.settled().disputes().is_empty());
}

#[test]
fn joined_volleys_that_name_different_fuses_or_wirings_are_a_dispute() {
    let mut c = Crew::new();
    let a = c.volley(1, single("4"));
    let visco = Shot { fuse: Some(FuseId::named("visco")), ..shot("4") };
    c.volley(2, volley(Wiring::Parallel, vec![visco, shot("5")]));
    let l = c.settled();
    let shot = l.finding(at(a, 1)).unwrap();
    assert_eq!(shot.fuse, Some(FuseId::named("match")), "the smallest id counts meanwhile");
    let fields: Vec<_> = l.disputes().iter().map(|d| (d.subject, d.field)).collect();
    assert_eq!(fields, [(Subject::Wired(shot.id), "fuse"), (Subject::Wired(shot.id), "wiring")]);
}

#[test]
fn the_same_channel_with_a_module_left_out_is_asked() {
    let mut c = Crew::new();
    c.state(1, Fact::Outing(outing(OutingKind::Show)));
    let a = c.volley(1, on_channel("red", 7, single("")));
    let b = c.volley(2, on_channel("", 7, single("")));
    c.volley(2, on_channel("", 8, single("")));
    let l = c.settled();
    let first = l.proposals()[0];
    assert_eq!((first.first, first.second, first.likeness), (a, b, Likeness::SameChannel));
}

#[test]
fn unlabelled_units_of_the_same_lots_within_two_minutes_are_asked() {
    let mut c = Crew::new();
    let timed = |m| Volley { at: Some(minute(m)), ..single("") };
    let a = c.volley(1, timed(0));
    let b = c.volley(2, timed(2));
    c.volley(2, timed(5));
    assert_eq!(c.settled().proposals(), [Proposal { first: a, second: b, likeness: Likeness::SameLotsAndTime }]);
}

#[test]
fn ten_thousand_equal_labels_on_one_device_stay_ten_thousand_shots_and_quick() {
    let mut l = Ledger::new();
    for n in 0..2_000_u16 {
        let mut bytes = [0; 16];
        bytes[..2].copy_from_slice(&n.to_be_bytes());
        let mut entry = Entry::new(EntryId::from_bytes(bytes), device(1), minute(0));
        let v = entry.state_volley(volley(Wiring::Single, vec![shot("1"); 5]));
        entry.state(Fact::Sightings(Sightings { volley: v, observer: None, seen: (1..=5).map(failed).collect() }));
        l.add(&entry);
    }
    l.settle();
    assert_eq!(l.shots().count(), 10_000);
    assert_eq!(l.proposals().len(), 1_999);
}

#[test]
fn a_series_volley_logged_from_the_other_end_joins_by_its_labels() {
    let mut c = Crew::new();
    c.state(1, Fact::Outing(outing(OutingKind::Show)));
    let cue = |units: [&str; 3]| on_channel("red", 7, volley(Wiring::Series, units.map(shot).to_vec()));
    let a = c.volley(1, cue(["1", "2", "3"]));
    let b = c.volley(2, cue(["3", "2", "1"]));
    assert_eq!(c.shots(), 3);
    let slots: Vec<_> = c.ledger.finding(at(b, 1)).unwrap().slots().collect();
    assert_eq!(slots, [at(a, 3), at(b, 1)]);
    assert!(c.ledger.proposals().is_empty() && c.ledger.disputes().is_empty());
    let d = c.volley(3, cue(["", "", "1"]));
    let slots: Vec<_> = c.settled().finding(at(d, 3)).unwrap().slots().collect();
    assert_eq!(slots, [at(a, 1), at(b, 3), at(d, 3)], "a label goes before the position");
}

#[test]
fn the_labels_that_match_join_and_the_one_that_contradicts_is_asked() {
    let mut c = Crew::new();
    c.state(1, Fact::Outing(outing(OutingKind::Show)));
    let cue = |units: [&str; 2]| on_channel("red", 7, volley(Wiring::Series, units.map(shot).to_vec()));
    let (a, b) = (c.volley(1, cue(["1", "2"])), c.volley(2, cue(["1", "7"])));
    assert_eq!(c.shots(), 3);
    let p = Proposal { first: a, second: b, likeness: Likeness::SameChannelContradicts };
    assert_eq!(c.ledger.proposals(), [p]);
    c.matched(a, b, true);
    assert_eq!(c.shots(), 2, "a person's word joins by position");
    assert!(c.ledger.proposals().is_empty());
    assert_eq!(c.ledger.disputes()[0].field, "unit");
}

#[test]
fn a_channel_fired_on_another_day_is_another_shot_and_is_asked() {
    let mut c = Crew::new();
    c.state(1, Fact::Outing(outing(OutingKind::Show)));
    let timed = |hours: i64, unit| Volley { at: Some(minute(hours * 60)), ..on_channel("red", 7, single(unit)) };
    for unit in ["", "1"] {
        let a = c.volley(1, timed(0, unit));
        let b = c.volley(2, timed(13, unit));
        assert_eq!(c.shots(), 2);
        let p = Proposal { first: a, second: b, likeness: Likeness::SameChannelContradicts };
        assert_eq!(c.ledger.proposals(), [p]);
        c.correct(2, b.0, Fact::Volley(timed(12, unit)));
        assert_eq!(c.shots(), 1, "clocks may be off, not by half a day");
        c.withdraw(a.0);
        c.withdraw(b.0);
    }
}

#[test]
fn a_time_that_nobody_states_keeps_nothing_apart() {
    let mut c = Crew::new();
    c.state(1, Fact::Outing(outing(OutingKind::Show)));
    let never = Moment { unix_ms: 0, offset_minutes: 0 };
    let cue = || Fact::Volley(on_channel("red", 7, single("")));
    let a = VolleyId(c.state_at(1, never, cue(), None));
    assert_eq!(c.settled().finding(at(a, 1)).unwrap().stated_at(), None);
    c.state_at(2, minute(0), cue(), None);
    assert_eq!(c.shots(), 1);
    assert_eq!(c.ledger.finding(at(a, 1)).unwrap().stated_at(), Some(minute(0).unix_ms));
}

#[test]
fn volleys_of_two_outings_that_are_said_to_be_one_do_not_differ_in_a_label_that_is_the_same() {
    let mut c = Crew::new();
    let a = c.volley(1, single("No 4"));
    let b = c.volley(2, Volley { outing: OutingId::named("pier"), ..single("no 4") });
    c.matched(a, b, true);
    assert_eq!(c.shots(), 1);
    assert!(c.ledger.disputes().is_empty());
}
