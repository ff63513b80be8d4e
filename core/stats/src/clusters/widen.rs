//! Intervals for rates from clustered trials.

use super::beta_binomial::beta_binomial;
use super::table::ClusterTable;
use crate::error::{StatsError, check_confidence, check_counts};
use crate::interval::{Interval, IntervalMethod, binomial_interval, interval_of_shares};

/// On what a widened interval rests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ClusterBasis {
    /// No cluster has more than one trial: nothing to widen.
    Singles,
    /// The correlation is known well enough.
    Estimated,
    /// Too few clusters to know: every cluster counts as one trial, which is the conservative bound.
    TooFew,
}

/// When clusters are enough to know how alike their trials are, and how careful to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClusterRule {
    /// How sure the upper limit of the correlation is, one-sided.
    pub assurance: f64,
    /// Above this limit the correlation counts as not known.
    pub most: f64,
}

impl Default for ClusterRule {
    /// An upper limit of 80 %, and not known where it is above one half.
    ///
    /// Chosen by simulation (`examples/coverage.rs`): the most likely ρ alone is too small half of the time, and the
    /// intervals then cover too seldom.
    fn default() -> Self {
        Self { assurance: 0.8, most: 0.5 }
    }
}

/// How alike the trials of one cluster are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlation {
    /// On what it rests.
    pub basis: ClusterBasis,
    /// The most likely value; none where no cluster can tell.
    pub most_likely: Option<f64>,
    /// The interval for it.
    pub interval: Interval,
    /// The value that intervals are widened by: its upper limit, or 1 with too few clusters, or 0 with singles only.
    pub used: f64,
    /// The clusters with more than one trial.
    pub shared_clusters: u64,
}

/// Returns how alike trials of one cluster are, from strata that each have a rate of their own.
///
/// `confidence` in (0, 1) is for the interval shown; what is used follows from `rule`.
///
/// # Errors
/// [`StatsError::BadConfidence`], also for the rule's assurance, which lies above ½.
pub fn correlation(strata: &[ClusterTable], rule: ClusterRule, confidence: f64) -> Result<Correlation, StatsError> {
    check_confidence(confidence)?;
    check_confidence(2.0 * rule.assurance - 1.0)?;
    let shared_clusters = strata.iter().map(ClusterTable::shared).sum();
    if shared_clusters == 0 {
        let none = Interval { low: 0.0, high: 0.0 };
        let basis = ClusterBasis::Singles;
        return Ok(Correlation { basis, most_likely: None, interval: none, used: 0.0, shared_clusters });
    }
    let fit = beta_binomial(strata, confidence)?;
    let used = beta_binomial(strata, 2.0 * rule.assurance - 1.0)?.high;
    let is_known = used <= rule.most;
    Ok(Correlation {
        basis: if is_known { ClusterBasis::Estimated } else { ClusterBasis::TooFew },
        most_likely: (fit.low, fit.high).ne(&(0.0, 1.0)).then_some(fit.correlation),
        interval: Interval { low: fit.low, high: fit.high },
        used: if is_known { used } else { 1.0 },
        shared_clusters,
    })
}

/// What is counted of the clusters of one rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClusterCounts {
    /// The failures.
    pub failures: u64,
    /// The trials.
    pub trials: u64,
    /// The size of the cluster that a trial is in, on average over the trials, see [`ClusterTable::mean_size`].
    pub mean_size: f64,
}

/// An interval for a rate from clustered trials, beside the one that takes them as independent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WidenedInterval {
    /// The interval that takes all trials as independent.
    pub plain: Interval,
    /// The interval widened; never narrower than the plain one.
    pub widened: Interval,
    /// By how much fewer trials count: 1 + (m̄ − 1) ρ with m̄ the mean size; 1 is not at all.
    pub design_effect: f64,
    /// The trials over the design effect.
    pub effective_trials: f64,
}

/// Returns the interval for a failure rate from clustered trials: failures and trials are divided by the design effect
/// and put into the method's own formula.
///
/// `correlation` from 0 to 1, such as [`Correlation::used`]. With no trials it is [0, 1].
///
/// # Errors
/// [`StatsError::MoreFailuresThanTrials`], [`StatsError::TooManyTrials`], [`StatsError::BadConfidence`];
/// [`StatsError::BadRate`] for a correlation outside [0, 1], [`StatsError::BadScore`] for a mean size below 1.
///
/// # Source
/// Design effect: Kish, *Survey Sampling* (1965), section 5.4, with Σm²/Σm for unequal sizes. Effective counts in the
/// exact formula: Korn & Graubard, Survey Methodology 24 (1998) 193–201; Rao & Scott, Biometrics 48 (1992) 577–585. In
/// place of the t-quantiles of the former, the correlation's upper limit carries what few clusters do not tell.
pub fn widened_interval(
    method: IntervalMethod,
    counts: ClusterCounts,
    correlation: f64,
    confidence: f64,
) -> Result<WidenedInterval, StatsError> {
    let ClusterCounts { failures, trials, mean_size } = counts;
    check_counts(failures, trials)?;
    if !(0.0..=1.0).contains(&correlation) {
        return Err(StatsError::BadRate { rate: correlation });
    }
    if !(1.0..=f64::MAX).contains(&mean_size) {
        return Err(StatsError::BadScore { score: mean_size });
    }
    let plain = binomial_interval(method, failures, trials, confidence)?;
    let design_effect = 1.0 + (mean_size - 1.0) * correlation;
    let effective_trials = trials as f64 / design_effect;
    if design_effect <= 1.0 || trials == 0 {
        return Ok(WidenedInterval { plain, widened: plain, design_effect: 1.0, effective_trials: trials as f64 });
    }
    let of_shares = interval_of_shares(method, failures as f64 / design_effect, effective_trials, confidence);
    let widened = Interval { low: of_shares.low.min(plain.low), high: of_shares.high.max(plain.high) };
    Ok(WidenedInterval { plain, widened, design_effect, effective_trials })
}
