//! Laws that hold whatever the counts are.

use embertally_stats::{
    Interval, IntervalMethod, MAX_TRIALS, binomial_interval, clean_shots_needed, clopper_pearson,
    clopper_pearson_upper, confidence_proved, jeffreys, most_bad_in_lot, probability_rate_above, shots_to_prove,
    shots_to_prove_in_lot,
};
use proptest::prelude::*;

/// Slack of an inequality between two ends that may be equal: their last digits.
const ROUNDING: f64 = 1e-12;

fn method() -> impl Strategy<Value = IntervalMethod> {
    prop::sample::select(IntervalMethod::ALL.to_vec())
}

/// Trials, small and large counts alike.
fn trials() -> impl Strategy<Value = u64> {
    prop_oneof![1..=60_u64, 1..=5_000_u64, 1..=1_000_000_u64]
}

/// Failures and trials.
fn counts() -> impl Strategy<Value = (u64, u64)> {
    trials().prop_flat_map(|trials| (0..=trials, Just(trials)))
}

/// Failures and trials, at least one of which did not fail.
fn counts_with_success() -> impl Strategy<Value = (u64, u64)> {
    trials().prop_flat_map(|trials| (0..trials, Just(trials)))
}

/// Failures and trials, at most half of which failed.
fn mostly_good() -> impl Strategy<Value = (u64, u64)> {
    trials().prop_flat_map(|trials| (0..=trials / 2, Just(trials)))
}

fn confidence() -> impl Strategy<Value = f64> {
    prop_oneof![0.5..0.9999, Just(0.5), Just(0.95), Just(0.9999)]
}

fn interval(method: IntervalMethod, failures: u64, trials: u64, confidence: f64) -> Interval {
    binomial_interval(method, failures, trials, confidence).unwrap()
}

proptest! {
    #[test]
    fn interval_holds_the_observed_rate(m in method(), (x, n) in counts(), c in confidence()) {
        let Interval { low, high } = interval(m, x, n, c);
        let rate = x as f64 / n as f64;
        prop_assert!(0.0 <= low && high <= 1.0);
        prop_assert!(low <= rate && rate <= high, "{low} {rate} {high}");
    }

    #[test]
    fn one_more_failure_moves_both_ends_up(
        m in method(), (x, n) in counts_with_success(), c in confidence()
    ) {
        let (fewer, more) = (interval(m, x, n, c), interval(m, x + 1, n, c));
        prop_assert!(fewer.low < more.low, "{fewer:?} {more:?}");
        prop_assert!(fewer.high < more.high || (x + 1 == n && more.high == 1.0), "{fewer:?} {more:?}");
    }

    #[test]
    fn failures_and_successes_mirror_each_other(
        m in method(), (x, n) in counts(), c in confidence()
    ) {
        let (of_failures, of_successes) = (interval(m, x, n, c), interval(m, n - x, n, c));
        prop_assert!((of_failures.low - (1.0 - of_successes.high)).abs() <= ROUNDING);
        prop_assert!((of_failures.high - (1.0 - of_successes.low)).abs() <= ROUNDING);
    }

    #[test]
    fn more_confidence_is_wider(
        m in method(), (x, n) in counts(), c in 0.5..0.999, more in 0.01..0.99
    ) {
        let surer = c + (0.9999 - c) * more;
        let (narrow, wide) = (interval(m, x, n, c), interval(m, x, n, surer));
        prop_assert!(wide.low <= narrow.low && narrow.high <= wide.high);
        prop_assert!(wide.width() > narrow.width());
    }

    #[test]
    fn jeffreys_lies_inside_the_exact_interval((x, n) in counts(), c in confidence()) {
        let (inner, outer) = (jeffreys(x, n, c).unwrap(), clopper_pearson(x, n, c).unwrap());
        prop_assert!(outer.low <= inner.low && inner.high <= outer.high, "{inner:?} {outer:?}");
    }

    #[test]
    fn posterior_agrees_with_the_jeffreys_upper_end((x, n) in mostly_good(), c in 0.5..0.999) {
        let high = jeffreys(x, n, c).unwrap().high;
        // Of mostly bad ones the end is so near 1 that it has lost the digits this depends on.
        let above = probability_rate_above(x, n, high).unwrap();
        let want = (1.0 - c) / 2.0;
        prop_assert!((above / want - 1.0).abs() < 1e-8, "{above} {want}");
    }

    #[test]
    fn worse_rates_are_less_probable((x, n) in counts(), rate in 0.0..0.99, step in 0.001..0.01) {
        let (above, further) = (
            probability_rate_above(x, n, rate).unwrap(),
            probability_rate_above(x, n, rate + step).unwrap(),
        );
        prop_assert!((0.0..=1.0).contains(&above) && further <= above);
    }

    #[test]
    fn clean_shots_are_enough_and_no_more(
        (x, n) in (0..=5_u64, 5..=200_u64), rate in 0.005..0.3, wanted in 0.001..0.5
    ) {
        let more = clean_shots_needed(x, n, rate, wanted).unwrap().unwrap();
        prop_assert!(probability_rate_above(x, n + more, rate).unwrap() <= wanted);
        prop_assert!(more == 0 || probability_rate_above(x, n + more - 1, rate).unwrap() > wanted);
    }

    #[test]
    fn shots_prove_what_they_were_counted_for(
        reliability in 0.3..0.9995, c in 0.3..0.9999, allowed in 0..=12_u64
    ) {
        let shots = shots_to_prove(reliability, c, allowed).unwrap();
        // Ties within 1e-12 of the risk count as met.
        prop_assert!(confidence_proved(allowed, shots, reliability).unwrap() >= c - ROUNDING);
        prop_assert!(confidence_proved(allowed, shots - 1, reliability).unwrap() < c);
    }

    #[test]
    fn shots_from_a_lot_leave_too_few_bad_pieces(
        lot in 2..=5_000_u64, reliability in 0.5..0.999, c in 0.3..0.999, allowed in 0..=4_u64
    ) {
        let Ok(shots) = shots_to_prove_in_lot(lot, reliability, c, allowed) else {
            // Refused only when the lot could pass with too many bad pieces even if all were shot.
            prop_assert!((allowed as f64) >= lot as f64 * (1.0 - reliability));
            return Ok(());
        };
        let most = most_bad_in_lot(lot, allowed, shots, c).unwrap();
        prop_assert!((most as f64) < lot as f64 * (1.0 - reliability));
        if shots > allowed + 1 {
            let most = most_bad_in_lot(lot, allowed, shots - 1, c).unwrap();
            prop_assert!((most + 1) as f64 > lot as f64 * (1.0 - reliability));
        }
    }
}

/// Numbers at the edges of (0, 1), where formulas divide zero by zero.
const EDGES: [f64; 9] = [
    f64::MIN_POSITIVE,
    1e-300,
    1e-17,
    1e-9,
    0.5,
    1.0 - 1e-9,
    1.0 - 1e-12,
    1.0 - f64::EPSILON,
    1.0 - f64::EPSILON / 2.0,
];

#[test]
fn no_answer_at_the_edges_is_nan_or_out_of_range() {
    let counts = [(0, 1), (1, 1), (0, 59), (1, 59), (59, 59), (5_000_000, MAX_TRIALS), (0, MAX_TRIALS)];
    for (x, n) in counts {
        for edge in EDGES {
            for m in IntervalMethod::ALL {
                let Interval { low, high } = interval(m, x, n, edge);
                assert!(0.0 <= low && low <= high && high <= 1.0, "{m} {x} {n} {edge:e}: {low} {high}");
            }
            let upper = clopper_pearson_upper(x, n, edge).unwrap();
            let above = probability_rate_above(x, n, edge).unwrap();
            let proved = confidence_proved(x, n, edge).unwrap();
            for value in [upper, above, proved] {
                assert!((0.0..=1.0).contains(&value), "{x} {n} {edge:e}: {value}");
            }
        }
    }
    for reliability in EDGES {
        for confidence in EDGES {
            for allowed in [0, 1, 40] {
                if let Ok(shots) = shots_to_prove(reliability, confidence, allowed) {
                    assert!(shots > allowed && shots <= MAX_TRIALS);
                }
                if let Ok(shots) = shots_to_prove_in_lot(50, reliability, confidence, allowed) {
                    assert!(shots > allowed && shots <= 50);
                }
            }
        }
    }
}
