//! One group's posterior: a mixture of beta distributions.

use super::GroupCounts;
use super::grid::{Grid, Node};
use crate::saddle::beta_power_term;
use crate::special::{Tails, beta_quantile, beta_tails_and_slope};

/// Weights below this, of the largest, change no digit that is promised.
const LEAST_WEIGHT: f64 = 5e-8;

/// Beyond these, in logits, a rate is 0 or 1.
const LOWEST: f64 = -690.0;
const HIGHEST: f64 = 36.0;

/// Weights that make a first answer, near enough for one step of the whole.
const ROUGH_WEIGHT: f64 = 3e-3;

pub(super) struct Mixture {
    parts: Vec<Node>,
}

/// Below this a tail is nothing beside the others.
const NOTHING: f64 = 1e-17;

/// Tails and density of one part. Where it is a narrow peak elsewhere, one tail is all and the other nothing.
fn tails_of_part(part: &Node, x: f64, y: f64) -> (Tails, f64) {
    let (a, b) = (part.alpha, part.beta);
    let off = x * b - y * a;
    // Not within six deviations of the mean: worth asking whether there is any density at all.
    if off * off * (a + b) > 36.0 * a * b * (x + y) {
        let power = beta_power_term(a, b, x, y);
        if power < NOTHING {
            let lower = if off > 0.0 { 1.0 } else { 0.0 };
            return (Tails { lower, upper: 1.0 - lower }, power);
        }
    }
    beta_tails_and_slope(a, b, x, y)
}

/// Tails and density of some parts, their weights taken as whole.
fn tails_of(parts: &[Node], logit: f64) -> (Tails, f64) {
    let (x, y) = (1.0 / (1.0 + (-logit).exp()), 1.0 / (1.0 + logit.exp()));
    let (mut lower, mut upper, mut density, mut whole) = (0.0, 0.0, 0.0, 0.0);
    for part in parts {
        let (tails, slope) = tails_of_part(part, x, y);
        lower += part.weight * tails.lower;
        upper += part.weight * tails.upper;
        density += part.weight * slope;
        whole += part.weight;
    }
    (Tails { lower: lower / whole, upper: upper / whole }, density / whole)
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

    pub(super) fn above(&self, rate: f64) -> f64 {
        let tail = |p: &Node| p.weight * tails_of_part(p, rate, 1.0 - rate).0.upper;
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

    /// A first answer from the heaviest parts, then one from all of them.
    fn solve(&self, tail: f64, of: impl Fn(Tails) -> f64, sign: f64) -> f64 {
        let most = self.parts.iter().map(|p| p.weight).fold(0.0, f64::max);
        let rough: Vec<Node> = self.parts.iter().filter(|p| p.weight >= ROUGH_WEIGHT * most).copied().collect();
        let guess = self.guess(if sign > 0.0 { tail } else { 1.0 - tail });
        let near = newton(&rough, tail, &of, sign, guess);
        match newton(&self.parts, tail, &of, sign, near) {
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

/// Newton on the logarithm of the tail in logits, within a shrinking range.
fn newton(parts: &[Node], tail: f64, of: &impl Fn(Tails) -> f64, sign: f64, start: f64) -> f64 {
    let (mut low, mut high) = (LOWEST, HIGHEST);
    let mut t = start;
    for _ in 0..100 {
        let (tails, density) = tails_of(parts, t);
        let miss = of(tails) - tail;
        // The lower tail rises with t, the upper one falls.
        if miss * sign > 0.0 {
            high = t
        } else {
            low = t
        }
        let step = sign * of(tails) * (tail.ln() - of(tails).ln()) / density;
        let next = t + step;
        let is_inside = next > low && next < high;
        let next = if is_inside { next } else { 0.5 * (low + high) };
        let moved = (next - t).abs();
        t = next;
        // Newton squares the error, so a step this small leaves one below a ten millionth.
        if moved <= if is_inside { 3e-4 } else { 1e-7 } {
            break;
        }
    }
    t
}
