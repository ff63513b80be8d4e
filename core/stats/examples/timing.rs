//! Nanoseconds for each of a few tasks, as JSON, for `compare/compare.py` to set against SciPy and statsmodels.

use std::hint::black_box;
use std::time::Instant;

use embertally_stats::{
    BinomialGroup, Cluster, ClusterTable, TwoByTwo, beta_binomial, clopper_pearson, firth_logistic, fisher_exact,
};

/// Whole numbers that look like chance, the same as in the script: SplitMix64 of a counter.
fn mixed(n: u64) -> u64 {
    let mut z = n.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z ^ (z >> 31)
}

/// The least of some runs, in nanoseconds a piece.
fn least(runs: u32, pieces: u32, mut task: impl FnMut() -> f64) -> f64 {
    let one = |task: &mut dyn FnMut() -> f64| {
        let begun = Instant::now();
        black_box(task());
        begun.elapsed().as_nanos() as f64 / f64::from(pieces)
    };
    (0..runs).map(|_| one(&mut task)).fold(f64::INFINITY, f64::min)
}

#[expect(clippy::print_stdout, reason = "it is read by the script")]
fn main() {
    let exact = least(5, 2000, || {
        (0..2000).map(|n| clopper_pearson(mixed(n) % 20, 20 + mixed(n + 9) % 200, 0.95).map_or(0.0, |i| i.high)).sum()
    });
    let fisher = least(5, 2000, || {
        (0..2000)
            .filter_map(|n| {
                TwoByTwo::new(mixed(n) % 20, 20 + mixed(n + 1) % 80, mixed(n + 2) % 20, 20 + mixed(n + 3) % 80).ok()
            })
            .filter_map(|table| fisher_exact(&table).ok())
            .map(|f| f.two_sided)
            .sum()
    });
    let beta = least(5, 1, || {
        let volleys = (0..200)
            .map(|n| Cluster { failures: if mixed(n).is_multiple_of(5) { mixed(n + 1) % 8 } else { 0 }, trials: 10 });
        ClusterTable::new(volleys).and_then(|t| beta_binomial(&[t], 0.95)).map_or(0.0, |f| f.correlation)
    });
    let groups: Vec<BinomialGroup> = (0..500_u64)
        .map(|g| {
            let value = |t: u64| if t == 0 { 1.0 } else { (mixed(g * 31 + t) % 1000) as f64 / 500.0 - 1.0 };
            BinomialGroup { values: (0..10).map(value).collect(), failures: mixed(g) % 2, trials: 50 }
        })
        .collect();
    let firth = least(5, 1, || firth_logistic(&groups).map_or(0.0, |f| f.coefficients.iter().sum()));
    // The whole answer: the fit, the profile interval of every term but the constant, and the test of each.
    let whole = least(5, 1, || {
        let Ok(fit) = firth_logistic(&groups) else { return 0.0 };
        (1..10)
            .map(|term| {
                let interval = fit.interval(term, 0.95).ok();
                let p = fit.likelihood_ratio(&[term]).map_or(0.0, |test| test.p);
                p + interval.and_then(|i| Some(i.low? + i.high?)).unwrap_or(0.0)
            })
            .sum()
    });
    println!(
        "{{\"exact\": {exact}, \"fisher\": {fisher}, \"beta_binomial\": {beta}, \"firth\": {firth}, \"firth_whole\": {whole}}}"
    );
}
