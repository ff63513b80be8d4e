//! Two groups compared within strata, so that unlike weathers or outings do not pass for unlike lots.

use embertally_stats::{StatsError, TwoByTwo, breslow_day, cochran_mantel_haenszel, mantel_haenszel};
use serde::Serialize;

use super::reading::{Tally, finite};

/// One stratum.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stratum {
    /// Its name; null where the log does not say.
    pub name: Option<String>,
    /// The first group's shots in it.
    pub first: Tally,
    /// The second group's.
    pub second: Tally,
    /// Whether it says anything: both groups were tried in it, something failed and something did not.
    pub informative: bool,
}

/// The odds ratio in common, first group over second.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CommonOdds {
    /// The Mantel–Haenszel estimate; null where it is infinite.
    pub value: Option<f64>,
    /// The lower end of the Robins–Breslow–Greenland interval; null where the estimate is 0 or infinite.
    pub low: Option<f64>,
    /// The upper end; null as above.
    pub high: Option<f64>,
}

/// The Cochran–Mantel–Haenszel test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StratumTest {
    /// The chi-square of one degree of freedom.
    pub statistic: f64,
    /// Its p-value.
    pub p: f64,
    /// The same with continuity correction.
    pub statistic_corrected: f64,
    /// Its p-value.
    pub p_corrected: f64,
}

/// The Breslow–Day test that the odds ratio is the same in all strata.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Homogeneity {
    /// The statistic with Tarone's correction.
    pub statistic: f64,
    /// Its p-value.
    pub p: f64,
    /// Degrees of freedom.
    pub degrees: usize,
}

/// A comparison within strata.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stratified {
    /// The strata, by name.
    pub strata: Vec<Stratum>,
    /// How many of them say anything.
    pub informative: usize,
    /// Why nothing can be said, if nothing can.
    pub refusal: Option<String>,
    /// The odds ratio in common.
    pub odds_ratio: Option<CommonOdds>,
    /// The test that the groups fail alike within strata.
    pub test: Option<StratumTest>,
    /// The test that the strata agree.
    pub homogeneity: Option<Homogeneity>,
    /// Why the strata cannot be tested for agreement, if they cannot.
    pub homogeneity_refusal: Option<String>,
}

/// What cannot be said is an answer here; what is wrong is an error.
fn or_refusal<T>(answer: Result<T, StatsError>) -> Result<(Option<T>, Option<String>), StatsError> {
    match answer {
        Ok(answer) => Ok((Some(answer), None)),
        Err(e @ (StatsError::NoInformativeStratum | StatsError::TooFewStrata { .. } | StatsError::OneSidedStrata)) => {
            Ok((None, Some(e.to_string())))
        }
        Err(error) => Err(error),
    }
}

/// Compares two groups within strata.
pub(super) fn stratified(tallies: Vec<(Option<String>, Tally, Tally)>, level: f64) -> Result<Stratified, StatsError> {
    let mut tables = Vec::with_capacity(tallies.len());
    let mut strata = Vec::with_capacity(tallies.len());
    for (name, first, second) in tallies {
        let table = TwoByTwo::new(first.failures, first.shots, second.failures, second.shots)?;
        strata.push(Stratum { name, first, second, informative: table.is_informative() });
        tables.push(table);
    }
    let (odds, refusal) = or_refusal(mantel_haenszel(&tables, level))?;
    let (test, _) = or_refusal(cochran_mantel_haenszel(&tables))?;
    let (alike, homogeneity_refusal) = or_refusal(breslow_day(&tables))?;
    Ok(Stratified {
        informative: strata.iter().filter(|s| s.informative).count(),
        strata,
        refusal,
        odds_ratio: odds.map(|odds| CommonOdds {
            value: finite(odds.value),
            low: odds.interval.map(|(low, _)| low),
            high: odds.interval.and_then(|(_, high)| finite(high)),
        }),
        test: test.map(|test| StratumTest {
            statistic: test.statistic,
            p: test.p,
            statistic_corrected: test.statistic_corrected,
            p_corrected: test.p_corrected,
        }),
        homogeneity: alike.map(|alike| Homogeneity {
            statistic: alike.statistic_tarone,
            p: alike.p_tarone,
            degrees: alike.degrees,
        }),
        homogeneity_refusal,
    })
}
