//! The analysis-of-variance estimator of the correlation within clusters.

use super::table::ClusterTable;

/// Returns the analysis-of-variance estimate of the correlation of two trials of one cluster, pooled over strata; it
/// may be below 0. None if no cluster of more than one trial stands beside another in its stratum, or nothing varies.
///
/// With m trials and x failures a cluster, k clusters, N trials and rate p a stratum, sums over all:
/// MSB = Σ m(x/m − p)² / Σ(k−1), MSW = Σ x(m−x)/m / Σ(N−k), m₀ = Σ(N − Σm²/N) / Σ(k−1),
/// ρ = (MSB − MSW) / (MSB + (m₀−1) MSW). With one stratum it is the textbook's.
///
/// # Source
/// Fleiss, *Statistical Methods for Rates and Proportions* (1981), section 13.2; Ridout, Demétrio & Firth, Biometrics
/// 55 (1999) 137–148.
#[must_use]
pub fn anova_correlation(strata: &[ClusterTable]) -> Option<f64> {
    let (mut between, mut within, mut size) = (0.0, 0.0, 0.0);
    let (mut between_degrees, mut within_degrees) = (0.0, 0.0);
    for stratum in strata.iter().filter(|s| s.trials() > 0) {
        let n = stratum.trials() as f64;
        let rate = stratum.failures() as f64 / n;
        for (trials, failures, count) in stratum.alike().iter().copied() {
            let (m, x, times) = (trials as f64, failures as f64, count as f64);
            between += times * m * (x / m - rate).powi(2);
            within += times * x * (m - x) / m;
        }
        let clusters = stratum.clusters() as f64;
        size += n - stratum.squares() / n;
        between_degrees += clusters - 1.0;
        within_degrees += n - clusters;
    }
    if between_degrees <= 0.0 || within_degrees <= 0.0 {
        return None;
    }
    let (msb, msw, m0) = (between / between_degrees, within / within_degrees, size / between_degrees);
    let whole = msb + (m0 - 1.0) * msw;
    (whole > 0.0).then(|| (msb - msw) / whole)
}
