//! What a model is fitted to, and its penalised likelihood at any coefficients.

use super::FirthError;
use super::square::{Square, dot};

/// The most terms of a model.
pub const MAX_TERMS: usize = 200;

/// Trials that share the values of all terms.
#[derive(Debug, Clone, PartialEq)]
pub struct BinomialGroup {
    /// One value a term; the constant is a term of ones and stands first by custom.
    pub values: Vec<f64>,
    /// The failures.
    pub failures: u64,
    /// The trials.
    pub trials: u64,
}

/// The groups, checked, with values side by side.
#[derive(Debug, Clone)]
pub(super) struct Design {
    pub(super) terms: usize,
    values: Vec<f64>,
    counts: Vec<(f64, f64)>,
}

/// The penalised likelihood at some coefficients.
#[derive(Debug, Clone)]
pub(super) struct Look {
    /// ℓ(β) + ½ ln |I(β)|, without the binomial coefficients.
    pub(super) log_likelihood: f64,
    /// The modified score.
    pub(super) score: Vec<f64>,
    /// The Cholesky factor of the information.
    pub(super) factor: Square,
}

/// ln(1 + eᵗ) without overflow.
fn ln_one_plus_exp(t: f64) -> f64 {
    if t > 0.0 { t + (-t).exp().ln_1p() } else { t.exp().ln_1p() }
}

impl Design {
    pub(super) fn new(groups: &[BinomialGroup]) -> Result<Self, FirthError> {
        let terms = groups.first().map_or(0, |g| g.values.len());
        if groups.iter().all(|g| g.trials == 0) {
            return Err(FirthError::NoTrials);
        }
        if terms == 0 || terms > MAX_TERMS {
            return Err(FirthError::BadTerms { terms, most: MAX_TERMS });
        }
        let mut design = Self { terms, values: Vec::new(), counts: Vec::new() };
        for (group, g) in groups.iter().enumerate() {
            if g.values.len() != terms {
                return Err(FirthError::WrongLength { group, found: g.values.len(), wanted: terms });
            }
            if g.failures > g.trials {
                return Err(FirthError::MoreFailuresThanTrials { group });
            }
            if let Some(term) = g.values.iter().position(|v| !v.is_finite()) {
                return Err(FirthError::BadValue { group, term });
            }
            if g.trials > 0 {
                design.values.extend_from_slice(&g.values);
                design.counts.push((g.failures as f64, g.trials as f64));
            }
        }
        Ok(design)
    }

    /// Returns the likelihood, its modified score and the information at some coefficients.
    ///
    /// The score is Σ (y − nπ + h(½ − π)) x with h = nπ(1−π) xᵀI⁻¹x, the leverage.
    pub(super) fn look(&self, beta: &[f64]) -> Result<Look, FirthError> {
        let rows = || self.values.chunks_exact(self.terms).zip(&self.counts);
        let mut information = Square::zero(self.terms);
        let mut log_likelihood = 0.0;
        let mut rates = Vec::with_capacity(self.counts.len());
        for (x, (failures, trials)) in rows() {
            let eta = dot(x, beta);
            let rate = 1.0 / (1.0 + (-eta).exp());
            // 1 − π by itself keeps its digits where π is nearly 1.
            let rest = 1.0 / (1.0 + eta.exp());
            log_likelihood += failures * eta - trials * ln_one_plus_exp(eta);
            let weight = trials * rate * rest;
            information.add_outer(x, weight);
            rates.push((rate, weight));
        }
        let factor = information.factor().map_err(|term| FirthError::Redundant { term })?;
        let mut score = vec![0.0; self.terms];
        let mut solved = vec![0.0; self.terms];
        for ((x, (failures, trials)), (rate, weight)) in rows().zip(&rates) {
            solved.copy_from_slice(x);
            factor.solve_lower(&mut solved);
            let leverage = weight * dot(&solved, &solved);
            let residual = failures - trials * rate + leverage * (0.5 - rate);
            for (s, x) in score.iter_mut().zip(x) {
                *s += residual * x;
            }
        }
        log_likelihood += factor.half_log_determinant();
        Ok(Look { log_likelihood, score, factor })
    }
}
