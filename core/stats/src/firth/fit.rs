//! The fit itself, and tests of single terms.

use super::FirthError;
use super::design::{BinomialGroup, Design, Look};
use super::profile::{ProfileInterval, RatePrediction, end, predict};
use super::square::Square;
use crate::gamma::chi_square_upper;
use crate::special::normal_upper_quantile;

/// Steps after which a search counts as lost; most take below 30, many terms on few failures more.
pub(super) const MOST_STEPS: u32 = 500;

/// How far one step may change a coefficient.
pub(super) const LONGEST_STEP: f64 = 5.0;

/// The expected gain in likelihood at which a search is at rest: coefficients are then right to about its root.
const AT_REST: f64 = 1e-20;

/// A gain below this that does not shrink any more is rounding, and the search at rest too.
const ROUNDING: f64 = 1e-14;

/// A penalised likelihood-ratio test that coefficients are 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LikelihoodRatio {
    /// Twice the difference of the penalised log-likelihoods, at least 0.
    pub statistic: f64,
    /// How many coefficients.
    pub degrees: usize,
    /// Its p-value by the chi-square of so many degrees of freedom.
    pub p: f64,
}

/// Holds a fitted model.
#[derive(Debug, Clone)]
pub struct FirthFit {
    /// One coefficient a term, on the scale of log odds.
    pub coefficients: Vec<f64>,
    /// Their large-sample standard errors, from the information at the fit; for intervals use the profile.
    pub standard_errors: Vec<f64>,
    /// The penalised log-likelihood, without the binomial coefficients.
    pub log_likelihood: f64,
    /// The steps that it took.
    pub steps: u32,
    /// By how much fewer trials count, see [`FirthFit::widened`]; 1 is not at all.
    pub design_effect: f64,
    pub(super) design: Design,
    pub(super) covariance: Square,
}

/// Fits a logistic regression with Firth's penalty: maximises ℓ(β) + ½ ln |I(β)| by modified scoring.
///
/// All groups have one value for each of up to [`MAX_TERMS`](super::MAX_TERMS) terms; the constant is a term like any
/// other. Failures are modelled: a coefficient above 0 is more failures. Finite also where terms part all failures from
/// all others, and where nothing or everything failed.
///
/// # Errors
/// [`FirthError`]; [`FirthError::Redundant`] names the first term that is a combination of those before it.
///
/// # Source
/// Firth, Biometrika 80 (1993) 27–38; Heinze & Schemper, Stat. Med. 21 (2002) 2409–2419.
pub fn firth_logistic(groups: &[BinomialGroup]) -> Result<FirthFit, FirthError> {
    firth_logistic_screened(groups, 0.0)
}

/// Fits as [`firth_logistic`] does, but refuses as redundant also a term that is nearly one: where less than `least` of
/// its sum of squares, from 0 to 1, is left beside the terms before it. For values that are near 1 and taken from their
/// mean; 0.001 is a variance inflation of a thousand.
///
/// # Errors
/// Those of [`firth_logistic`].
pub fn firth_logistic_screened(groups: &[BinomialGroup], least: f64) -> Result<FirthFit, FirthError> {
    let design = Design::new(groups)?;
    let even = design.look(&vec![0.0; design.terms])?;
    if let Some(term) = even.factor.first_own_share_below(least) {
        return Err(FirthError::Redundant { term });
    }
    let (coefficients, look, steps) = maximise(&design, vec![0.0; design.terms], &[])?;
    let covariance = look.factor.inverse();
    let standard_errors = (0..design.terms).map(|i| covariance.at(i, i).sqrt()).collect();
    Ok(FirthFit {
        coefficients,
        standard_errors,
        log_likelihood: look.log_likelihood,
        steps,
        design_effect: 1.0,
        design,
        covariance,
    })
}

/// Returns the step of modified scoring within the terms that are not held, and the gain it promises.
fn scoring_step(look: &Look, held: &[usize]) -> (Vec<f64>, f64) {
    let mut score = look.score.clone();
    let mut step = look.factor.solve(&score);
    if !held.is_empty() {
        // Take out what would move those that are held: with V = I⁻¹, step − V E (EᵀVE)⁻¹ Eᵀ step.
        let columns: Vec<Vec<f64>> = held
            .iter()
            .map(|term| {
                let mut unit = vec![0.0; score.len()];
                if let Some(one) = unit.get_mut(*term) {
                    *one = 1.0;
                }
                look.factor.solve(&unit)
            })
            .collect();
        let at = |v: &[f64], term: usize| v.get(term).copied().unwrap_or(0.0);
        let block = Square::lower(held.len(), |i, j| at(&columns[j], held[i]));
        let moved: Vec<f64> = held.iter().map(|term| at(&step, *term)).collect();
        // A block of a positive definite matrix is one; if rounding says otherwise nothing moves.
        let shares = block.factor().map_or_else(|_| vec![0.0; held.len()], |factor| factor.solve(&moved));
        for (column, share) in columns.iter().zip(&shares) {
            step.iter_mut().zip(column).for_each(|(s, c)| *s -= share * c);
        }
        for term in held {
            for cells in [&mut step, &mut score] {
                if let Some(cell) = cells.get_mut(*term) {
                    *cell = 0.0;
                }
            }
        }
    }
    let gain = super::square::dot(&step, &score);
    (step, gain)
}

/// Climbs to the top, from a start, with some terms held where they are.
pub(super) fn maximise(design: &Design, start: Vec<f64>, held: &[usize]) -> Result<(Vec<f64>, Look, u32), FirthError> {
    let mut beta = start;
    let mut look = design.look(&beta)?;
    let mut last_gain = f64::INFINITY;
    let mut last_step: Vec<f64> = Vec::new();
    for steps in 0..MOST_STEPS {
        let (mut step, gain) = scoring_step(&look, held);
        let scale = 1.0 + look.log_likelihood.abs();
        if gain <= AT_REST * scale || (gain <= ROUNDING * scale && gain > 0.5 * last_gain) {
            return Ok((beta, look, steps));
        }
        last_gain = gain;
        // With many terms on few failures the steps shrink slowly and all point one way: take the rest of them at once
        // (Aitken's extrapolation), then look again.
        let before = super::square::dot(&last_step, &last_step);
        let shrinks = super::square::dot(&step, &last_step) / before;
        let is_one_way = shrinks * shrinks * before > 0.9 * super::square::dot(&step, &step);
        if before > 0.0 && is_one_way && shrinks > 0.3 && shrinks < 0.99 {
            step.iter_mut().for_each(|s| *s /= 1.0 - shrinks);
            last_step = Vec::new();
        } else {
            last_step.clone_from(&step);
        }
        let longest = step.iter().fold(0.0_f64, |most, s| most.max(s.abs()));
        if longest > LONGEST_STEP {
            step.iter_mut().for_each(|s| *s *= LONGEST_STEP / longest);
        }
        let mut rose = false;
        for _ in 0..40 {
            let next: Vec<f64> = beta.iter().zip(&step).map(|(b, s)| b + s).collect();
            if let Ok(there) = design.look(&next) {
                // A fall within rounding is the top, not a step too long.
                let slack = 1e-13 * (1.0 + look.log_likelihood.abs());
                if there.log_likelihood >= look.log_likelihood - slack {
                    rose = true;
                    (beta, look) = (next, there);
                    break;
                }
            }
            step.iter_mut().for_each(|s| *s *= 0.5);
        }
        if !rose {
            return Ok((beta, look, steps + 1));
        }
    }
    Err(FirthError::NotConverged { steps: MOST_STEPS })
}

impl FirthFit {
    /// Returns the same fit for trials that come in clusters: its standard errors are wider by the root of the design
    /// effect, intervals reach where the penalised log-likelihood is so many times deeper below its top, and the statistics
    /// of tests are divided by it. The coefficients stay.
    ///
    /// Quasi-likelihood with the design effect as its dispersion. No method for Firth's penalty and clusters together is
    /// established; the penalty itself is left as it is. For terms that are the same for all trials of a cluster the design
    /// effect is the whole one, for others this is on the careful side. A `design_effect` below 1 or not finite counts as 1.
    ///
    /// # Source
    /// McCullagh & Nelder, *Generalized Linear Models* (2nd ed. 1989), sections 4.5 and 9.2; Rao & Scott, Annals of
    /// Statistics 12 (1984) 46–60.
    #[must_use]
    pub fn widened(&self, design_effect: f64) -> Self {
        let design_effect = if design_effect.is_finite() { design_effect.max(1.0) } else { 1.0 };
        let mut wider = self.clone();
        let by = (design_effect / self.design_effect).sqrt();
        wider.standard_errors.iter_mut().for_each(|error| *error *= by);
        wider.design_effect = design_effect;
        wider
    }

    /// Tests that the coefficients of some terms are all 0, by the profile of the penalised likelihood: the others are
    /// fitted anew under the penalty of the whole model. One degree of freedom a term.
    ///
    /// # Errors
    /// [`FirthError::BadTerms`] for a term that is not there or none, [`FirthError::NotConverged`].
    pub fn likelihood_ratio(&self, terms: &[usize]) -> Result<LikelihoodRatio, FirthError> {
        let count = self.coefficients.len();
        let mut held = terms.to_vec();
        held.sort_unstable();
        held.dedup();
        if let Some(bad) = held.iter().find(|term| **term >= count) {
            return Err(FirthError::BadTerms { terms: *bad, most: count.saturating_sub(1) });
        }
        if held.is_empty() {
            return Err(FirthError::BadTerms { terms: 0, most: count.saturating_sub(1) });
        }
        let mut start = self.coefficients.clone();
        for term in &held {
            if let Some(cell) = start.get_mut(*term) {
                *cell = 0.0;
            }
        }
        let (_, look, _) = maximise(&self.design, start, &held)?;
        let statistic = (2.0 * (self.log_likelihood - look.log_likelihood)).max(0.0) / self.design_effect;
        Ok(LikelihoodRatio { statistic, degrees: held.len(), p: chi_square_upper(statistic, held.len()) })
    }

    /// Returns the profile penalised-likelihood interval of a term's coefficient.
    ///
    /// # Errors
    /// [`FirthError::BadConfidence`], [`FirthError::BadTerms`] for a term that is not there.
    pub fn interval(&self, term: usize, confidence: f64) -> Result<ProfileInterval, FirthError> {
        let count = self.coefficients.len();
        if term >= count {
            return Err(FirthError::BadTerms { terms: term, most: count.saturating_sub(1) });
        }
        let mut direction = vec![0.0; count];
        if let Some(one) = direction.get_mut(term) {
            *one = 1.0;
        }
        let drop = self.design_effect * drop(confidence)?;
        Ok(ProfileInterval { low: end(self, &direction, drop, -1.0), high: end(self, &direction, drop, 1.0) })
    }

    /// Returns the failure rate at some values of the terms, with the profile interval.
    ///
    /// The rate is that of the fit, logistic(xᵀβ).
    ///
    /// # Errors
    /// [`FirthError::BadConfidence`], [`FirthError::WrongLength`], [`FirthError::BadValue`].
    pub fn predict(&self, values: &[f64], confidence: f64) -> Result<RatePrediction, FirthError> {
        let wanted = self.coefficients.len();
        if values.len() != wanted {
            return Err(FirthError::WrongLength { group: 0, found: values.len(), wanted });
        }
        if let Some(term) = values.iter().position(|v| !v.is_finite()) {
            return Err(FirthError::BadValue { group: 0, term });
        }
        Ok(predict(self, values, self.design_effect * drop(confidence)?))
    }
}

/// How far the penalised log-likelihood may fall below its top within an interval.
fn drop(confidence: f64) -> Result<f64, FirthError> {
    // Written so that NaN is refused too.
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(FirthError::BadConfidence { confidence });
    }
    let z = normal_upper_quantile((1.0 - confidence) / 2.0);
    Ok(z * z / 2.0)
}
