//! Wald's sequential test: after each shot accept, reject, or go on.
//!
//! Not for a rate that changes while it is watched: see `cusum`. Going on after a decision, or looking for one in shots
//! picked afterwards, breaks the risks.

use crate::error::StatsError;

/// A count this near to a line is on it: the line's last digits must not decide.
const TIE: f64 = 1e-9;

/// What the test says after some shots.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SequentialDecision {
    /// The rate is taken to be the good one or better.
    Accept,
    /// The rate is taken to be the bad one or worse.
    Reject,
    /// Neither line is reached.
    GoOn,
}

/// Holds Wald's sequential test of a good rate against a bad one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SequentialTest {
    good: f64,
    bad: f64,
    alpha: f64,
    beta: f64,
    accept_intercept: f64,
    reject_intercept: f64,
    slope: f64,
}

impl SequentialTest {
    /// Returns the test of the rate `good` against `bad` with risk `alpha` of rejecting at the good rate and `beta` of
    /// accepting at the bad one.
    ///
    /// 0 < `good` < `bad` < 1; `alpha`, `beta` above 0 and together below 1. With g = ln(p₂(1−p₁)/(p₁(1−p₂))) the
    /// lines are failures = −h₁ + s n and h₂ + s n: h₁ = ln((1−α)/β)/g, h₂ = ln((1−β)/α)/g, s = ln((1−p₁)/(1−p₂))/g.
    /// The true risks are near the stated ones, and their sum is not above that of the stated ones.
    ///
    /// # Errors
    /// [`StatsError::RatesNotApart`], [`StatsError::BadRisks`].
    ///
    /// # Source
    /// Wald, *Sequential Analysis* (1947), ch. 5; NIST/SEMATECH e-Handbook 6.2.6.
    pub fn new(good: f64, bad: f64, alpha: f64, beta: f64) -> Result<Self, StatsError> {
        if !(good > 0.0 && good < bad && bad < 1.0) {
            return Err(StatsError::RatesNotApart { good, bad });
        }
        if !(alpha > 0.0 && beta > 0.0 && alpha + beta < 1.0) {
            return Err(StatsError::BadRisks { alpha, beta });
        }
        let less = (-good).ln_1p() - (-bad).ln_1p();
        let g = (bad / good).ln() + less;
        let test = Self {
            good,
            bad,
            alpha,
            beta,
            accept_intercept: ((1.0 - alpha) / beta).ln() / g,
            reject_intercept: ((1.0 - beta) / alpha).ln() / g,
            slope: less / g,
        };
        // Rates that differ in the last digit only leave lines that are no numbers.
        let is_usable = test.accept_intercept.is_finite()
            && test.reject_intercept.is_finite()
            && test.slope > 0.0
            && test.slope < 1.0;
        if is_usable { Ok(test) } else { Err(StatsError::RatesNotApart { good, bad }) }
    }

    /// Returns h₁: how far below the slope the line of acceptance lies, in failures.
    #[must_use]
    pub fn accept_intercept(&self) -> f64 {
        self.accept_intercept
    }

    /// Returns h₂: how far above the slope the line of rejection lies, in failures.
    #[must_use]
    pub fn reject_intercept(&self) -> f64 {
        self.reject_intercept
    }

    /// Returns s: the slope of both lines, in failures a shot.
    #[must_use]
    pub fn slope(&self) -> f64 {
        self.slope
    }

    /// Returns the most failures with which `shots` shots are accepted; none where so few cannot be.
    #[must_use]
    pub fn accept_at_most(&self, shots: u64) -> Option<u64> {
        let line = self.slope * shots as f64 - self.accept_intercept + TIE;
        (line >= 0.0).then(|| line.floor() as u64)
    }

    /// Returns the fewest failures with which `shots` shots are rejected; none where so few cannot be.
    #[must_use]
    pub fn reject_at_least(&self, shots: u64) -> Option<u64> {
        let line = self.slope * shots as f64 + self.reject_intercept - TIE;
        let failures = line.ceil() as u64;
        (failures <= shots).then_some(failures)
    }

    /// Returns what the test says at `failures` in `shots`. Ask after every shot, and stop at the first decision.
    #[must_use]
    pub fn decide(&self, failures: u64, shots: u64) -> SequentialDecision {
        if self.reject_at_least(shots).is_some_and(|least| failures >= least) {
            SequentialDecision::Reject
        } else if self.accept_at_most(shots).is_some_and(|most| failures <= most) {
            SequentialDecision::Accept
        } else {
            SequentialDecision::GoOn
        }
    }

    /// Returns how many more shots, none failing, lead to acceptance; 0 if it is reached.
    #[must_use]
    pub fn clean_shots_to_accept(&self, failures: u64, shots: u64) -> u64 {
        let needed = ((failures as f64 + self.accept_intercept - TIE) / self.slope).ceil();
        (needed.max(0.0) as u64).saturating_sub(shots)
    }

    /// Returns how many more shots, all failing, lead to rejection; 0 if it is reached.
    #[must_use]
    pub fn failures_to_reject(&self, failures: u64, shots: u64) -> u64 {
        let missing = self.reject_intercept + self.slope * shots as f64 - failures as f64 - TIE;
        (missing / (1.0 - self.slope)).ceil().max(0.0) as u64
    }

    /// Returns about how many shots a decision takes on average, at the good rate and at the bad one.
    ///
    /// Wald's approximation, which neglects how far a line is overshot: ((1−α)(−h₁) + αh₂)/(p₁−s) and
    /// (β(−h₁) + (1−β)h₂)/(p₂−s).
    #[must_use]
    pub fn average_shots(&self) -> (f64, f64) {
        let (h1, h2) = (self.accept_intercept, self.reject_intercept);
        let at_good = ((1.0 - self.alpha) * -h1 + self.alpha * h2) / (self.good - self.slope);
        let at_bad = (self.beta * -h1 + (1.0 - self.beta) * h2) / (self.bad - self.slope);
        (at_good, at_bad)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shots_said_to_be_missing_are_the_ones_that_decide() {
        let test = SequentialTest::new(0.02, 0.08, 0.05, 0.10).unwrap();
        for shots in 0..300 {
            for failures in 0..=shots.min(12) {
                let clean = test.clean_shots_to_accept(failures, shots);
                assert!(test.accept_at_most(shots + clean).is_some_and(|most| failures <= most), "{failures} {shots}");
                if clean > 0 {
                    assert!(test.accept_at_most(shots + clean - 1).is_none_or(|most| failures > most));
                }
                let bad = test.failures_to_reject(failures, shots);
                let rejects = |more: u64| test.reject_at_least(shots + more).is_some_and(|l| failures + more >= l);
                assert!(rejects(bad), "{failures} {shots} {bad}");
                assert!(bad == 0 || !rejects(bad - 1), "{failures} {shots} {bad}");
            }
        }
    }

    #[test]
    fn rates_and_risks_that_make_no_test_are_refused_by_name() {
        for (good, bad) in [(0.1, 0.1), (0.2, 0.1), (0.0, 0.1), (0.1, 1.0), (f64::NAN, 0.1), (0.1, f64::NAN)] {
            let got = SequentialTest::new(good, bad, 0.05, 0.1);
            assert!(matches!(got, Err(StatsError::RatesNotApart { .. })), "{good} {bad}");
        }
        for (alpha, beta) in [(0.0, 0.1), (0.1, 0.0), (0.5, 0.5), (0.9, 0.2), (f64::NAN, 0.1)] {
            let got = SequentialTest::new(0.01, 0.1, alpha, beta);
            assert!(matches!(got, Err(StatsError::BadRisks { .. })), "{alpha} {beta}");
        }
    }
}
