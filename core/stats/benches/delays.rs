//! How long the estimates of delays take. A report, not a gate.

use divan::{Bencher, black_box};
use embertally_stats::{CensoredSample, CensoredTime, Law, LogFit, log_rank, tolerance_factor, turnbull};

fn main() {
    divan::main();
}

/// Invented delays, the same each time: about log-normal with a median of 110 ms, seen between two looks at random
/// times, or on frames of 120 a second.
fn delays(kind: &str) -> Vec<CensoredTime> {
    let mut state = 20_310_509_u64;
    let mut uniform = || {
        // Knuth's MMIX generator; its upper half.
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as f64 / (1_u64 << 31) as f64
    };
    let frame = 1000.0 / 120.0;
    let one = |_| {
        let spread: f64 = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
        let (true_delay, before, after) = (110.0 * (0.25 * spread).exp(), uniform(), uniform());
        if kind == "frames" {
            let counted = (true_delay / frame + before).floor();
            CensoredTime::new((counted - 1.0).max(0.0) * frame, (counted + 1.0) * frame).ok()
        } else {
            CensoredTime::new((true_delay - 40.0 * before).max(0.0), true_delay + 40.0 * after).ok()
        }
    };
    (0..10_000).filter_map(one).collect()
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
