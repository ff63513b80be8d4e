//! The posterior of the beta distribution's own numbers, on a grid in (logit μ, ln s).
//!
//! The trapezoid rule on a smooth density that is nothing at its ends is right to many digits with few points. For large
//! strengths s the mean μ is known well, for small ones hardly, so every column of one s has points in μ of its own.

use std::collections::BTreeMap;

use super::{GroupCounts, HyperPrior};
use crate::saddle::ln_gamma;

/// Points a side while the grid looks for its place.
const SEARCH: usize = 17;

/// How far below its top, in logarithms, the density still counts.
const DEPTH: f64 = 17.0;

/// Points a side when it has found its place: so many at least, and none further apart than the step. The sharpest shape that
/// a wide side can have is exp(t/2 − eᵗ), whose error by the trapezoid rule falls as exp(−π²/step).
#[derive(Debug, Clone, Copy)]
struct Fineness {
    fewest: usize,
    most: usize,
    step: f64,
}

impl Fineness {
    /// Where s is very large a rate is nearly a point, and its tail a step from node to node. Few groups leave much weight
    /// there, and leave time for more nodes: what all of it takes stays about the same.
    fn of(groups: usize) -> Self {
        let (fewest, most, step) = match groups {
            0..=2 => (76, 350, 0.2),
            3..=6 => (66, 450, 0.2),
            7..=12 => (44, 300, 0.3),
            _ => (22, 150, 0.6),
        };
        Self { fewest, most, step }
    }
}

/// How often columns may be put twice as near.
const HALVINGS: u32 = 4;

/// How often the grid may move.
const MOVES: usize = 60;

/// A beta distribution and its posterior weight.
#[derive(Debug, Clone, Copy)]
pub(super) struct Node {
    pub(super) alpha: f64,
    pub(super) beta: f64,
    pub(super) weight: f64,
}

/// Points on one axis, evenly spread.
#[derive(Debug, Clone, Copy)]
struct Axis {
    from: f64,
    to: f64,
}

impl Axis {
    fn at(self, n: usize, points: usize) -> f64 {
        self.from + (self.to - self.from) * n as f64 / (points - 1) as f64
    }

    /// Returns how many points it takes.
    fn points(self, fine: Fineness) -> usize {
        ((((self.to - self.from) / fine.step).ceil()) as usize + 1).clamp(fine.fewest, fine.most)
    }

    /// Returns the range from one point before the first to one after the last, further at an edge, within limits.
    fn around(self, first: usize, last: usize, points: usize, limits: Axis) -> Axis {
        let step = (self.to - self.from) / (points - 1) as f64;
        // What counts at an edge may go on far beyond it: half as wide again, or the search would creep after a narrow peak.
        let beyond = 0.5 * (self.to - self.from);
        let from = if first == 0 { self.from - beyond } else { self.from + step * (first as f64 - 1.0) };
        let to = if last + 1 >= points { self.to + beyond } else { self.from + step * (last as f64 + 1.0) };
        Axis { from: from.max(limits.from), to: to.min(limits.to) }
    }
}

/// Tells whether nothing that counts stands at an edge; a limit is none.
fn is_held((first, last): (usize, usize), axis: Axis, limits: Axis) -> bool {
    (first > 0 || axis.from <= limits.from) && (last + 1 < SEARCH || axis.to >= limits.to)
}

/// Beyond these a distribution is certain, or sure of 0 and 1 alone, for every purpose here.
const LOGITS: Axis = Axis { from: -45.0, to: 45.0 };
/// For larger strengths too, differences of log-gammas have no digits left beyond the upper limit, 1e12 shots.
const STRENGTHS: Axis = Axis { from: -40.0, to: 28.0 };

#[derive(Debug, Clone)]
pub(super) struct Grid {
    pub(super) nodes: Vec<Node>,
    logits: Vec<(f64, f64)>,
    strengths: Vec<(f64, f64)>,
}

/// The groups, alike ones together: counts and how many.
struct Counted(Vec<(GroupCounts, f64)>);

impl Counted {
    fn new(groups: &[GroupCounts]) -> Self {
        let mut alike: BTreeMap<(u64, u64), (GroupCounts, f64)> = BTreeMap::new();
        // Bits of numbers from 0 up are in the numbers' order.
        for group in groups.iter().filter(|g| g.trials > 0.0) {
            let key = (group.trials.to_bits(), (group.failures + 0.0).to_bits());
            alike.entry(key).or_insert((*group, 0.0)).1 += 1.0;
        }
        Self(alike.into_values().collect())
    }

    /// Returns the top of the density, to about a thousandth: the best place of a coarse grid, then steps that are halved where
    /// none of them rises. A grid alone would miss the narrow peak of many trials.
    fn top(&self, prior: HyperPrior) -> (f64, f64) {
        let (logits, strengths) = (Axis { from: -18.0, to: 18.0 }, Axis { from: -10.0, to: 22.0 });
        let place = |n: usize| (logits.at(n / SEARCH, SEARCH), strengths.at(n % SEARCH, SEARCH));
        let height = |(a, b): (f64, f64)| self.log_density(a, b, prior);
        let (mut at, mut top) = ((0.0, 0.0), f64::NEG_INFINITY);
        for here in (0..SEARCH * SEARCH).map(place) {
            let h = height(here);
            if h > top {
                (at, top) = (here, h);
            }
        }
        let mut step = 2.0;
        // Bounded, in case it walks along a ridge.
        for _ in 0..400 {
            let ways =
                [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0), (1.0, 1.0), (-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0)];
            let tried = ways.map(|(x, y)| {
                let a = (at.0 + x * step).clamp(LOGITS.from, LOGITS.to);
                let b = (at.1 + y * step).clamp(STRENGTHS.from, STRENGTHS.to);
                ((a, b), height((a, b)))
            });
            let best = tried.into_iter().fold((at, top), |best, one| if one.1 > best.1 { one } else { best });
            if best.1 > top {
                (at, top) = best;
            } else {
                step *= 0.5;
                if step < 1e-3 {
                    break;
                }
            }
        }
        at
    }

    /// Returns where the density of one strength lies, as a range of logits.
    fn column(&self, ln_strength: f64, prior: HyperPrior, start: Axis) -> Axis {
        let mut axis = start;
        for _ in 0..MOVES {
            let densities: Vec<f64> =
                (0..SEARCH).map(|i| self.log_density(axis.at(i, SEARCH), ln_strength, prior)).collect();
            let top = densities.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let counting = || densities.iter().enumerate().filter(|(_, d)| **d > top - DEPTH).map(|(i, _)| i);
            let (first, last) = (counting().min().unwrap_or(0), counting().max().unwrap_or(SEARCH - 1));
            let next = axis.around(first, last, SEARCH, LOGITS);
            let rests = is_held((first, last), axis, LOGITS) && next.to - next.from > 0.75 * (axis.to - axis.from);
            axis = next;
            if rests {
                break;
            }
        }
        axis
    }

    /// Returns the log density in (logit μ, ln s), up to a constant.
    fn log_density(&self, logit: f64, ln_strength: f64, prior: HyperPrior) -> f64 {
        let (mean, rest) = (1.0 / (1.0 + (-logit).exp()), 1.0 / (1.0 + logit.exp()));
        let strength = ln_strength.exp();
        let (alpha, beta) = (mean * strength, rest * strength);
        let jacobian = match prior {
            // ½ ln μ(1−μ), and the derivative of 1/(1+s).
            HyperPrior::UniformShrinkage => {
                0.5 * (mean.ln() + rest.ln()) + ln_strength
                    - 2.0 * (ln_strength.max(0.0) + (-ln_strength.abs()).exp().ln_1p())
            }
            // −5/2 ln s, and the Jacobian αβ.
            HyperPrior::Diffuse => mean.ln() + rest.ln() - 0.5 * ln_strength,
        };
        let (of_alpha, of_beta, of_both) = (ln_gamma(alpha), ln_gamma(beta), ln_gamma(strength));
        let one = |group: &GroupCounts| {
            let clean = group.trials - group.failures;
            let mut sum = of_both - ln_gamma(strength + group.trials);
            if group.failures > 0.0 {
                sum += ln_gamma(alpha + group.failures) - of_alpha;
            }
            if clean > 0.0 {
                sum += ln_gamma(beta + clean) - of_beta;
            }
            sum
        };
        let density = jacobian + self.0.iter().map(|(group, times)| times * one(group)).sum::<f64>();
        // So far out that gamma functions overflow: as good as impossible.
        if density.is_nan() { f64::NEG_INFINITY } else { density }
    }
}

impl Grid {
    pub(super) fn fitted(groups: &[GroupCounts], prior: HyperPrior) -> Self {
        let counted = Counted::new(groups);
        let (logit, ln_strength) = counted.top(prior);
        let near = |at: f64, half: f64, limits: Axis| Axis {
            from: (at - half).max(limits.from),
            to: (at + half).min(limits.to),
        };
        let (mut logits, mut strengths) = (near(logit, 0.05, LOGITS), near(ln_strength, 0.5, STRENGTHS));
        for _ in 0..MOVES {
            let look = Look::new(&counted, prior, logits, strengths);
            let (a, b) = look.extent();
            let next = (logits.around(a.0, a.1, SEARCH, LOGITS), strengths.around(b.0, b.1, SEARCH, STRENGTHS));
            let is_tight = |old: Axis, new: Axis| new.to - new.from > 0.75 * (old.to - old.from);
            let rests = is_held(a, logits, LOGITS)
                && is_held(b, strengths, STRENGTHS)
                && is_tight(logits, next.0)
                && is_tight(strengths, next.1);
            (logits, strengths) = next;
            if rests {
                break;
            }
        }
        // Many groups of many trials make a narrow peak in s beside a long tail: columns must be near enough to see it.
        let fine = Fineness::of(counted.0.len());
        let mut along = fine;
        for _ in 0..HALVINGS {
            let grid = Self::of_columns(&counted, prior, (logits, fine), (strengths, along));
            if grid.sees_its_peak() {
                return grid;
            }
            along = Fineness { step: 0.5 * along.step, most: 2 * along.most, ..along };
        }
        Self::of_columns(&counted, prior, (logits, fine), (strengths, along))
    }

    /// Sums over columns of one strength each.
    fn of_columns(
        counted: &Counted,
        prior: HyperPrior,
        (logits, fine): (Axis, Fineness),
        (strengths, along): (Axis, Fineness),
    ) -> Self {
        let points = strengths.points(along);
        let mut columns = Vec::with_capacity(points);
        let mut box_before = logits;
        for j in 0..points {
            let ln_strength = strengths.at(j, points);
            let axis = counted.column(ln_strength, prior, box_before);
            // The next one is much like this one; a little air, and the search does the rest.
            let air = 0.15 * (axis.to - axis.from);
            box_before = Axis { from: (axis.from - air).max(LOGITS.from), to: (axis.to + air).min(LOGITS.to) };
            let count = axis.points(fine);
            let place = |i| {
                let logit = axis.at(i, count);
                (logit, counted.log_density(logit, ln_strength, prior))
            };
            let step = (axis.to - axis.from) / (count - 1) as f64;
            columns.push((ln_strength, step, (0..count).map(place).collect::<Vec<(f64, f64)>>()));
        }
        let all = columns.iter().flat_map(|(_, _, column)| column).map(|(_, density)| *density);
        let top = all.fold(f64::NEG_INFINITY, f64::max);
        let weight = |step: f64, density: f64| {
            let below = density - top;
            if below > -DEPTH { below.exp() * step } else { 0.0 }
        };
        let sums = columns.iter().map(|(_, step, column)| column.iter().map(|(_, d)| weight(*step, *d)).sum::<f64>());
        let total: f64 = sums.sum();
        let (mut nodes, mut means, mut sizes) = (Vec::new(), Vec::new(), Vec::new());
        for (ln_strength, step, column) in &columns {
            let strength = ln_strength.exp();
            let mut size = 0.0;
            for (logit, density) in column {
                let weight = weight(*step, *density) / total;
                if weight > 0.0 {
                    let (alpha, beta) = (strength / (1.0 + (-logit).exp()), strength / (1.0 + logit.exp()));
                    nodes.push(Node { alpha, beta, weight });
                    means.push((*logit, weight));
                    size += weight;
                }
            }
            sizes.push((*ln_strength, size));
        }
        means.sort_by(|a, b| a.0.total_cmp(&b.0));
        Self { nodes, logits: means, strengths: sizes }
    }

    /// Tells whether columns are no further apart than about a deviation of s: of a normal peak the part above e⁻² of its top is
    /// four deviations wide, and the trapezoid rule is then right to 1e-8.
    fn sees_its_peak(&self) -> bool {
        let top = self.strengths.iter().map(|(_, size)| *size).fold(0.0, f64::max);
        self.strengths.iter().filter(|(_, size)| *size > top * (-2.0_f64).exp()).count() >= 4
    }

    pub(super) fn average(&self, of: impl Fn(&Node) -> f64) -> f64 {
        self.nodes.iter().map(|node| node.weight * of(node)).sum()
    }

    pub(super) fn quantile_of_mean(&self, below: f64) -> f64 {
        quantile(&self.logits, below)
    }

    pub(super) fn quantile_of_strength(&self, below: f64) -> f64 {
        quantile(&self.strengths, below)
    }
}

/// Returns where a density given at even points has a share below, by straight lines between the sums.
fn quantile(weights: &[(f64, f64)], below: f64) -> f64 {
    let mut sum = 0.0;
    let mut last: Option<(f64, f64)> = None;
    for (place, weight) in weights.iter().copied() {
        // A point stands for half a step to either side.
        let middle = sum + 0.5 * weight;
        if middle >= below {
            return last.map_or(place, |(before, at)| before + (place - before) * (below - at) / (middle - at));
        }
        last = Some((place, middle));
        sum += weight;
    }
    last.map_or(0.0, |(place, _)| place)
}

/// The density at all points of a grid.
struct Look {
    densities: Vec<f64>,
    top: f64,
}

impl Look {
    fn new(counted: &Counted, prior: HyperPrior, logits: Axis, strengths: Axis) -> Self {
        let mut densities = Vec::with_capacity(SEARCH * SEARCH);
        for i in 0..SEARCH {
            for j in 0..SEARCH {
                densities.push(counted.log_density(logits.at(i, SEARCH), strengths.at(j, SEARCH), prior));
            }
        }
        let top = densities.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Self { densities, top }
    }

    /// The points that count.
    fn counting(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        let all = self.densities.iter().enumerate().filter(|(_, density)| **density - self.top > -DEPTH);
        all.map(|(n, _)| (n / SEARCH, n % SEARCH))
    }

    fn extent(&self) -> ((usize, usize), (usize, usize)) {
        let (mut a, mut b) = ((usize::MAX, 0), (usize::MAX, 0));
        for (i, j) in self.counting() {
            a = (a.0.min(i), a.1.max(i));
            b = (b.0.min(j), b.1.max(j));
        }
        ((a.0.min(a.1), a.1), (b.0.min(b.1), b.1))
    }
}
