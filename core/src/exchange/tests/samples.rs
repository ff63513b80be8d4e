//! The sample files under `examples/csv`: one invented test session as two phones logged it.

use super::*;
use crate::facts::{Cause, Ignition, Wiring};

const PHONE_1: &str = include_str!("../../../../examples/csv/phone-1.csv");
const PHONE_2: &str = include_str!("../../../../examples/csv/phone-2-semicolons.csv");

#[test]
fn the_samples_are_read_and_overlap() {
    let (one, two) = (imported(PHONE_1), imported(PHONE_2));
    assert_eq!((one.rows, two.rows), (59, 60));
    assert_eq!(codes(&one), [""; 0]);
    assert_eq!(codes(&two), ["byte-order-mark", "delimiter", "decimal-comma"]);
    // Outing, lots, fuses and module are the same entries in both; people and devices are not.
    assert_eq!(ids(&one).intersection(&ids(&two)).count(), 6);
}

#[test]
fn the_string_that_broke_is_one_volley_with_one_fired() {
    let one = imported(PHONE_1);
    let all = volleys(&one);
    let (_, volley, seen) = all.iter().find(|(_, v, _)| v.label.as_deref() == Some("S1")).unwrap();
    assert_eq!((&volley.wiring, volley.shots.len()), (&Wiring::Series, 8));
    let failed: Vec<_> = seen[0].seen.iter().filter(|s| s.ignition == Ignition::Failed).collect();
    assert_eq!(failed.len(), 7);
    assert!(failed.iter().all(|s| s.cause == Some(Cause::BrokenString)));
}
