use super::*;

#[test]
fn a_correction_counts_in_place_of_what_it_corrects_and_keeps_the_volleys_id() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    c.see(1, v, vec![fired(1)]);
    let fix = c.correct(2, v.0, Fact::Volley(single("2")));
    let l = c.settled();
    let all: Vec<_> = l.volleys().collect();
    assert_eq!((all.len(), all[0].id, all[0].stated_by), (1, v, fix));
    assert_eq!(all[0].device, device(1), "who corrects a volley did not write it");
    let shot = l.finding(at(VolleyId(fix), 1)).unwrap();
    assert_eq!((shot.id, shot.unit), (at(v, 1), Some("2")));
    assert_eq!(shot.finding.ignition, Outcome::Agreed(Ignition::Fired), "sightings stay with the volley");
    assert_eq!(l.set_aside()[0].why, Aside::Replaced { by: fix });
}

#[test]
fn sightings_that_name_a_correction_belong_to_the_volley() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    let fix = c.correct(1, v.0, Fact::Volley(single("2")));
    c.see(2, VolleyId(fix), vec![fired(1)]);
    assert_eq!(c.ignition(at(v, 1)), Class::Good);
}

#[test]
fn a_withdrawn_correction_no_longer_replaces() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    let fix = c.correct(1, v.0, Fact::Volley(single("2")));
    c.withdraw(fix);
    let l = c.settled();
    assert_eq!(l.finding(at(v, 1)).unwrap().unit, Some("1"));
    assert!(matches!(l.set_aside()[0].why, Aside::Withdrawn { by: Some((_, "a slip")) }));
}

#[test]
fn withdrawing_a_volley_takes_its_corrections_with_it() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    c.correct(1, v.0, Fact::Volley(single("2")));
    c.see(1, v, vec![failed(1)]);
    assert_eq!(c.shots(), 1);
    let w = c.withdraw(v.0);
    assert_eq!(c.shots(), 0);
    assert!(c.ledger.live().is_empty() && c.ledger.columns().is_empty());
    c.withdraw(w);
    assert_eq!(c.settled().finding(at(v, 1)).unwrap().unit, Some("2"), "a withdrawal can be taken back");
}

#[test]
fn a_withdrawal_that_comes_first_waits_for_its_fact() {
    let mut c = Crew::new();
    let mut later = Entry::new(EntryId::from_bytes([99; 16]), device(2), minute(0));
    let v = later.state_volley(single("1"));
    c.withdraw(v.0);
    c.settled();
    c.ledger.add(&later);
    assert_eq!(c.shots(), 0);
}

#[test]
fn two_corrections_of_one_fact_are_a_dispute_and_the_smaller_id_counts_meanwhile() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    let first = c.correct(1, v.0, Fact::Volley(single("2")));
    let second = c.correct(2, v.0, Fact::Volley(single("3")));
    let l = c.settled();
    assert_eq!(l.finding(at(v, 1)).unwrap().unit, Some("2"));
    let disputes = l.disputes();
    assert_eq!(disputes[0].subject, Subject::Corrections(v.0));
    assert_eq!(disputes[0].said.iter().map(|s| s.fact).collect::<Vec<_>>(), [first, second]);
    assert_eq!(l.set_aside().iter().find(|a| a.id == second).unwrap().why, Aside::Rival { of: first });
    c.withdraw(first);
    let l = c.settled();
    assert_eq!(l.finding(at(v, 1)).unwrap().unit, Some("3"));
    assert!(l.disputes().is_empty());
}

#[test]
fn two_devices_that_correct_alike_agree() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    c.correct(1, v.0, Fact::Volley(single("2")));
    c.correct(2, v.0, Fact::Volley(single("2")));
    assert!(c.settled().disputes().is_empty());
}

#[test]
fn facts_that_replace_each_other_in_a_circle_are_one_with_a_fork_at_most() {
    let id = |n: u8| FactId { entry: EntryId::from_bytes([n; 16]), place: 0 };
    let mut l = Ledger::new();
    for (n, old) in [(1, 2), (2, 3), (3, 1), (4, 4)] {
        let mut entry = Entry::new(EntryId::from_bytes([n; 16]), device(1), minute(0));
        entry.correct(id(old), Fact::Volley(single(&n.to_string())));
        l.add(&entry);
    }
    l.settle();
    assert_eq!(l.volleys().map(|v| v.id.0).collect::<Vec<_>>(), [id(1), id(4)]);
}

#[test]
fn withdrawals_that_take_back_each_other_take_back_nothing() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    let other = FactId { entry: EntryId::from_bytes([3; 16]), place: 1 };
    // Entry 2 takes back entry 3's second fact, and that takes back entry 2's.
    let mine = c.withdraw(other);
    let mut entry = Entry::new(other.entry, device(2), minute(0));
    entry.state(Fact::Withdrawal(Withdrawal { fact: v.0, reason: String::new() }));
    entry.state(Fact::Withdrawal(Withdrawal { fact: mine, reason: String::new() }));
    c.ledger.add(&entry);
    assert_eq!(c.shots(), 0, "the one outside the circle counts");
    let circle: Vec<FactId> = c.ledger.set_aside().iter().map(|a| a.id).collect();
    assert_eq!(circle, [v.0, mine, other]);
}

#[test]
fn a_correction_of_another_kind_of_fact_corrects_nothing() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    let seen = c.see(1, v, vec![fired(1)]);
    let odd = c.correct(1, seen, Fact::Volley(single("2")));
    assert_eq!(c.shots(), 2);
    assert_eq!(c.ignition(at(v, 1)), Class::Good);
    assert!(c.ledger.volley(VolleyId(odd)).is_some());
}

#[test]
fn corrected_sightings_may_move_to_another_volley() {
    let mut c = Crew::new();
    let (a, b) = (c.volley(1, single("1")), c.volley(1, single("2")));
    let seen = c.see(1, a, vec![failed(1)]);
    c.settled();
    c.correct(1, seen, Fact::Sightings(Sightings { volley: b, observer: None, seen: vec![failed(1)] }));
    assert_eq!((c.ignition(at(a, 1)), c.ignition(at(b, 1))), (Class::NotCounted, Class::Failure));
}

#[test]
fn an_entry_added_twice_counts_once() {
    let mut entry = Entry::new(EntryId::from_bytes([1; 16]), device(1), minute(0));
    entry.state_volley(single("1"));
    let mut l = Ledger::new();
    l.add(&entry);
    l.settle();
    l.add(&entry);
    l.settle();
    assert_eq!(l.shots().count(), 1);
}

#[test]
fn a_chain_of_ten_thousand_corrections_settles_at_once_or_one_by_one() {
    let mut l = Ledger::new();
    let id = |n: u32| {
        let mut bytes = [0; 16];
        bytes[..4].copy_from_slice(&n.to_be_bytes());
        EntryId::from_bytes(bytes)
    };
    for n in 0..10_000 {
        let mut entry = Entry::new(id(n), device(1), minute(0));
        let fact = Fact::Volley(single(&n.to_string()));
        match n {
            0 => entry.state(fact),
            _ => entry.correct(FactId { entry: id(n - 1), place: 0 }, fact),
        };
        l.add(&entry);
    }
    l.settle();
    assert_eq!(l.shots().map(|s| s.unit).collect::<Vec<_>>(), [Some("9999")]);
}

#[test]
fn corrections_that_come_backwards_leave_one_volley() {
    let id = |n: u8| FactId { entry: EntryId::from_bytes([n; 16]), place: 0 };
    let mut l = Ledger::new();
    for n in [3, 2, 1] {
        let mut entry = Entry::new(id(n).entry, device(n), minute(0));
        match n {
            1 => entry.state(Fact::Volley(single("1"))),
            _ => entry.correct(id(n - 1), Fact::Volley(single(&n.to_string()))),
        };
        l.add(&entry);
        l.settle();
        let first = id(if n == 1 { 1 } else { n - 1 });
        let all: Vec<_> = l.shots().map(|s| (s.id.volley.0, s.unit)).collect();
        assert_eq!(all, [(first, Some("3"))], "known by the earliest fact named so far");
    }
    assert_eq!(l.volleys().next().map(|v| v.device), Some(device(1)));
}

#[test]
fn a_withdrawal_that_turns_out_to_correct_no_withdrawal_counts_all_the_same() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    let mut late = Entry::new(EntryId::from_bytes([99; 16]), device(2), minute(0));
    let other = late.state_volley(single("2"));
    let taking_back = Fact::Withdrawal(Withdrawal { fact: v.0, reason: String::new() });
    let w = c.correct(1, other.0, taking_back);
    assert_eq!(c.shots(), 0);
    c.ledger.add(&late);
    assert_eq!(c.shots(), 1);
    c.withdraw(w);
    assert_eq!(c.shots(), 2);
}
