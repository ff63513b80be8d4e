//! How long the estimates of delays take. A report, not a gate.

use divan::{Bencher, black_box};
use embertally_stats::{CensoredSample, CensoredTime, Law, LogFit, log_rank, tolerance_factor, turnbull};

fn main() {
    divan::main();
}

/// The same invented delays each time, from the file that `compare/delays_compare.py` times the other libraries on.
fn delays(name: &str) -> Vec<CensoredTime> {
    let text = match name {
        "all different" => include_str!("../compare/delays_different.csv"),
        _ => include_str!("../compare/delays_frames.csv"),
    };
    let time = |line: &str| {
        let (low, high) = line.split_once(',')?;
        CensoredTime::new(low.parse().ok()?, high.parse().ok()?).ok()
    };
    text.lines().filter_map(time).collect()
}

/// Ten thousand intervals that are all different, and ten thousand read off frames.
const KINDS: [&str; 2] = ["all different", "frames"];

#[divan::bench(args = KINDS)]
fn turnbull_of_10_000(bencher: Bencher<'_, '_>, kind: &str) {
    let times = delays(kind);
    assert_eq!(times.len(), 10_000);
    bencher.bench(|| turnbull(&CensoredSample::new(black_box(&times)).ok()?).ok());
}

#[divan::bench(args = KINDS)]
fn log_normal_fit_of_10_000(bencher: Bencher<'_, '_>, kind: &str) {
    let times = delays(kind);
    bencher.bench(|| LogFit::new(Law::LogNormal, &CensoredSample::new(black_box(&times)).ok()?).ok());
}

#[divan::bench(args = KINDS)]
fn weibull_fit_with_an_interval(bencher: Bencher<'_, '_>, kind: &str) {
    let times = delays(kind);
    bencher.bench(|| {
        let fit = LogFit::new(Law::Weibull, &CensoredSample::new(black_box(&times)).ok()?).ok()?;
        fit.slower_than(150.0, 0.95).ok()
    });
}

#[divan::bench(args = KINDS)]
fn log_rank_of_5_000_and_5_000(bencher: Bencher<'_, '_>, kind: &str) {
    let times = delays(kind);
    let (first, second) = times.split_at(5_000);
    bencher.bench(|| log_rank(black_box(first), second).ok());
}

#[divan::bench]
fn tolerance_factor_of_43() -> Option<f64> {
    tolerance_factor(black_box(43), 0.9, 0.99).ok()
}
