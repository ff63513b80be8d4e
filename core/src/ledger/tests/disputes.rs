use super::*;
use crate::facts::{Cause, Lot, RegisterId};

fn lot(count: Option<u32>, storage: Option<&str>) -> Fact {
    Fact::Lot(Lot {
        mark: "A-17".to_owned(),
        igniter_type: None,
        made_on: None,
        use_by: None,
        count,
        storage: storage.map(str::to_owned),
    })
}

#[test]
fn a_dispute_says_who_said_what() {
    let mut c = Crew::new();
    let (a, b) = (c.volley(1, single("1")), c.volley(2, single("1")));
    let mine = c.see(1, a, vec![fired(1)]);
    let theirs = c.see(2, b, vec![saw(1, Ignition::Failed, Transfer::Unseen)]);
    let d = c.settled().disputes();
    assert_eq!((d.len(), d[0].subject, d[0].field), (1, Subject::Shot(at(a, 1)), "ignition"));
    let said: Vec<_> = d[0].said.iter().map(|s| (s.fact, s.by, s.says.as_str())).collect();
    let by = |n| Observer::Device(device(n));
    assert_eq!(said, [(mine, by(1), "fired"), (theirs, by(2), "failed")]);
}

#[test]
fn rulings_that_contradict_each_other_are_a_dispute_until_one_is_withdrawn() {
    let mut c = Crew::new();
    let v = c.volley(1, single("1"));
    c.see(1, v, vec![failed(1)]);
    let says = |cause| Fact::Ruling(Ruling { cause: Some(cause), ..ruling(at(v, 1)) });
    c.state(1, says(Cause::Igniter));
    let second = c.state(2, says(Cause::Operator));
    assert_eq!(c.ignition(at(v, 1)), Class::Unresolved);
    let d = c.ledger.disputes();
    assert_eq!((d.len(), d[0].subject, d[0].field), (1, Subject::Rulings(at(v, 1)), "cause"));
    c.withdraw(second);
    assert_eq!(c.ignition(at(v, 1)), Class::Failure);
    assert!(c.ledger.disputes().is_empty());
}

#[test]
fn what_one_device_leaves_open_of_a_lot_another_fills() {
    let mut c = Crew::new();
    c.state(1, lot(Some(100), None));
    c.state(2, lot(None, Some("cellar")));
    let l = c.settled();
    let a17 = l.register().lot_marked("A-17").unwrap();
    assert_eq!((a17.count, a17.storage.as_deref()), (Some(100), Some("cellar")));
    assert!(l.disputes().is_empty());
}

#[test]
fn register_facts_that_contradict_are_listed_and_the_smallest_id_counts_meanwhile() {
    let mut c = Crew::new();
    let first = c.state(1, lot(Some(100), None));
    let second = c.state(2, lot(Some(200), None));
    let l = c.settled();
    assert_eq!(l.register().lot_marked("A-17").unwrap().count, Some(100));
    let d = l.disputes();
    assert_eq!((d[0].subject, d[0].field), (Subject::Register(RegisterId::Lot(LotId::named("A-17"))), "count"));
    assert_eq!(d[0].said.iter().map(|s| s.fact).collect::<Vec<_>>(), [first, second]);
    c.withdraw(first);
    let l = c.settled();
    assert_eq!(l.register().lot_marked("A-17").unwrap().count, Some(200));
    assert!(l.disputes().is_empty());
}
