//! The numbers of one group's delays.

use embertally_stats::{
    Bound, CensoredSample, CensoredTime, Law, LogFit, TimesError, clopper_pearson, fewest_for_order_bound,
    log_normal_bound, order_statistic_bound, turnbull, volley_spread,
};
use serde::Serialize;

use super::super::table::RatesError;
use super::gather::Gathered;

/// An estimate with its interval; null where there is no end.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BoundFigures {
    /// The estimate.
    pub value: f64,
    /// The low end.
    pub low: f64,
    /// The high end; null where there is none.
    pub high: Option<f64>,
}

impl From<Bound> for BoundFigures {
    fn from(bound: Bound) -> Self {
        Self { value: bound.value, low: bound.low, high: finite(bound.high) }
    }
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// A law fitted to the delays.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FitFigures {
    /// `log-normal` or `weibull`.
    pub law: &'static str,
    /// The location of the logarithm of milliseconds.
    pub location: f64,
    /// Its scale; the Weibull's shape is one over it.
    pub scale: f64,
    /// The log-likelihood: the law with the larger one fits better.
    pub ln_likelihood: f64,
    /// The delay that half of the shots do not exceed.
    pub median_ms: BoundFigures,
    /// The delay that the share asked for does not exceed.
    pub quantile_ms: BoundFigures,
    /// The tolerance bound: that delay is below this with the confidence asked for; null where there is none.
    pub bound_ms: Option<f64>,
    /// The share of shots slower than the limit; null without a limit.
    pub slower: Option<BoundFigures>,
    /// The curve: delay, and the share of shots slower, for a chart.
    #[serde(skip)]
    pub curve: Vec<(f64, f64)>,
}

/// How many are slower than the limit, whatever the law.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SlowFigures {
    /// The limit.
    pub limit_ms: f64,
    /// Delays that lie wholly above it.
    pub surely: u64,
    /// Delays that may lie above it; those of them that are not sure are across the limit.
    pub possibly: u64,
    /// The low end of the exact interval that takes those across it as quick.
    pub low: f64,
    /// The high end of the one that takes them as slow.
    pub high: f64,
    /// The least share that Turnbull's estimate leaves open.
    pub turnbull_low: f64,
    /// The largest.
    pub turnbull_high: f64,
}

/// How far apart the shots of one volley are.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SpreadFigures {
    /// Volleys of two measured shots or more.
    pub volleys: u64,
    /// Their shots.
    pub shots: u64,
    /// The pooled standard deviation of the middles of the intervals.
    pub deviation_ms: f64,
    /// The least that the intervals allow.
    pub least_ms: f64,
    /// The most.
    pub most_ms: f64,
    /// The low end of the interval for the true deviation.
    pub low_ms: f64,
    /// The high end.
    pub high_ms: f64,
    /// The widest volley is at least this wide.
    pub widest_at_least_ms: f64,
    /// No volley is wider than this.
    pub widest_at_most_ms: f64,
}

/// One piece of Turnbull's estimate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MassFigures {
    /// Its low end.
    pub low_ms: f64,
    /// Its high end.
    pub high_ms: f64,
    /// The share of shots in it.
    pub mass: f64,
}

/// One group's delays; milliseconds, and shares of one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DelayFigures {
    /// Shots that fired.
    pub fired: u64,
    /// Of them, those whose delay was measured.
    pub measured: u64,
    /// Of these, those whose measurements contradict each other; the interval that holds them all stands in.
    pub disputed: u64,
    /// The middle one of the widths of the intervals: how finely was measured; null without a delay.
    pub median_width_ms: Option<f64>,
    /// Delays read off clips alone: laws are fitted to √½ frames to either side of the count, which has the variance that the
    /// frames leave. All else takes the whole interval.
    pub narrowed_for_fits: u64,
    /// How many are slower than the limit; null without a limit or a delay.
    pub slow: Option<SlowFigures>,
    /// The fitted laws.
    pub fits: Vec<FitFigures>,
    /// The tolerance bound whatever the law, from the order of the delays; null where too few were measured.
    pub bound_any_law_ms: Option<f64>,
    /// How many delays that one takes at least.
    pub bound_any_law_takes: u64,
    /// The exact bound for log-normal delays that are all known to one number; null where some are intervals.
    pub bound_exact_log_normal_ms: Option<f64>,
    /// The spread within volleys; null where no volley has two.
    pub spread: Option<SpreadFigures>,
    /// Turnbull's estimate, in order.
    pub turnbull: Vec<MassFigures>,
    /// What could not be said, and why.
    pub not_said: Vec<String>,
}

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ask {
    pub(super) limit_ms: Option<f64>,
    pub(super) share: f64,
    pub(super) bound_confidence: f64,
    pub(super) level: f64,
}

impl Ask {
    /// Refuses numbers out of range before anything is looked at, so that it does not depend on the log.
    pub(super) fn check(&self) -> Result<(), RatesError> {
        clopper_pearson(0, 1, self.level)?;
        fewest_for_order_bound(self.share, self.bound_confidence).map(drop).or_else(|e| {
            if matches!(e, TimesError::Stats(embertally_stats::StatsError::CannotBeProved { .. })) {
                Ok(())
            } else {
                Err(e)
            }
        })?;
        match self.limit_ms {
            Some(limit) if !(limit > 0.0 && limit.is_finite()) => Err(TimesError::BadLimit { limit }.into()),
            _ => Ok(()),
        }
    }

    /// The limit for a group: the one asked for, else the one that all its outings have.
    fn limit(&self, group: &Gathered) -> Option<f64> {
        let stated = match group.limits_ms.as_slice() {
            [Some(one)] => Some(f64::from(*one)).filter(|l| *l > 0.0),
            _ => None,
        };
        self.limit_ms.or(stated)
    }
}

pub(super) fn figures(group: &Gathered, ask: &Ask) -> Result<DelayFigures, RatesError> {
    let limit = ask.limit(group);
    let mut not_said = Vec::new();
    if limit.is_none() && group.limits_ms.len() > 1 {
        not_said.push("the outings have different limits for a slow shot, or some none: name one".to_owned());
    }
    let mut found = DelayFigures {
        fired: group.fired,
        measured: group.times.len() as u64,
        disputed: group.disputed,
        median_width_ms: median_width(&group.times),
        narrowed_for_fits: group.narrowed,
        slow: None,
        fits: Vec::new(),
        bound_any_law_ms: None,
        bound_any_law_takes: fewest_for_order_bound(ask.share, ask.bound_confidence).unwrap_or(u64::MAX),
        bound_exact_log_normal_ms: None,
        spread: None,
        turnbull: Vec::new(),
        not_said: Vec::new(),
    };
    if let Ok(sample) = CensoredSample::new(&group.times) {
        match turnbull(&sample) {
            Ok(estimate) => {
                if let Some(limit) = limit {
                    found.slow = Some(slow(&group.times, &estimate, limit, ask.level)?);
                }
                let mass = |m: &embertally_stats::Mass| MassFigures { low_ms: m.low, high_ms: m.high, mass: m.mass };
                found.turnbull = estimate.masses.iter().map(mass).collect();
            }
            Err(refused) => not_said.push(format!("no estimate without a law: {refused}")),
        }
        let fits = || {
            let sample = CensoredSample::new(&group.fit_times)?;
            Law::ALL.iter().map(|law| fit(*law, &sample, limit, ask)).collect::<Result<Vec<_>, TimesError>>()
        };
        match fits() {
            Ok(fits) => found.fits = fits,
            Err(refused) => not_said.push(format!("no law fitted: {refused}")),
        }
        match order_statistic_bound(&sample, ask.share, ask.bound_confidence) {
            Ok(bound) => found.bound_any_law_ms = finite(bound),
            Err(refused) => not_said.push(format!("no bound without a law: {refused}")),
        }
        found.bound_exact_log_normal_ms = log_normal_bound(&sample, ask.share, ask.bound_confidence).ok();
    } else {
        not_said.push("no delay was measured".to_owned());
    }
    let volleys: Vec<Vec<CensoredTime>> = group.volleys.values().cloned().collect();
    found.spread = volley_spread(&volleys, ask.level).ok().map(|s| SpreadFigures {
        volleys: s.volleys,
        shots: s.times,
        deviation_ms: s.deviation,
        least_ms: s.least,
        most_ms: s.most,
        low_ms: s.low,
        high_ms: s.high,
        widest_at_least_ms: s.widest_at_least,
        widest_at_most_ms: s.widest_at_most,
    });
    found.not_said = not_said;
    Ok(found)
}

fn median_width(times: &[CensoredTime]) -> Option<f64> {
    let mut widths: Vec<f64> = times.iter().map(|t| t.high() - t.low()).collect();
    widths.sort_unstable_by(f64::total_cmp);
    widths.get(widths.len().saturating_sub(1) / 2).copied()
}

fn slow(
    times: &[CensoredTime],
    estimate: &embertally_stats::Turnbull,
    limit_ms: f64,
    level: f64,
) -> Result<SlowFigures, RatesError> {
    let n = times.len() as u64;
    let surely = times.iter().filter(|t| t.low() > limit_ms || (t.low() == limit_ms && !t.is_exact())).count() as u64;
    let possibly = times.iter().filter(|t| t.high() > limit_ms).count() as u64;
    let (turnbull_low, turnbull_high) = estimate.slower_than(limit_ms)?;
    let (low, high) = (clopper_pearson(surely, n, level)?.low, clopper_pearson(possibly, n, level)?.high);
    Ok(SlowFigures { limit_ms, surely, possibly, low, high, turnbull_low, turnbull_high })
}

/// Points of a fitted curve for a chart.
const CURVE: u32 = 60;

fn fit(law: Law, sample: &CensoredSample, limit: Option<f64>, ask: &Ask) -> Result<FitFigures, TimesError> {
    let fit = LogFit::new(law, sample)?;
    let ends = (fit.quantile_bound(0.001, 0.5)?, fit.quantile_bound(0.999, 0.5)?);
    let at = |k: u32| ends.0 * (ends.1 / ends.0).powf(f64::from(k) / f64::from(CURVE));
    Ok(FitFigures {
        law: law.name(),
        location: fit.location(),
        scale: fit.scale(),
        ln_likelihood: fit.ln_likelihood(),
        median_ms: fit.quantile(0.5, ask.level)?.into(),
        quantile_ms: fit.quantile(ask.share, ask.level)?.into(),
        bound_ms: finite(fit.quantile_bound(ask.share, ask.bound_confidence)?),
        slower: limit.map(|limit| fit.slower_than(limit, ask.level)).transpose()?.map(BoundFigures::from),
        curve: (0..=CURVE).map(at).map(|ms| (ms, fit.upper(ms))).collect(),
    })
}
