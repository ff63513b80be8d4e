//! What the exact interval promises: it covers every rate at least as often as it says.

use embertally_stats::clopper_pearson;

const TRIALS: [u64; 9] = [1, 2, 5, 10, 29, 59, 100, 263, 500];
const CONFIDENCES: [f64; 3] = [0.5, 0.9, 0.99];

/// Rates from 0 to 1, denser near the ends, where igniters live.
fn rates() -> Vec<f64> {
    let near_zero = (1..=60).map(|i| f64::from(i) / 2000.0);
    let middle = (3..=97).map(|i| f64::from(i) / 100.0);
    let near_one = (1..=20).map(|i| 1.0 - f64::from(i) / 1000.0);
    near_zero.chain(middle).chain(near_one).collect()
}

/// The probabilities of 0..=n failures, each from the one before, outwards from the most likely.
fn outcomes(trials: u64, rate: f64) -> Vec<f64> {
    let odds = rate / (1.0 - rate);
    let most_likely = ((trials + 1) as f64 * rate) as usize;
    let mut weights = vec![1.0; trials as usize + 1];
    for x in most_likely + 1..weights.len() {
        weights[x] = weights[x - 1] * (trials as f64 - x as f64 + 1.0) / x as f64 * odds;
    }
    for x in (0..most_likely).rev() {
        weights[x] = weights[x + 1] * (x as f64 + 1.0) / (trials as f64 - x as f64) / odds;
    }
    let total: f64 = weights.iter().sum();
    weights.iter().map(|weight| weight / total).collect()
}

#[test]
fn exact_interval_covers_every_rate_as_often_as_it_says() {
    let mut least_excess = f64::INFINITY;
    for trials in TRIALS {
        let distributions: Vec<_> = rates().into_iter().map(|p| (p, outcomes(trials, p))).collect();
        for confidence in CONFIDENCES {
            let intervals: Vec<_> =
                (0..=trials).map(|failures| clopper_pearson(failures, trials, confidence).unwrap()).collect();
            for (rate, distribution) in &distributions {
                let covered: f64 = intervals
                    .iter()
                    .zip(distribution)
                    .filter(|(interval, _)| interval.contains(*rate))
                    .map(|(_, probability)| probability)
                    .sum();
                // The allowance is for adding up 501 rounded terms, not for the interval.
                assert!(
                    covered >= confidence - 1e-12,
                    "{trials} trials, rate {rate}: covered {covered}, said {confidence}"
                );
                least_excess = least_excess.min(covered - confidence);
            }
        }
    }
    // If nothing came close, the interval would be too wide to be the exact one.
    assert!(least_excess < 0.01, "never closer than {least_excess}");
}
