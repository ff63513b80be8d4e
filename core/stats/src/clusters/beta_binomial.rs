//! The beta-binomial model by maximum likelihood, with one rate a stratum and one correlation for all.

use super::table::ClusterTable;
use crate::error::{StatsError, check_confidence};
use crate::special::normal_upper_quantile;

/// Halvings of a range: enough for the last bit.
const HALVINGS: u32 = 60;

/// Points of the first look at the likelihood, denser near 0.
const LOOKS: u32 = 32;

/// Holds a beta-binomial fit. All rates and correlations are shares from 0 to 1.
#[derive(Debug, Clone, PartialEq)]
pub struct IntraClusterFit {
    /// The correlation ρ of two trials of one cluster that is most likely; 0 where independent trials are.
    pub correlation: f64,
    /// The lower end of its profile-likelihood interval.
    pub low: f64,
    /// The upper end; 1 where nothing speaks against clusters that fail as one.
    pub high: f64,
    /// The rate of each stratum at that correlation, in the order given; none without trials.
    pub rates: Vec<Option<f64>>,
    /// The log-likelihood without the binomial coefficients.
    pub log_likelihood: f64,
    /// The same with independent trials.
    pub log_likelihood_independent: f64,
}

/// Fits the beta-binomial model: in a cluster of m trials, x failures have the probability
/// C(m,x) Π₀ˣ⁻¹(μ+iθ) Π₀ᵐ⁻ˣ⁻¹(1−μ+iθ) / Π₀ᵐ⁻¹(1+iθ), θ = ρ/(1−ρ) = 1/(α+β), ρ ≥ 0.
///
/// One μ a stratum, one ρ for all. The interval for ρ holds what lowers twice the profile log-likelihood by at most the
/// square of the normal quantile of `confidence` in (0, 1). Where no cluster of more than one trial has a failure (or
/// all trials failed) everything is as likely, and the answer is correlation 0 with the interval [0, 1].
///
/// # Errors
/// [`StatsError::BadConfidence`]; [`StatsError::EmptyGroup`] if no stratum has a trial.
///
/// # Source
/// Williams, Biometrics 31 (1975) 949–952; Griffiths, Biometrics 29 (1973) 637–648. Checked against the litters of the
/// first and the rat tumours of Tarone, Biometrics 38 (1982) 215–220.
pub fn beta_binomial(strata: &[ClusterTable], confidence: f64) -> Result<IntraClusterFit, StatsError> {
    check_confidence(confidence)?;
    if strata.iter().all(|s| s.trials() == 0) {
        return Err(StatsError::EmptyGroup);
    }
    let mut profile = Profile { strata, rates: strata.iter().map(rate).collect() };
    let correlation = profile.most_likely();
    let top = profile.at(correlation).0;
    let rates = profile.rates.iter().zip(strata).map(|(r, s)| (s.trials() > 0).then_some(*r)).collect();
    let z = normal_upper_quantile((1.0 - confidence) / 2.0);
    let floor = top - z * z / 2.0;
    // What lies within rounding of the floor counts as above it: a flat likelihood is no evidence.
    let mut is_kept = |rho: f64| profile.at(rho).0 >= floor - 1e-9;
    let mut end = |from: f64, to: f64| {
        if is_kept(to) {
            return to;
        }
        let (mut kept, mut lost) = (from, to);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (kept + lost);
            if is_kept(middle) { kept = middle } else { lost = middle }
        }
        kept
    };
    let (low, high) = (end(correlation, 0.0), end(correlation, 1.0));
    let log_likelihood_independent = profile.at(0.0).0;
    Ok(IntraClusterFit { correlation, low, high, rates, log_likelihood: top, log_likelihood_independent })
}

/// The likelihood with the rates at their best.
struct Profile<'a> {
    strata: &'a [ClusterTable],
    /// The best rates of the last look, to begin the next one with.
    rates: Vec<f64>,
}

impl Profile<'_> {
    /// Returns the log-likelihood at ρ and its slope.
    fn at(&mut self, rho: f64) -> (f64, f64) {
        let (mut sum, mut slope) = (0.0, 0.0);
        for (stratum, rate) in self.strata.iter().zip(&mut self.rates) {
            // A stratum without failures, or of nothing else, is certain at its rate of 0 or 1, whatever ρ is.
            if stratum.failures() > 0 && stratum.failures() < stratum.trials() {
                *rate = best_rate(stratum, rho, *rate);
                let (more, steeper) = likelihood(stratum, *rate, rho);
                sum += more;
                slope += steeper;
            }
        }
        (sum, slope)
    }

    fn most_likely(&mut self) -> f64 {
        let place = |n: u32| (f64::from(n) / f64::from(LOOKS)).powi(2);
        let mut best = (0, f64::NEG_INFINITY);
        for n in 0..=LOOKS {
            let value = self.at(place(n)).0;
            // Strictly more by more than rounding: of equals the smallest ρ.
            if value > best.1 + 1e-9 {
                best = (n, value);
            }
        }
        // The likelihood is steepest at ρ = 0, so its peak may lie before the first look.
        let (mut low, mut high) = (place(best.0.saturating_sub(1)), place((best.0 + 1).min(LOOKS)));
        if self.at(low).1 <= 0.0 {
            return low;
        }
        if high >= 1.0 && self.at(1.0).0 >= best.1 && best.0 == LOOKS {
            return 1.0;
        }
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if self.at(middle).1 > 0.0 { low = middle } else { high = middle }
        }
        low
    }
}

fn rate(stratum: &ClusterTable) -> f64 {
    if stratum.trials() == 0 { 0.0 } else { stratum.failures() as f64 / stratum.trials() as f64 }
}

/// The places from 1 up with their counts.
fn later(counts: &[u64]) -> impl Iterator<Item = (f64, f64)> + '_ {
    counts.iter().enumerate().skip(1).map(|(i, count)| (i as f64, *count as f64))
}

fn first(counts: &[u64]) -> f64 {
    counts.first().copied().unwrap_or(0) as f64
}

/// Returns the most likely rate at ρ: the log-likelihood is concave in the rate, so Newton within a shrinking range.
fn best_rate(stratum: &ClusterTable, rho: f64, start: f64) -> f64 {
    let rest = 1.0 - rho;
    let (mut low, mut high) = (0.0, 1.0);
    let mut rate = if start > 0.0 && start < 1.0 { start } else { 0.5 };
    for _ in 0..100 {
        let mut slope = first(&stratum.failures_above) / rate - first(&stratum.clean_above) / (1.0 - rate);
        let mut bend =
            first(&stratum.failures_above) / rate.powi(2) + first(&stratum.clean_above) / (1.0 - rate).powi(2);
        for (i, count) in later(&stratum.failures_above) {
            let part = rest / (rest * rate + i * rho);
            slope += count * part;
            bend += count * part * part;
        }
        for (i, count) in later(&stratum.clean_above) {
            let part = rest / (rest * (1.0 - rate) + i * rho);
            slope -= count * part;
            bend += count * part * part;
        }
        if slope > 0.0 {
            low = rate
        } else {
            high = rate
        }
        let step = slope / bend;
        let next = rate + step;
        let next = if next > low && next < high { next } else { 0.5 * (low + high) };
        let moved = (next - rate).abs();
        rate = next;
        if moved <= 1e-15 * rate.min(1.0 - rate) {
            break;
        }
    }
    rate
}

/// Returns the log-likelihood of a stratum and its slope in ρ.
///
/// Every factor is multiplied by 1 − ρ, so that ρ = 1, where clusters fail as one, is a place like any other.
fn likelihood(stratum: &ClusterTable, rate: f64, rho: f64) -> (f64, f64) {
    let rest = 1.0 - rho;
    let mixed = stratum.mixed() as f64;
    let (mut sum, mut slope) =
        (first(&stratum.failures_above) * rate.ln() + first(&stratum.clean_above) * (-rate).ln_1p(), 0.0);
    if mixed > 0.0 {
        sum += mixed * (-rho).ln_1p();
        slope -= mixed / rest;
    }
    let mut add = |counts: &[u64], share: f64, sign: f64| {
        for (i, count) in later(counts) {
            let value = rest * share + i * rho;
            sum += sign * count * value.ln();
            slope += sign * count * (i - share) / value;
        }
    };
    add(&stratum.failures_above, rate, 1.0);
    add(&stratum.clean_above, 1.0 - rate, 1.0);
    add(&stratum.trials_above, 1.0, -1.0);
    (sum, slope)
}
