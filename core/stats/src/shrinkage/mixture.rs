//! One group's posterior: a mixture of beta distributions.

use super::GroupCounts;
use super::grid::{Grid, Node};
use crate::saddle::beta_power_term;
use crate::special::{Tails, beta_quantile, beta_tails};

/// Weights below this, of the largest, change no digit that is promised.
const LEAST_WEIGHT: f64 = 3e-7;

/// Beyond these, in logits, a rate is 0 or 1.
const LOWEST: f64 = -690.0;
const HIGHEST: f64 = 36.0;

pub(super) struct Mixture {
    parts: Vec<Node>,
}

impl Mixture {
    pub(super) fn of(grid: &Grid, group: GroupCounts) -> Self {
        let most = grid.nodes.iter().map(|node| node.weight).fold(0.0, f64::max);
        let kept = grid.nodes.iter().filter(|node| node.weight >= LEAST_WEIGHT * most);
        let parts: Vec<Node> = kept
            .map(|node| Node {
                alpha: node.alpha + group.failures,
                beta: node.beta + group.trials - group.failures,
                weight: node.weight,
            })
            .collect();
        let total: f64 = parts.iter().map(|part| part.weight).sum();
        Self { parts: parts.into_iter().map(|p| Node { weight: p.weight / total, ..p }).collect() }
    }

    pub(super) fn mean(&self) -> f64 {
        self.parts.iter().map(|p| p.weight * (p.alpha / (p.alpha + p.beta))).sum()
    }

    /// Both tails at a logit, and the density there.
    fn at(&self, logit: f64) -> (Tails, f64) {
        let (x, y) = (1.0 / (1.0 + (-logit).exp()), 1.0 / (1.0 + logit.exp()));
        let (mut lower, mut upper, mut density) = (0.0, 0.0, 0.0);
        for part in &self.parts {
            let tails = beta_tails(part.alpha, part.beta, x, y);
            lower += part.weight * tails.lower;
            upper += part.weight * tails.upper;
            density += part.weight * beta_power_term(part.alpha, part.beta, x, y);
        }
        (Tails { lower, upper }, density)
    }

    pub(super) fn above(&self, rate: f64) -> f64 {
        let tail = |p: &Node| p.weight * beta_tails(p.alpha, p.beta, rate, 1.0 - rate).upper;
        self.parts.iter().map(tail).sum::<f64>().min(1.0)
    }

    /// Returns the rate that is not reached with probability `tail`, up to ½.
    pub(super) fn quantile(&self, tail: f64) -> f64 {
        self.solve(tail, |tails| tails.lower, 1.0)
    }

    /// Returns the rate that is exceeded with probability `tail`, up to ½.
    pub(super) fn upper_quantile(&self, tail: f64) -> f64 {
        self.solve(tail, |tails| tails.upper, -1.0)
    }

    /// Newton on the logarithm of the tail in logits, within a shrinking range.
    fn solve(&self, tail: f64, of: impl Fn(Tails) -> f64, sign: f64) -> f64 {
        let (mut low, mut high) = (LOWEST, HIGHEST);
        let mut t = self.guess(if sign > 0.0 { tail } else { 1.0 - tail });
        for _ in 0..100 {
            let (tails, density) = self.at(t);
            let miss = of(tails) - tail;
            // The lower tail rises with t, the upper one falls.
            if miss * sign > 0.0 {
                high = t
            } else {
                low = t
            }
            let step = sign * of(tails) * (tail.ln() - of(tails).ln()) / density;
            let next = t + step;
            let next = if next > low && next < high { next } else { 0.5 * (low + high) };
            let moved = (next - t).abs();
            t = next;
            if moved <= 1e-7 {
                break;
            }
        }
        match t {
            t if t <= LOWEST + 1.0 => 0.0,
            t if t >= HIGHEST - 0.1 => 1.0,
            t => 1.0 / (1.0 + (-t).exp()),
        }
    }

    /// The quantile of the one beta distribution with the same mean and variance.
    fn guess(&self, below: f64) -> f64 {
        let mean = self.mean();
        let square: f64 = self
            .parts
            .iter()
            .map(|p| {
                let n = p.alpha + p.beta;
                p.weight * (p.alpha / n) * ((p.alpha + 1.0) / (n + 1.0))
            })
            .sum();
        let variance = square - mean * mean;
        let n = mean * (1.0 - mean) / variance - 1.0;
        let (a, b) = (mean * n, (1.0 - mean) * n);
        if !(a.is_finite() && b.is_finite() && a > 1e-3 && b > 1e-3) {
            return (mean / (1.0 - mean)).ln().clamp(LOWEST + 2.0, HIGHEST - 2.0);
        }
        let x = beta_quantile(a, b, below);
        (x / (1.0 - x)).ln().clamp(LOWEST + 2.0, HIGHEST - 2.0)
    }
}
