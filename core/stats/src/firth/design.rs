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

/// The groups, checked, with the values of each term side by side: sums over groups then run over neighbours in memory.
#[derive(Debug, Clone)]
pub(super) struct Design {
    pub(super) terms: usize,
    columns: Vec<Column>,
    failures: Vec<f64>,
    trials: Vec<f64>,
}

/// The values of one term.
#[derive(Debug, Clone)]
struct Column {
    values: Vec<f64>,
    /// The groups in which it is not 0, where these are few: kinds are mostly 0.
    few: Option<Vec<u32>>,
}

impl Column {
    fn new(values: Vec<f64>) -> Self {
        let there: Vec<u32> = (0..).zip(&values).filter(|(_, v)| **v != 0.0).map(|(g, _)| g).collect();
        let few = (there.len() < values.len() / 4).then_some(there);
        Self { values, few }
    }

    /// Σ over the groups of this term, weighted already, times another: the fewer of the two are gone through.
    fn product(&self, weighted: &[f64], other: &Column) -> f64 {
        match (&self.few, &other.few) {
            (Some(few), _) => few.iter().map(|g| at(weighted, *g) * at(&other.values, *g)).sum(),
            (None, Some(few)) => few.iter().map(|g| at(weighted, *g) * at(&other.values, *g)).sum(),
            (None, None) => long_dot(weighted, &other.values),
        }
    }
}

fn at(values: &[f64], group: u32) -> f64 {
    values.get(group as usize).copied().unwrap_or(0.0)
}

/// Groups that are looked at together, so that what is worked out of them stays near the processor.
const BLOCK: usize = 256;

/// A sum of products over many, in four running sums of a fixed order: the same on every machine.
fn long_dot(a: &[f64], b: &[f64]) -> f64 {
    let (fours_a, rest_a) = a.as_chunks::<4>();
    let (fours_b, rest_b) = b.as_chunks::<4>();
    let mut sums = [0.0; 4];
    for (x, y) in fours_a.iter().zip(fours_b) {
        for ((sum, x), y) in sums.iter_mut().zip(x).zip(y) {
            *sum += x * y;
        }
    }
    let [s0, s1, s2, s3] = sums;
    (s0 + s1) + (s2 + s3) + dot(rest_a, rest_b)
}

/// y + a x, in place.
fn add_scaled(y: &mut [f64], a: f64, x: &[f64]) {
    for (y, x) in y.iter_mut().zip(x) {
        *y += a * x;
    }
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

impl Design {
    pub(super) fn new(groups: &[BinomialGroup]) -> Result<Self, FirthError> {
        let terms = groups.first().map_or(0, |g| g.values.len());
        if groups.iter().all(|g| g.trials == 0) {
            return Err(FirthError::NoTrials);
        }
        if terms == 0 || terms > MAX_TERMS {
            return Err(FirthError::BadTerms { terms, most: MAX_TERMS });
        }
        let tried = groups.iter().filter(|g| g.trials > 0);
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
        }
        let column = |term| Column::new(tried.clone().map(|g| g.values.get(term).copied().unwrap_or(0.0)).collect());
        Ok(Self {
            terms,
            columns: (0..terms).map(column).collect(),
            failures: tried.clone().map(|g| g.failures as f64).collect(),
            trials: tried.clone().map(|g| g.trials as f64).collect(),
        })
    }

    /// Returns the likelihood, its modified score and the information at some coefficients.
    ///
    /// The score is Σ (y − nπ + h(½ − π)) x with h = nπ(1−π) xᵀI⁻¹x, the leverage.
    pub(super) fn look(&self, beta: &[f64]) -> Result<Look, FirthError> {
        let groups = self.trials.len();
        let mut etas = vec![0.0; groups];
        for (column, b) in self.columns.iter().zip(beta) {
            match &column.few {
                Some(few) => few.iter().for_each(|g| {
                    if let Some(eta) = etas.get_mut(*g as usize) {
                        *eta += b * at(&column.values, *g);
                    }
                }),
                None => add_scaled(&mut etas, *b, &column.values),
            }
        }
        let mut log_likelihood = 0.0;
        let (mut weights, mut tilts) = (Vec::with_capacity(groups), Vec::with_capacity(groups));
        let mut residuals = Vec::with_capacity(groups);
        for ((eta, failures), trials) in etas.iter().zip(&self.failures).zip(&self.trials) {
            let small = (-eta.abs()).exp();
            let (large_share, small_share) = (1.0 / (1.0 + small), small / (1.0 + small));
            // 1 − π by itself keeps its digits where π is nearly 1.
            let (rate, rest) = if *eta >= 0.0 { (large_share, small_share) } else { (small_share, large_share) };
            log_likelihood += failures * eta - trials * (eta.max(0.0) + small.ln_1p());
            weights.push(trials * rate * rest);
            tilts.push(0.5 - rate);
            residuals.push(failures - trials * rate);
        }
        let factor = self.information(&weights).factor().map_err(|term| FirthError::Redundant { term })?;
        self.add_leverages(&factor, &weights, &tilts, &mut residuals);
        let score = self.columns.iter().map(|column| match &column.few {
            Some(few) => few.iter().map(|g| at(&residuals, *g) * at(&column.values, *g)).sum(),
            None => long_dot(&residuals, &column.values),
        });
        let score = score.collect();
        log_likelihood += factor.half_log_determinant();
        Ok(Look { log_likelihood, score, factor })
    }

    /// The information Σ w x xᵀ, its lower triangle.
    fn information(&self, weights: &[f64]) -> Square {
        let mut information = Square::zero(self.terms);
        for (i, row) in self.columns.iter().enumerate() {
            let weighted: Vec<f64> = weights.iter().zip(&row.values).map(|(w, x)| w * x).collect();
            for (j, column) in self.columns.iter().enumerate().take(i + 1) {
                information.set(i, j, row.product(&weighted, column));
            }
        }
        information
    }

    /// Adds h(½ − π) to the residuals, with h the leverage: w times the square of L⁻¹ x.
    fn add_leverages(&self, factor: &Square, weights: &[f64], tilts: &[f64], residuals: &mut [f64]) {
        let mut solved = vec![0.0; self.terms * BLOCK];
        for from in (0..weights.len()).step_by(BLOCK) {
            let length = BLOCK.min(weights.len() - from);
            let mut squares = vec![0.0; length];
            for (i, column) in self.columns.iter().enumerate() {
                let (before, after) = solved.split_at_mut(i * BLOCK);
                let Some(own) = after.get_mut(..length) else { continue };
                own.copy_from_slice(column.values.get(from..from + length).unwrap_or_default());
                for (k, earlier) in before.chunks_exact(BLOCK).enumerate() {
                    let share = factor.at(i, k);
                    if share != 0.0 {
                        add_scaled(own, -share, earlier);
                    }
                }
                let scale = 1.0 / factor.at(i, i);
                for (cell, square) in own.iter_mut().zip(&mut squares) {
                    *cell *= scale;
                    *square += *cell * *cell;
                }
            }
            let here = residuals.iter_mut().zip(weights).zip(tilts).skip(from);
            for (((residual, weight), tilt), square) in here.zip(&squares) {
                *residual += weight * square * tilt;
            }
        }
    }
}
