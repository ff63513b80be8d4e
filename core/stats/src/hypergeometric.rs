//! The hypergeometric distribution function: bad pieces in a sample from a finite lot.

use crate::saddle::ln_binomial_point;

/// Returns the probability of at most `most` bad pieces among `shots` taken from a lot of `lot_size` that
/// has `bad`; `bad` and `shots` are at most `lot_size`.
///
/// The sum starts at its largest term, so it is right in the relative sense down to underflow.
pub(crate) fn at_most(most: u64, lot_size: u64, bad: u64, shots: u64) -> f64 {
    let good = lot_size - bad;
    let fewest = shots.saturating_sub(good);
    let highest = shots.min(bad);
    if most >= highest {
        return 1.0;
    }
    if most < fewest {
        return 0.0;
    }
    let peak = u128::from(shots + 1) * u128::from(bad + 1) / u128::from(lot_size + 2);
    // The peak lies between `fewest` and `highest`, so it fits.
    let start = most.min(u64::try_from(peak).unwrap_or(highest)).clamp(fewest, highest);
    let first = point(start, lot_size, bad, shots);
    // Terms relative to the first one; they fall away from the peak on both sides.
    let mut total = 1.0;
    let mut term = 1.0;
    for x in (fewest..start).rev() {
        term *= ((x + 1) as f64 / (shots - x) as f64) * ((good + x + 1 - shots) as f64 / (bad - x) as f64);
        total += term;
        if term < total * 1e-18 {
            break;
        }
    }
    term = 1.0;
    for x in start..most {
        term *= ((shots - x) as f64 / (x + 1) as f64) * ((bad - x) as f64 / (good + x + 1 - shots) as f64);
        total += term;
        if term < total * 1e-18 {
            break;
        }
    }
    (first * total).min(1.0)
}

/// The probability of exactly `x` bad pieces.
fn point(x: u64, lot_size: u64, bad: u64, shots: u64) -> f64 {
    ln_point(x, lot_size, bad, shots).exp()
}

/// Returns the logarithm of the probability of exactly `x` bad pieces, which must be possible; from three binomial
/// points (Loader 2000, section 4).
pub(crate) fn ln_point(x: u64, lot_size: u64, bad: u64, shots: u64) -> f64 {
    // Everything or nothing taken: only one outcome there is.
    if shots == 0 || shots == lot_size || bad == 0 || bad == lot_size {
        return 0.0;
    }
    let p = shots as f64 / lot_size as f64;
    let q = (lot_size - shots) as f64 / lot_size as f64;
    let of_bad = ln_binomial_point(x as f64, bad as f64, p, q);
    let of_good = ln_binomial_point((shots - x) as f64, (lot_size - bad) as f64, p, q);
    let of_all = ln_binomial_point(shots as f64, lot_size as f64, p, q);
    of_bad + of_good - of_all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn choose(n: u64, k: u64) -> u128 {
        (0..k).fold(1, |product, i| product * u128::from(n - i) / u128::from(i + 1))
    }

    #[test]
    fn every_small_lot_agrees_with_counting_the_samples() {
        for lot_size in 1..=14 {
            for bad in 0..=lot_size {
                for shots in 0..=lot_size {
                    for most in 0..=shots {
                        let favourable: u128 = (0..=most)
                            .filter(|&x| x <= bad && shots - x <= lot_size - bad)
                            .map(|x| choose(bad, x) * choose(lot_size - bad, shots - x))
                            .sum();
                        let want = favourable as f64 / choose(lot_size, shots) as f64;
                        let got = at_most(most, lot_size, bad, shots);
                        assert!(
                            (got - want).abs() <= 1e-13 * want,
                            "{most} {lot_size} {bad} {shots}: {got} for {want}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn deep_tail_of_a_large_lot_is_right_in_the_relative_sense() {
        // Python, whole numbers: sum of C(K, x) C(N−K, n−x) / C(N, n).
        for (most, lot_size, bad, shots, want) in DEEP {
            let got = at_most(most, lot_size, bad, shots);
            assert!((got / want - 1.0).abs() < 1e-11, "{got:e} for {want:e}");
        }
    }

    const DEEP: [(u64, u64, u64, u64, f64); 4] = [
        (0, 100000, 5000, 2000, 9.636_917_797_248_54e-46),
        (3, 10000, 500, 4000, 1.5803857990370968e-108),
        (60, 10000, 500, 1000, 0.942_954_359_813_110_8),
        (400, 100000, 50000, 1000, 1.1115801530781538e-10),
    ];
}
