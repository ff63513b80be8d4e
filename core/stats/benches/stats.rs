//! How long an interval takes. A report, not a gate.

use divan::{Bencher, black_box};
use embertally_stats::{
    BinomialGroup, Cluster, ClusterTable, GroupCounts, HyperPrior, IntervalMethod, beta_binomial, binomial_interval,
    clean_shots_needed, firth_logistic, probability_rate_above, shots_to_prove, shots_to_prove_in_lot, shrink_rates,
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

/// Exact intervals for 10 000 pairings.
#[divan::bench]
fn ten_thousand_exact_intervals() -> f64 {
    let one = |n: u64| {
        let trials = 5 + n % 60;
        binomial_interval(IntervalMethod::Exact, (n % 7).min(trials), trials, 0.95).map_or(0.0, |i| i.high)
    };
    (0..black_box(10_000)).map(one).sum()
}

/// Whole numbers that look like chance: SplitMix64 of a counter.
fn mixed(n: u64) -> u64 {
    let mut z = n.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z ^ (z >> 31)
}

/// 100 000 shots in 2 000 groups, 20 terms, of which some are 0 or 1 and one in a hundred shots fails.
fn grouped_shots() -> Vec<BinomialGroup> {
    let group = |g: u64| {
        let value = |term: u64| match term {
            0 => 1.0,
            t if t < 15 => f64::from(u8::from(mixed(g * 14) % 15 == t)),
            t => (mixed(g * 31 + t) % 1000) as f64 / 500.0 - 1.0,
        };
        BinomialGroup { values: (0..20).map(value).collect(), failures: mixed(g) % 2, trials: 50 }
    };
    (0..2_000).map(group).collect()
}

#[divan::bench]
fn firth_20_terms_100_000_shots(bencher: Bencher<'_, '_>) {
    let groups = grouped_shots();
    bencher.bench_local(|| firth_logistic(&groups).map(|fit| fit.steps).ok());
}

/// The fit with the profile interval and the test of every term.
#[divan::bench]
fn firth_20_terms_100_000_shots_with_intervals_and_tests(bencher: Bencher<'_, '_>) {
    let groups = grouped_shots();
    bencher.bench_local(|| {
        let fit = firth_logistic(&groups).ok()?;
        let of = |term| (fit.interval(term, 0.95).ok(), fit.likelihood_ratio(&[term]).ok());
        Some((0..20).map(of).filter(|(i, t)| i.is_some() && t.is_some()).count())
    });
}

#[divan::bench]
fn beta_binomial_of_1_000_volleys(bencher: Bencher<'_, '_>) {
    let volleys: Vec<Cluster> = (0..1_000)
        .map(|n| Cluster { failures: if mixed(n).is_multiple_of(5) { mixed(n) % 8 } else { 0 }, trials: 10 })
        .collect();
    bencher.bench_local(|| beta_binomial(&[ClusterTable::new(volleys.iter().copied()).ok()?], 0.95).ok());
}

#[divan::bench(args = [72, 1_000])]
fn shrinkage(bencher: Bencher<'_, '_>, pairings: u64) {
    let groups: Vec<GroupCounts> = (0..pairings)
        .map(|n| GroupCounts { failures: (mixed(n) % 6) as f64, trials: (20 + mixed(n + 7) % 80) as f64 })
        .collect();
    bencher.bench_local(|| shrink_rates(&groups, HyperPrior::UniformShrinkage, 0.02, 0.95).map(|s| s.prior_mean));
}
