//! The numbers that every chart is made from.

/// A rate with its interval and the two readings of what is unresolved. All shares are of one, not percentages.
///
/// Nothing is checked on the way in: charts take shares outside 0 to 1 as the nearer end, and those that are no number
/// as not known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Failures that are settled.
    pub failures: u64,
    /// Shots that count, unresolved ones included.
    pub shots: u64,
    /// Shots whose outcome or cause is not settled.
    pub unresolved: u64,
    /// Failures of the settled shots; none where no shot is settled.
    pub rate: Option<f64>,
    /// The low end of the interval.
    pub low: f64,
    /// The high end of the interval.
    pub high: f64,
    /// The rate if every unresolved shot was the circuit's.
    pub if_circuit: Option<f64>,
    /// The rate if every unresolved shot was the igniter's.
    pub if_igniter: Option<f64>,
}

impl Default for Figures {
    /// No shot, nothing known.
    fn default() -> Self {
        Self {
            failures: 0,
            shots: 0,
            unresolved: 0,
            rate: None,
            low: 0.0,
            high: 1.0,
            if_circuit: None,
            if_igniter: None,
        }
    }
}

/// Returns a share that is one: a number from 0 to 1, or none.
pub(super) fn share(value: f64) -> Option<f64> {
    // Adding zero turns -0.0, which would print as "-0", into 0.0.
    (!value.is_nan()).then(|| value.clamp(0.0, 1.0) + 0.0)
}

impl Figures {
    /// Returns how many shots are settled.
    #[must_use]
    pub const fn settled(&self) -> u64 {
        self.shots.saturating_sub(self.unresolved)
    }

    /// Says how many of the settled shots failed, such as `3 of 24`.
    #[must_use]
    pub fn counts(&self) -> String {
        format!("{} of {}", self.failures, self.settled())
    }

    /// Returns the rate of the settled shots, if it is a share.
    pub(super) fn point(&self) -> Option<f64> {
        self.rate.and_then(share)
    }

    /// Returns the ends of the interval, in order.
    pub(super) fn interval(&self) -> (f64, f64) {
        let (low, high) = (share(self.low).unwrap_or(0.0), share(self.high).unwrap_or(1.0));
        (low.min(high), low.max(high))
    }

    /// Returns the two readings, in order, if anything is unresolved.
    pub(super) fn readings(&self) -> Option<(f64, f64)> {
        if self.unresolved == 0 {
            return None;
        }
        // With nothing settled the circuit's reading says nothing: it may be as low as the interval goes.
        let circuit = self.if_circuit.and_then(share).unwrap_or_else(|| self.interval().0);
        let igniter = self.if_igniter.and_then(share)?;
        Some((circuit.min(igniter), circuit.max(igniter)))
    }

    /// Returns the largest share that a chart has to show; nothing of what was never tried.
    pub(super) fn largest(&self) -> f64 {
        if self.shots == 0 {
            return 0.0;
        }
        let readings = self.readings().map_or(0.0, |(_, high)| high);
        self.interval().1.max(readings).max(self.point().unwrap_or(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_share_is_taken_as_the_nearer_end_or_as_not_known() {
        let odd = Figures { low: f64::NAN, high: f64::NEG_INFINITY, rate: Some(f64::NAN), ..Figures::default() };
        assert_eq!(odd.interval(), (0.0, 0.0));
        assert_eq!(odd.point(), None);
        assert_eq!(share(7.0), Some(1.0));
        assert!(share(-0.0).is_some_and(f64::is_sign_positive));
    }

    #[test]
    fn counts_speak_of_the_settled_shots_and_never_below_none() {
        assert_eq!(Figures { failures: 3, shots: 26, unresolved: 2, ..Figures::default() }.counts(), "3 of 24");
        assert_eq!(Figures { unresolved: 9, ..Figures::default() }.settled(), 0);
    }

    #[test]
    fn with_nothing_settled_the_readings_reach_down_to_the_interval() {
        let open = Figures { shots: 4, unresolved: 4, if_igniter: Some(1.0), ..Figures::default() };
        assert_eq!(open.readings(), Some((0.0, 1.0)));
        assert_eq!(Figures { unresolved: 0, ..open }.readings(), None);
    }
}
