//! The delays of two groups side by side.

use embertally_stats::{CensoredSample, CensoredTime, Law, LogFit, TimesError, log_rank, two_fits};
use serde::Serialize;

use super::super::group::Group;
use super::super::percent::percent;
use super::super::table::RatesError;
use super::figures::{DelayFigures, figures};
use super::gather::{Gathered, gather};
use super::words::ms;
use super::{DelaysRequest, ask};
use crate::facts::comparable_name;
use crate::ledger::Ledger;

/// The ratio of two medians, first over second.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MedianRatio {
    /// The ratio.
    pub value: f64,
    /// The low end of its interval.
    pub low: f64,
    /// The high end; null where there is none.
    pub high: Option<f64>,
}

/// Whether two groups have the same delays.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DelayTests {
    /// The two-sided p-value of the interval-censored log-rank test, by permutation: whatever the law.
    pub log_rank_p: f64,
    /// Its standardised score: negative where the first group is the slower one.
    pub log_rank_z: f64,
    /// Whether that p-value is exact, else that of the normal law.
    pub log_rank_is_exact: bool,
    /// The p-value of the likelihood-ratio test under the law asked for; null where no law can be fitted.
    pub likelihood_ratio_p: Option<f64>,
    /// The ratio of the medians under that law; null where no law can be fitted.
    pub median_ratio: Option<MedianRatio>,
}

/// Two groups compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DelayComparison {
    /// What the two are.
    pub of: &'static str,
    /// Their names.
    pub names: [String; 2],
    /// The first's delays.
    pub first: DelayFigures,
    /// The second's.
    pub second: DelayFigures,
    /// The law of the likelihood ratio and of the medians.
    pub law: &'static str,
    /// The level of the intervals; a difference is shown where the log-rank p is at most what is left of 1.
    pub level: f64,
    /// The tests; null where one of them has no delays.
    pub tests: Option<DelayTests>,
    /// Whether a difference is shown.
    pub shown: bool,
    /// What to read out.
    pub sentences: Vec<String>,
}

/// Compares the delays of two things of a grouping.
///
/// The ratio of medians has the interval of Zou & Donner, Stat. Med. 27 (2008) 1693–1702, from the profile-likelihood
/// intervals of both.
///
/// # Errors
/// [`RatesError`]: a name that nothing has, the same name twice, a number out of range.
pub fn compare_delays(
    ledger: &Ledger,
    group: Group,
    names: &[String; 2],
    request: &DelaysRequest,
) -> Result<DelayComparison, RatesError> {
    let [first, second] = names.each_ref().map(|n| n.trim().to_owned());
    if comparable_name(&first) == comparable_name(&second) {
        return Err(RatesError::Same { name: first });
    }
    let ask = ask(request);
    ask.check()?;
    let one = |name: &str| {
        let mut only = request.only.clone();
        only.push((group, name.to_owned()));
        Ok::<_, RatesError>(gather(ledger, &[], &[], &only)?.pop().map(|(_, g)| g).unwrap_or_default())
    };
    let (a, b) = (one(&first)?, one(&second)?);
    let (of_first, of_second) = (figures(&a, &ask)?, figures(&b, &ask)?);
    let tests = match tests(&a, &b, request.law, request.level) {
        Ok(tests) => Some(tests),
        Err(TimesError::NoTimes) => None,
        Err(other) => return Err(other.into()),
    };
    let shown = tests.is_some_and(|t| t.log_rank_p <= 1.0 - request.level + 1e-12);
    let mut comparison = DelayComparison {
        of: group.word(),
        names: [first, second],
        first: of_first,
        second: of_second,
        law: request.law.name(),
        level: request.level,
        tests,
        shown,
        sentences: Vec::new(),
    };
    comparison.sentences = sentences(&comparison);
    Ok(comparison)
}

fn tests(first: &Gathered, second: &Gathered, law: Law, level: f64) -> Result<DelayTests, TimesError> {
    let ranks = log_rank(&first.times, &second.times)?;
    let fitted = || -> Result<(f64, MedianRatio), TimesError> {
        let fit = |times: &[CensoredTime]| LogFit::new(law, &CensoredSample::new(times)?);
        let (first, second) = (&first.fit_times, &second.fit_times);
        let both = [first.as_slice(), second.as_slice()].concat();
        let (a, b, both) = (fit(first)?, fit(second)?, fit(&both)?);
        let (m1, m2) = (a.quantile(0.5, level)?, b.quantile(0.5, level)?);
        let away = |x: f64, y: f64| (x / y).ln().powi(2);
        let value = m1.value / m2.value;
        let low = value * (-(away(m1.value, m1.low) + away(m2.high, m2.value)).sqrt()).exp();
        let high = value * (away(m1.high, m1.value) + away(m2.value, m2.low)).sqrt().exp();
        let ratio = MedianRatio { value, low, high: high.is_finite().then_some(high) };
        Ok((two_fits(&a, &b, &both).p_value, ratio))
    };
    // No fit is no failure of the comparison: the ranks need none.
    let fitted = fitted().ok();
    Ok(DelayTests {
        log_rank_p: ranks.p_value,
        log_rank_z: ranks.z,
        log_rank_is_exact: ranks.is_exact,
        likelihood_ratio_p: fitted.map(|(p, _)| p),
        median_ratio: fitted.map(|(_, ratio)| ratio),
    })
}

/// From which ratio of the widths of measuring on the permutation test is not to be relied on.
const UNLIKE_WIDTHS: f64 = 2.0;

fn sentences(found: &DelayComparison) -> Vec<String> {
    let [a, b] = &found.names;
    let (n1, n2) = (found.first.measured, found.second.measured);
    let Some(tests) = found.tests else {
        return vec![format!("{a}: {n1} delays; {b}: {n2}. One of them has none, so nothing is shown.")];
    };
    let p = format!("p = {:.4}, log-rank{}", tests.log_rank_p, if tests.log_rank_is_exact { ", exact" } else { "" });
    let mut said = vec![if !found.shown {
        format!("{n1} against {n2} delays: no difference is shown ({p}); that is not the same as no difference.")
    } else {
        let (slower, quicker) = if tests.log_rank_z < 0.0 { (a, b) } else { (b, a) };
        format!("{slower} is slower than {quicker} ({p}).")
    }];
    if let Some(ratio) = tests.median_ratio {
        let high = ratio.high.map_or_else(|| "no bound".to_owned(), |h| format!("{h:.2}"));
        said.push(format!(
            "{a}'s median delay is {:.2} times {b}'s ({:.2} to {high}, {} interval, if delays are {}).",
            ratio.value,
            ratio.low,
            percent(found.level),
            found.law,
        ));
    }
    if let (Some(w1), Some(w2)) = (found.first.median_width_ms, found.second.median_width_ms) {
        let (fine, coarse) = (w1.min(w2), w1.max(w2));
        if coarse > UNLIKE_WIDTHS * fine.max(0.001) {
            said.push(format!(
                "The two were not measured alike (to {} and {}): the log-rank test takes them as measured alike and may \
                 show that instead.",
                ms(w1),
                ms(w2)
            ));
        }
    }
    said
}
