//! Two groups compared across strata, such as weathers or outings, so that a stratum that one group saw more of does not
//! pass for a difference between the groups.
//!
//! Strata that carry no information (a group missing, no failures, nothing but failures) are left out and said. Not
//! for one table: see `fisher`.

use crate::error::{StatsError, check_confidence};
use crate::gamma::chi_square_upper;
use crate::special::normal_upper_quantile;
use crate::two_by_two::TwoByTwo;

/// Holds the Cochran–Mantel–Haenszel test that the odds are alike in every stratum.
#[derive(Debug, Clone, PartialEq)]
pub struct CochranMantelHaenszel {
    /// (Σ(a − E))² / ΣV, a chi-square of one degree of freedom.
    pub statistic: f64,
    /// Its upper tail.
    pub p: f64,
    /// The same with |Σ(a − E)| made smaller by ½, but not below 0.
    pub statistic_corrected: f64,
    /// Its upper tail.
    pub p_corrected: f64,
    /// The strata that carry no information, counted from 0.
    pub without_information: Vec<usize>,
}

/// Holds the Mantel–Haenszel odds ratio, first group over second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MantelHaenszel {
    /// The common odds ratio, from 0 to infinity.
    pub value: f64,
    /// The Robins–Breslow–Greenland interval; none where the odds ratio is 0 or infinite, for there it does not exist.
    pub interval: Option<(f64, f64)>,
}

/// Holds the Breslow–Day test that the odds ratio is one and the same in all strata.
#[derive(Debug, Clone, PartialEq)]
pub struct BreslowDay {
    /// Σ (a − A)² / V at the common odds ratio.
    pub statistic: f64,
    /// Its upper tail.
    pub p: f64,
    /// The same with Tarone's correction, which makes it a chi-square at the Mantel–Haenszel estimate.
    pub statistic_tarone: f64,
    /// Its upper tail.
    pub p_tarone: f64,
    /// One less than the strata that carry information.
    pub degrees: usize,
    /// The strata that carry no information, counted from 0.
    pub without_information: Vec<usize>,
}

fn informative(strata: &[TwoByTwo]) -> (Vec<&TwoByTwo>, Vec<usize>) {
    let left_out = strata.iter().enumerate().filter(|(_, s)| !s.is_informative()).map(|(i, _)| i).collect();
    (strata.iter().filter(|s| s.is_informative()).collect(), left_out)
}

/// Returns the Cochran–Mantel–Haenszel test, with and without continuity correction.
///
/// In a stratum of N trials and m failures with n₁ and n₂ trials of the groups, E = n₁m/N and
/// V = n₁n₂m(N−m)/(N²(N−1)).
///
/// # Errors
/// [`StatsError::NoInformativeStratum`].
///
/// # Source
/// Mantel & Haenszel, J. Natl. Cancer Inst. 22 (1959) 719–748; checked against `tests/fixtures/strata.csv`.
pub fn cochran_mantel_haenszel(strata: &[TwoByTwo]) -> Result<CochranMantelHaenszel, StatsError> {
    let (used, without_information) = informative(strata);
    if used.is_empty() {
        return Err(StatsError::NoInformativeStratum);
    }
    let mut off = 0.0;
    let mut variance = 0.0;
    for stratum in used {
        let [a, b, c, d] = stratum.cells();
        let (n1, n2, m, good) = (a + b, c + d, a + c, b + d);
        let n = n1 + n2;
        // a − n₁m/N without the cancellation.
        off += (a * d - b * c) / n;
        variance += (n1 / n) * (n2 / n) * m * (good / (n - 1.0));
    }
    let statistic = off * off / variance;
    let statistic_corrected = (off.abs() - 0.5).max(0.0).powi(2) / variance;
    Ok(CochranMantelHaenszel {
        statistic,
        p: chi_square_upper(statistic, 1),
        statistic_corrected,
        p_corrected: chi_square_upper(statistic_corrected, 1),
        without_information,
    })
}

/// Returns the Mantel–Haenszel odds ratio with the interval of Robins, Breslow and Greenland.
///
/// `confidence` in (0, 1). With R = ad/N, S = bc/N, P = (a+d)/N, Q = (b+c)/N the odds ratio is ΣR/ΣS and
/// var(ln) = ΣPR/(2(ΣR)²) + Σ(PS+QR)/(2ΣRΣS) + ΣQS/(2(ΣS)²).
///
/// # Errors
/// [`StatsError::NoInformativeStratum`], [`StatsError::BadConfidence`].
///
/// # Source
/// Robins, Breslow & Greenland, Biometrics 42 (1986) 311–323; checked against `tests/fixtures/strata.csv`.
pub fn mantel_haenszel(strata: &[TwoByTwo], confidence: f64) -> Result<MantelHaenszel, StatsError> {
    check_confidence(confidence)?;
    let (used, _) = informative(strata);
    if used.is_empty() {
        return Err(StatsError::NoInformativeStratum);
    }
    Ok(odds_of_cells(used.into_iter().map(TwoByTwo::cells), confidence))
}

/// The same of cells a, b, c, d that need not be whole; every stratum is informative.
pub(crate) fn odds_of_cells(strata: impl Iterator<Item = [f64; 4]>, confidence: f64) -> MantelHaenszel {
    let (mut r, mut s, mut pr, mut mixed, mut qs) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for [a, b, c, d] in strata {
        let n = a + b + c + d;
        let (r_i, s_i, p_i, q_i) = (a * d / n, b * c / n, (a + d) / n, (b + c) / n);
        r += r_i;
        s += s_i;
        pr += p_i * r_i;
        mixed += p_i * s_i + q_i * r_i;
        qs += q_i * s_i;
    }
    if s == 0.0 {
        return MantelHaenszel { value: f64::INFINITY, interval: None };
    }
    if r == 0.0 {
        return MantelHaenszel { value: 0.0, interval: None };
    }
    let value = r / s;
    let variance = (pr / (r * r) + mixed / (r * s) + qs / (s * s)) / 2.0;
    let width = normal_upper_quantile((1.0 - confidence) / 2.0) * variance.sqrt();
    MantelHaenszel { value, interval: Some((value * (-width).exp(), value * width.exp())) }
}

/// Returns the Breslow–Day test of homogeneous odds ratios, with and without Tarone's correction.
///
/// A is the cell that has the Mantel–Haenszel odds ratio at the stratum's margins,
/// 1/V = 1/A + 1/(m−A) + 1/(n₁−A) + 1/(n₂−m+A); Tarone subtracts (Σ(a−A))²/ΣV. It takes strata that are large, and
/// says little where they are small.
///
/// # Errors
/// [`StatsError::TooFewStrata`] below two informative strata, [`StatsError::OneSidedStrata`].
///
/// # Source
/// Breslow & Day, *Statistical Methods in Cancer Research* I (1980) 142; Tarone, Biometrika 72 (1985) 91–95; checked
/// against `tests/fixtures/strata.csv`.
pub fn breslow_day(strata: &[TwoByTwo]) -> Result<BreslowDay, StatsError> {
    let (used, without_information) = informative(strata);
    if used.len() < 2 {
        return Err(StatsError::TooFewStrata { informative: used.len() });
    }
    // The interval is not used, so any confidence will do.
    let common = mantel_haenszel(strata, 0.5)?.value;
    if common == 0.0 || common.is_infinite() {
        return Err(StatsError::OneSidedStrata);
    }
    let (mut statistic, mut off, mut spread) = (0.0, 0.0, 0.0);
    for stratum in &used {
        let [a, b, c, d] = stratum.cells();
        let (n1, n2, m) = (a + b, c + d, a + c);
        let fitted = fitted_cell(common, n1, n2, m);
        let variance = 1.0 / (1.0 / fitted + 1.0 / (m - fitted) + 1.0 / (n1 - fitted) + 1.0 / (n2 - m + fitted));
        statistic += (a - fitted).powi(2) / variance;
        off += a - fitted;
        spread += variance;
    }
    let statistic_tarone = (statistic - off * off / spread).max(0.0);
    let degrees = used.len() - 1;
    Ok(BreslowDay {
        statistic,
        p: chi_square_upper(statistic, degrees),
        statistic_tarone,
        p_tarone: chi_square_upper(statistic_tarone, degrees),
        degrees,
        without_information,
    })
}

/// The cell A with A(n₂−m+A) = ψ(m−A)(n₁−A): the root of (1−ψ)A² + (n₂−m+ψ(n₁+m))A − ψn₁m that lies in the table.
fn fitted_cell(odds: f64, n1: f64, n2: f64, m: f64) -> f64 {
    let slope = n2 - m + odds * (n1 + m);
    let product = odds * n1 * m;
    let root = (slope * slope + 4.0 * (1.0 - odds) * product).max(0.0).sqrt();
    // Of the two forms of the root the one in which nothing cancels; a slope below 0 takes odds below 1.
    if slope >= 0.0 { 2.0 * product / (slope + root) } else { (root - slope) / (2.0 * (1.0 - odds)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(a: u64, n1: u64, c: u64, n2: u64) -> TwoByTwo {
        TwoByTwo::new(a, n1, c, n2).unwrap()
    }

    #[test]
    fn strata_that_say_nothing_are_said_and_change_nothing() {
        let telling = [table(2, 10, 5, 12), table(1, 8, 4, 9)];
        let with_more = [table(0, 5, 0, 9), telling[0], table(0, 0, 3, 4), table(5, 5, 2, 2), telling[1]];
        let (one, two) = (cochran_mantel_haenszel(&telling).unwrap(), cochran_mantel_haenszel(&with_more).unwrap());
        assert_eq!(two.without_information, [0, 2, 3]);
        assert_eq!((one.statistic, one.p_corrected), (two.statistic, two.p_corrected));
        assert_eq!(mantel_haenszel(&telling, 0.95), mantel_haenszel(&with_more, 0.95));
        assert_eq!(breslow_day(&with_more).unwrap().degrees, 1);
    }

    #[test]
    fn nothing_to_go_by_is_refused_by_name() {
        let none = [table(0, 5, 0, 9), table(3, 3, 1, 1)];
        assert_eq!(cochran_mantel_haenszel(&none), Err(StatsError::NoInformativeStratum));
        assert_eq!(cochran_mantel_haenszel(&[]), Err(StatsError::NoInformativeStratum));
        assert_eq!(mantel_haenszel(&none, 0.95), Err(StatsError::NoInformativeStratum));
        assert_eq!(breslow_day(&[table(1, 5, 2, 9)]), Err(StatsError::TooFewStrata { informative: 1 }));
        let one_sided = [table(0, 5, 2, 9), table(0, 4, 1, 9)];
        assert_eq!(breslow_day(&one_sided), Err(StatsError::OneSidedStrata));
        let got = mantel_haenszel(&one_sided, 0.95).unwrap();
        assert_eq!((got.value, got.interval), (0.0, None));
    }

    #[test]
    fn identical_groups_give_an_odds_ratio_of_one_and_no_evidence() {
        let strata = [table(3, 10, 3, 10), table(2, 20, 2, 20)];
        let test = cochran_mantel_haenszel(&strata).unwrap();
        assert_eq!((test.statistic, test.p, test.p_corrected), (0.0, 1.0, 1.0));
        assert_eq!(mantel_haenszel(&strata, 0.95).unwrap().value, 1.0);
        let alike = breslow_day(&strata).unwrap();
        assert!(alike.statistic < 1e-20 && alike.p > 0.999);
    }
}
