//! What practice reports of strings (common practice, no source), and what the log proves of them.

use super::*;
use crate::facts::Wiring;

/// A quick make: little impulse, opens at once. A slow one: more impulse, opens later.
const QUICK: (f64, f64) = (3e-3, 1.0e-3);
const SLOW: (f64, f64) = (9e-3, 4.0e-3);

fn fired(wiring: &Wiring, makes: &[(f64, f64)]) -> Vec<bool> {
    let network = Network::of_volley(steady(12.0, 1.0), 0.6, wiring, vec![1.6; makes.len()]).unwrap();
    let bridges: Vec<Bridge> = makes.iter().map(|(impulse, lag)| bridge(*impulse, *lag)).collect();
    fire(&network, &bridges).unwrap().fates.iter().map(|f| f.fired_second.is_some()).collect()
}

#[test]
fn two_makes_in_one_string_the_quicker_pair_fires_and_the_same_four_in_parallel_all_do() {
    let mixed = [QUICK, SLOW, QUICK, SLOW];
    assert_eq!(fired(&Wiring::Series, &mixed), [true, false, true, false]);
    assert_eq!(fired(&Wiring::Parallel, &mixed), [true; 4]);
    assert_eq!(fired(&Wiring::SeriesParallel(vec![2, 2]), &[QUICK, QUICK, SLOW, SLOW]), [true; 4]);
}

#[test]
fn ten_of_one_make_fire_where_ten_of_another_do_not_and_five_of_it_do() {
    // One make evenly made. The other spreads, and one of its ten is far quicker than the rest: it fires alone. At ten the
    // loop carries 0.68 A, at five 1.25 A, where the same lag is worth over three times the impulse.
    let even = [SLOW; 10];
    assert_eq!(fired(&Wiring::Series, &even), [true; 10]);
    let lag = 3e-3;
    let mut uneven = [(9e-3, lag); 10];
    uneven[3] = (5e-3, lag);
    let ten = fired(&Wiring::Series, &uneven);
    assert_eq!(ten.iter().filter(|f| **f).count(), 1, "one fired, nine did not");
    assert!(ten[3]);
    assert_eq!(fired(&Wiring::Series, &uneven[..5]), [true; 5]);
}

fn tried(length: u32, tried: u64, whole: u64) -> StringsTried {
    StringsTried { length, tried, whole }
}

#[test]
fn a_length_is_proved_by_its_own_strings_and_by_longer_ones() {
    // 59 without a failure prove 95 % with 95 % (success run, ln 0.05 / ln 0.95 = 58.4); 72 with 97.5 %, where longer
    // ones speak too.
    let proof = proven_lengths(&[tried(5, 53, 53), tried(8, 19, 19)], 0.95, 0.95).unwrap();
    assert_eq!((proof.longest, proof.needed_anew), (Some(5), 59));
    assert_eq!(proof.lengths[0].more_needed, Some(0));
    // Of eight there are 19; 40 more are missing.
    assert_eq!(proof.lengths[1].more_needed, Some(40));
    // Broken strings of ten say nothing against five.
    let broken = proven_lengths(&[tried(5, 72, 72), tried(10, 9, 0)], 0.95, 0.95).unwrap();
    assert_eq!(broken.longest, Some(5));
    assert_eq!(broken.lengths[1].low, 0.0);
    assert!(broken.lengths[1].more_needed.unwrap() > 59);
}

#[test]
fn longer_strings_never_look_better_than_shorter_ones() {
    let proof = proven_lengths(&[tried(10, 4, 4), tried(2, 10, 9), tried(5, 10, 7), tried(8, 0, 0)], 0.9, 0.9).unwrap();
    let shares: Vec<f64> = proof.lengths.iter().map(|l| l.isotonic).collect();
    // 9/10, then 7/10 and 4/4 pooled: 11/14.
    assert_eq!(shares, [0.9, 11.0 / 14.0, 11.0 / 14.0]);
    assert_eq!(proof.longest, None);
    let nothing = proven_lengths(&[], 0.9, 0.9).unwrap();
    assert_eq!((nothing.lengths.len(), nothing.longest), (0, None));
    assert!(proven_lengths(&[tried(2, 1, 2)], 0.9, 0.9).is_err());
    assert!(proven_lengths(&[tried(2, 1, 1)], 1.0, 0.9).is_err());
}

#[test]
fn what_is_wrong_with_a_circuit_is_said() {
    let stated = StatedCurrents { no_fire: Some(0.18), all_fire: Some(0.6), series: Some(0.8) };
    let codes = |ampere, is_series, continuity| -> Vec<&'static str> {
        advise(&stated, ampere, is_series, continuity).iter().map(Advice::code).collect()
    };
    assert_eq!(codes(1.0, true, Some(0.02)), [""; 0]);
    assert_eq!(codes(0.7, true, None), ["below-series-current"]);
    assert_eq!(codes(0.7, false, None), [""; 0]);
    assert_eq!(codes(0.5, true, None), ["below-all-fire-current", "below-series-current"]);
    assert_eq!(
        codes(0.1, true, Some(0.2)),
        ["below-no-fire-current", "below-series-current", "continuity-above-no-fire"]
    );
    let over = margins(&stated, 1.2).unwrap();
    assert!((over.over_all_fire.unwrap() - 2.0).abs() < 1e-12 && (over.over_series.unwrap() - 1.5).abs() < 1e-12);
    assert!(margins(&StatedCurrents { no_fire: Some(0.0), ..stated }, 1.0).is_err());
}
