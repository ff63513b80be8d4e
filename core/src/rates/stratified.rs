//! Two groups compared within strata, so that unlike weathers or outings do not pass for unlike lots.

use embertally_stats::{
    StatsError, TwoByTwo, adjusted_odds_ratio, adjusted_stratified_test, breslow_day, cochran_mantel_haenszel,
    mantel_haenszel,
};
use serde::Serialize;

use super::reading::{Tally, effective, finite};

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

/// What strata say when shots of one volley are alike: counts divided by each cell's design effect (Rao & Scott, Biometrics
/// 48 (1992) 577–585), Cochran's test with continuity correction and the Robins–Breslow–Greenland interval; neither is sharper than the plain one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ClusteredStrata {
    /// The lower end of the interval for the common odds ratio; null where there is none.
    pub low: Option<f64>,
    /// The upper end; null as above.
    pub high: Option<f64>,
    /// The p-value of the test that the groups fail alike within strata.
    pub p: f64,
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
    /// The odds ratio's interval and the test with shots of one volley alike.
    pub clustered: Option<ClusteredStrata>,
    /// The test that the strata agree; it takes shots as independent, and so finds disagreement too easily.
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
pub(super) fn stratified(
    tallies: Vec<(Option<String>, [Tally; 2], [f64; 2])>,
    level: f64,
) -> Result<Stratified, StatsError> {
    let mut tables = Vec::with_capacity(tallies.len());
    let mut strata = Vec::with_capacity(tallies.len());
    let mut shrunk = Vec::with_capacity(tallies.len());
    let mut is_clustered = false;
    for (name, [first, second], effects) in tallies {
        shrunk.push(effective([first, second], effects)?);
        is_clustered |= effects.iter().any(|d| *d > 1.0);
        let table = TwoByTwo::new(first.failures, first.shots, second.failures, second.shots)?;
        strata.push(Stratum { name, first, second, informative: table.is_informative() });
        tables.push(table);
    }
    let (odds, refusal) = or_refusal(mantel_haenszel(&tables, level))?;
    let (test, _) = or_refusal(cochran_mantel_haenszel(&tables))?;
    let (alike, homogeneity_refusal) = or_refusal(breslow_day(&tables))?;
    let interval = odds.and_then(|odds| odds.interval);
    let clustered = match test.as_ref() {
        Some(test) if is_clustered => {
            let wide = adjusted_odds_ratio(&shrunk, level)?.interval;
            let ends = interval.zip(wide).map(|(plain, wide)| (plain.0.min(wide.0), plain.1.max(wide.1)));
            let p = test.p_corrected.max(adjusted_stratified_test(&shrunk)?.p_corrected);
            Some(ClusteredStrata { low: ends.map(|e| e.0), high: ends.and_then(|e| finite(e.1)), p })
        }
        Some(test) => Some(ClusteredStrata {
            low: interval.map(|e| e.0),
            high: interval.and_then(|e| finite(e.1)),
            p: test.p_corrected,
        }),
        None => None,
    };
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
        clustered,
        homogeneity: alike.map(|alike| Homogeneity {
            statistic: alike.statistic_tarone,
            p: alike.p_tarone,
            degrees: alike.degrees,
        }),
        homogeneity_refusal,
    })
}
