//! How long an interval takes. A report, not a gate.

use divan::{Bencher, black_box};
use embertally_stats::{
    IntervalMethod, binomial_interval, clean_shots_needed, probability_rate_above, shots_to_prove,
    shots_to_prove_in_lot,
};

const TRIALS: [u64; 3] = [30, 10_000, 1_000_000];

fn main() {
    divan::main();
}

/// One failure in fifteen shots.
fn interval(bencher: Bencher<'_, '_>, method: IntervalMethod, trials: u64) {
    bencher.bench(|| binomial_interval(method, black_box(trials / 15), black_box(trials), 0.95));
}

#[divan::bench(args = TRIALS)]
fn exact(bencher: Bencher<'_, '_>, trials: u64) {
    interval(bencher, IntervalMethod::Exact, trials);
}

#[divan::bench(args = TRIALS)]
fn wilson(bencher: Bencher<'_, '_>, trials: u64) {
    interval(bencher, IntervalMethod::Wilson, trials);
}

#[divan::bench(args = TRIALS)]
fn jeffreys(bencher: Bencher<'_, '_>, trials: u64) {
    interval(bencher, IntervalMethod::Jeffreys, trials);
}

#[divan::bench(args = TRIALS)]
fn posterior(trials: u64) -> Option<f64> {
    probability_rate_above(black_box(trials / 15), trials, 0.06).ok()
}

#[divan::bench]
fn clean_shots_after_one_misfire() -> Option<u64> {
    clean_shots_needed(black_box(1), 30, 0.05, 0.05).ok()?
}

#[divan::bench]
fn prove_a_thousandth_with_three_failures() -> Option<u64> {
    shots_to_prove(black_box(0.999), 0.95, 3).ok()
}

#[divan::bench]
fn prove_in_a_lot_of_1200() -> Option<u64> {
    shots_to_prove_in_lot(1200, black_box(0.95), 0.9, 2).ok()
}
