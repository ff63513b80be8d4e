//! Log-normal and Weibull distributions fitted to times of which only the ends are known.

use super::{CensoredSample, CensoredTime, Law, TimesError, check_limit};
use crate::error::{check_confidence, check_probability};
use crate::gamma::chi_square_upper;
use crate::special::normal_upper_quantile;

/// Stops a search that would not end.
const MOST_STEPS: u32 = 200;

/// So many different times, and a part of them shows where to begin.
const PART_OF: usize = 2_000;

/// A step that promises less, as a part of the likelihood, is the last one.
const LAST_GAIN: f64 = 1e-14;

/// A fit this many times wider than it began has no end.
const WIDEST: f64 = 1e8;

/// Holds an estimate and the two ends of its interval; `high` may be infinite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// The estimate.
    pub value: f64,
    /// The low end.
    pub low: f64,
    /// The high end.
    pub high: f64,
}

/// A time as its logarithm less the sample's middle.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Row {
    from: f64,
    to: f64,
    is_exact: bool,
    count: f64,
}

/// Holds a law fitted to times by maximum likelihood.
///
/// Worked out in α = 1/scale and β = location/scale, where the log-likelihood is concave for both laws (Burridge, J.
/// R. Stat. Soc. B 43 (1981) 41–45), so Newton's method finds the one maximum. Intervals are those of the profile
/// likelihood: the values of a quantile or of a tail whose largest log-likelihood lies less than χ²(1)/2 below the
/// maximum. They are good in large samples, and a little short in ones of ten.
#[derive(Debug, Clone, PartialEq)]
pub struct LogFit {
    law: Law,
    middle: f64,
    alpha: f64,
    beta: f64,
    ln_likelihood: f64,
    len: u64,
    rows: Vec<Row>,
}

/// The log-likelihood at one place, with its derivatives.
struct Height {
    ln: f64,
    slope: [f64; 2],
    bend: [f64; 3],
}

impl LogFit {
    /// Fits a law to times.
    ///
    /// # Errors
    /// [`TimesError::NoSpread`] where all intervals have a time in common (the likelihood then rises without end as the
    /// scale goes to 0), [`TimesError::NoFit`] where it rises as the scale grows, [`TimesError::NotSettled`].
    ///
    /// # Source
    /// ℓ = Σ ln[G((ln high − μ)/σ) − G((ln low − μ)/σ)], and the density for exact times: Meeker & Escobar, *Statistical
    /// Methods for Reliability Data* (1998), ch. 7–8. Checked against `tests/fixtures/times.csv`.
    pub fn new(law: Law, sample: &CensoredSample) -> Result<Self, TimesError> {
        if let Some((low, high)) = sample.common() {
            return Err(TimesError::NoSpread { low, high });
        }
        let guesses: Vec<(f64, f64)> = sample.distinct().map(|(time, count)| (guess(time), count)).collect();
        let n = sample.len() as f64;
        let middle = guesses.iter().map(|(g, count)| g * count).sum::<f64>() / n;
        let spread = (guesses.iter().map(|(g, count)| (g - middle).powi(2) * count).sum::<f64>() / n).sqrt().max(1e-3);
        let row = |(time, count): (CensoredTime, f64)| Row {
            from: time.low().ln() - middle,
            to: time.high().ln() - middle,
            is_exact: time.is_exact(),
            count,
        };
        let rows = sample.distinct().map(row).collect();
        let mut fit = Self {
            law,
            middle,
            alpha: 1.0 / spread,
            beta: 0.0,
            ln_likelihood: f64::NEG_INFINITY,
            len: sample.len(),
            rows,
        };
        fit.begin_from_a_part();
        fit.climb()?;
        Ok(fit)
    }

    /// Returns the law.
    #[must_use]
    pub const fn law(&self) -> Law {
        self.law
    }

    /// Returns how many times it was fitted to.
    #[must_use]
    #[expect(clippy::len_without_is_empty, reason = "never fitted to nothing")]
    pub const fn len(&self) -> u64 {
        self.len
    }

    /// Returns the location μ of the logarithm of time: of the log-normal the median's, of the Weibull its scale's.
    #[must_use]
    pub fn location(&self) -> f64 {
        self.middle + self.beta / self.alpha
    }

    /// Returns the scale σ of the logarithm of time: of the log-normal its deviation, of the Weibull 1/shape.
    #[must_use]
    pub fn scale(&self) -> f64 {
        1.0 / self.alpha
    }

    /// Returns the log-likelihood; exact times enter with their density, so it is comparable only on the same times.
    #[must_use]
    pub fn ln_likelihood(&self) -> f64 {
        self.ln_likelihood
    }

    /// Returns the share of times above `limit`; 1 for a limit of 0.
    #[must_use]
    pub fn upper(&self, limit: f64) -> f64 {
        if limit <= 0.0 { 1.0 } else { self.law.upper(self.alpha * (limit.ln() - self.middle) - self.beta) }
    }

    /// Returns the time that a share of them does not exceed, with its profile-likelihood interval.
    ///
    /// `share` and `confidence` in (0, 1). The one-sided bound of confidence γ is the end of the interval of 2γ − 1:
    /// see [`LogFit::quantile_bound`].
    ///
    /// # Errors
    /// [`TimesError::Stats`] for numbers out of range.
    pub fn quantile(&self, share: f64, confidence: f64) -> Result<Bound, TimesError> {
        check_confidence(confidence)?;
        let cut = normal_upper_quantile((1.0 - confidence) / 2.0);
        let (value, at, z) = self.quantile_at(share)?;
        let end = |side: f64| self.quantile_end(at, z, side * cut);
        Ok(Bound { value, low: end(-1.0), high: end(1.0) })
    }

    /// Returns the bound that the time which a share does not exceed lies below with `confidence`: a tolerance bound,
    /// such as what 95 % of units stay under, with 90 % confidence. Infinite where the times set none.
    ///
    /// # Errors
    /// [`TimesError::Stats`] for numbers out of range.
    pub fn quantile_bound(&self, share: f64, confidence: f64) -> Result<f64, TimesError> {
        check_confidence(confidence)?;
        let (value, at, z) = self.quantile_at(share)?;
        let cut = normal_upper_quantile(1.0 - confidence);
        Ok(if cut == 0.0 { value } else { self.quantile_end(at, z, cut) })
    }

    /// Returns the share of times above `limit` with its profile-likelihood interval.
    ///
    /// # Errors
    /// [`TimesError::BadLimit`], [`TimesError::Stats`].
    pub fn slower_than(&self, limit: f64, confidence: f64) -> Result<Bound, TimesError> {
        check_limit(limit)?;
        check_confidence(confidence)?;
        let cut = normal_upper_quantile((1.0 - confidence) / 2.0);
        let at = limit.ln() - self.middle;
        let z = self.alpha * at - self.beta;
        let step = (1.0 + z.abs()) / (self.len as f64).sqrt();
        let end = |cut: f64| self.law.upper(self.search(z, step * cut.signum(), cut.abs(), |z| self.profile(at, z)));
        Ok(Bound { value: self.law.upper(z), low: end(cut), high: end(-cut) })
    }

    /// The time that a share does not exceed, its logarithm less the middle, and its standard value.
    fn quantile_at(&self, share: f64) -> Result<(f64, f64, f64), TimesError> {
        check_probability(share)?;
        let z = self.law.quantile(share);
        let at = (z + self.beta) / self.alpha;
        Ok(((self.middle + at).exp(), at, z))
    }

    fn quantile_end(&self, at: f64, z: f64, cut: f64) -> f64 {
        let step = self.scale() * (1.0 + z.abs()) / (self.len as f64).sqrt();
        (self.middle + self.search(at, step * cut.signum(), cut.abs(), |at| self.profile(at, z))).exp()
    }

    fn height(&self, alpha: f64, beta: f64) -> Height {
        let mut height = Height { ln: 0.0, slope: [0.0; 2], bend: [0.0; 3] };
        for row in &self.rows {
            let (z1, z2) = (alpha * row.from - beta, alpha * row.to - beta);
            let n = row.count;
            if row.is_exact {
                let (ln, first, second) = self.law.at(z1);
                // The density of the time itself has 1/t, that of its logarithm has not.
                height.ln += n * (ln + alpha.ln() - row.from - self.middle);
                height.slope[0] += n * (first * row.from + 1.0 / alpha);
                height.slope[1] -= n * first;
                height.bend[0] += n * (second * row.from * row.from - 1.0 / (alpha * alpha));
                height.bend[1] -= n * second * row.from;
                height.bend[2] += n * second;
                continue;
            }
            let b = self.law.between(z1, z2);
            // An open end does not move.
            let y1 = if row.from.is_finite() { row.from } else { 0.0 };
            let y2 = if row.to.is_finite() { row.to } else { 0.0 };
            let ([d1, d2], [h11, h12, h22]) = (b.first, b.second);
            height.ln += n * b.ln;
            height.slope[0] += n * (d1 * y1 + d2 * y2);
            height.slope[1] -= n * (d1 + d2);
            height.bend[0] += n * (h11 * y1 * y1 + 2.0 * h12 * y1 * y2 + h22 * y2 * y2);
            height.bend[1] -= n * (h11 * y1 + h12 * (y1 + y2) + h22 * y2);
            height.bend[2] += n * (h11 + 2.0 * h12 + h22);
        }
        height
    }

    /// With many different times: begins where every sixteenth of them has its top, which is near that of all. They are in
    /// order, so such a part looks like the whole.
    fn begin_from_a_part(&mut self) {
        if self.rows.len() < PART_OF {
            return;
        }
        let rows = self.rows.iter().step_by(16).copied().collect();
        let mut part = Self { rows, ..self.clone_without_rows() };
        // What the part cannot tell is left to the whole.
        if part.climb().is_ok() && part.alpha.is_finite() && part.beta.is_finite() {
            (self.alpha, self.beta) = (part.alpha, part.beta);
        }
    }

    fn clone_without_rows(&self) -> Self {
        let Self { law, middle, alpha, beta, ln_likelihood, len, .. } = *self;
        Self { law, middle, alpha, beta, ln_likelihood, len, rows: Vec::new() }
    }

    /// Newton's method, each step shortened until it rises.
    fn climb(&mut self) -> Result<(), TimesError> {
        let narrowest = self.alpha / WIDEST;
        let mut here = self.height(self.alpha, self.beta);
        if !here.ln.is_finite() {
            // Everything between is possible with a wider start.
            self.alpha /= 10.0;
            here = self.height(self.alpha, self.beta);
        }
        for _ in 0..MOST_STEPS {
            let [a, b, c] = here.bend;
            let det = a * c - b * b;
            let [ga, gb] = here.slope;
            let step = if det > 0.0 && a < 0.0 {
                [(b * gb - c * ga) / det, (b * ga - a * gb) / det]
            } else {
                // Flat: uphill, by about the scale of the place.
                let size = (ga * ga + gb * gb).sqrt().max(f64::MIN_POSITIVE);
                [ga / size * self.alpha, gb / size * self.alpha]
            };
            let gain = step[0] * ga + step[1] * gb;
            if gain <= 1e-20 * (1.0 + here.ln.abs()) || !gain.is_finite() {
                break;
            }
            if gain <= LAST_GAIN * (1.0 + here.ln.abs()) && self.alpha + step[0] > 0.0 {
                // Newton squares the error: after this step no digit is left to gain, and the top is half the gain up.
                (self.alpha, self.beta) = (self.alpha + step[0], self.beta + step[1]);
                self.ln_likelihood = here.ln + 0.5 * gain;
                return Ok(());
            }
            let mut part = if step[0] < 0.0 { (-0.9 * self.alpha / step[0]).min(1.0) } else { 1.0 };
            let mut moved = false;
            for _ in 0..60 {
                let (alpha, beta) = (self.alpha + part * step[0], self.beta + part * step[1]);
                let there = self.height(alpha, beta);
                if there.ln >= here.ln {
                    moved = there.ln > here.ln || part * gain > 1e-18 * (1.0 + here.ln.abs());
                    (self.alpha, self.beta, here) = (alpha, beta, there);
                    break;
                }
                part *= 0.5;
            }
            if self.alpha < narrowest {
                return Err(TimesError::NoFit);
            }
            if !moved {
                break;
            }
        }
        self.ln_likelihood = here.ln;
        let [a, b, c] = here.bend;
        let [ga, gb] = here.slope;
        let left = (b * gb - c * ga) / (a * c - b * b) * ga + (b * ga - a * gb) / (a * c - b * b) * gb;
        // What another step would gain.
        if left.abs() <= 1e-9 * (1.0 + here.ln.abs()) {
            Ok(())
        } else {
            Err(TimesError::NotSettled { steps: MOST_STEPS })
        }
    }

    /// The largest log-likelihood with the standard value `z` at the logarithm `at`: along β = α·at − z.
    fn profile(&self, at: f64, z: f64) -> f64 {
        // The nearest point of that line to the fit, in the sense that α stays.
        let mut alpha = self.alpha;
        let mut here = self.height(alpha, alpha * at - z);
        for _ in 0..MOST_STEPS {
            if !here.ln.is_finite() {
                alpha *= 0.5;
                here = self.height(alpha, alpha * at - z);
                continue;
            }
            let slope = here.slope[0] + here.slope[1] * at;
            let bend = here.bend[0] + 2.0 * at * here.bend[1] + at * at * here.bend[2];
            let step = if bend < 0.0 { -slope / bend } else { slope.signum() * alpha };
            if (step * slope).abs() <= 1e-15 * (1.0 + here.ln.abs()) {
                break;
            }
            let mut part = if step < 0.0 { (-0.9 * alpha / step).min(1.0) } else { 1.0 };
            let mut moved = false;
            for _ in 0..50 {
                let there = self.height(alpha + part * step, (alpha + part * step) * at - z);
                if there.ln >= here.ln {
                    moved = there.ln > here.ln;
                    (alpha, here) = (alpha + part * step, there);
                    break;
                }
                part *= 0.5;
            }
            if !moved {
                break;
            }
        }
        here.ln
    }

    /// Where the root of the likelihood ratio reaches `cut`, from the fit at `start` in the direction of `step`.
    fn search(&self, start: f64, step: f64, cut: f64, profile: impl Fn(f64) -> f64) -> f64 {
        let root = |x: f64| (2.0 * (self.ln_likelihood - profile(x))).max(0.0).sqrt() - cut;
        let (mut inside, mut at_inside) = (start, -cut);
        let mut reach = step * cut;
        let (mut outside, mut at_outside) = loop {
            let x = start + reach;
            let value = root(x);
            if value >= 0.0 {
                break (x, value);
            }
            (inside, at_inside) = (x, value);
            // The root is nearly a straight line: aim a little beyond where it would cross, at most four times as far.
            reach *= (1.1 * cut / (value + cut).max(0.1 * cut)).clamp(1.2, 4.0);
            if reach.abs() > 1e4 * step.abs().max(1.0) {
                return step.signum() * f64::INFINITY;
            }
        };
        // False position with the Illinois rule.
        let mut last_side = 0;
        for _ in 0..MOST_STEPS {
            let x = (inside * at_outside - outside * at_inside) / (at_outside - at_inside);
            let value = root(x);
            if value.abs() <= 1e-11 * cut || (outside - inside).abs() <= 1e-14 * (start.abs() + step.abs()) {
                return x;
            }
            if value < 0.0 {
                (inside, at_inside) = (x, value);
                if last_side == -1 {
                    at_outside *= 0.5;
                }
                last_side = -1;
            } else {
                (outside, at_outside) = (x, value);
                if last_side == 1 {
                    at_inside *= 0.5;
                }
                last_side = 1;
            }
        }
        0.5 * (inside + outside)
    }
}

/// A first idea of the logarithm of a time.
fn guess(time: CensoredTime) -> f64 {
    match (time.low(), time.high()) {
        (low, high) if high.is_infinite() => (low.max(f64::MIN_POSITIVE) * 1.5).ln(),
        (0.0, high) => (high / 2.0).ln(),
        (low, high) => 0.5 * (low.ln() + high.ln()),
    }
}

/// Holds the likelihood-ratio test that two samples have one distribution of a law.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoFits {
    /// 2(ℓ₁ + ℓ₂ − ℓ of both together).
    pub statistic: f64,
    /// The probability of one as large or larger by chance: χ² of 2 degrees.
    pub p_value: f64,
}

/// Returns the likelihood-ratio test that two fits of one law are of one distribution, `both` being fitted to all.
///
/// Location and scale may both differ, so it has 2 degrees of freedom. Good in large samples.
///
/// # Source
/// Wilks, Ann. Math. Stat. 9 (1938) 60–62.
#[must_use]
pub fn two_fits(first: &LogFit, second: &LogFit, both: &LogFit) -> TwoFits {
    let statistic = (2.0 * (first.ln_likelihood + second.ln_likelihood - both.ln_likelihood)).max(0.0);
    TwoFits { statistic, p_value: chi_square_upper(statistic, 2) }
}
