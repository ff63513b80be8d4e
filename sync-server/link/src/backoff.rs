//! How long to wait before trying again: twice as long each time, and never all devices at once.

use std::time::Duration;

use crate::patience::Patience;

/// The waits after failures in a row.
#[derive(Debug, Clone)]
pub(crate) struct Backoff {
    first: Duration,
    longest: Duration,
    failures: u32,
}

impl Backoff {
    pub(crate) fn new(patience: &Patience) -> Self {
        Self { first: patience.first_retry, longest: patience.longest_retry, failures: 0 }
    }

    /// Returns the next wait: between a half and the whole of 0.5 s, 1 s, 2 s, … 60 s, unless told otherwise. When a
    /// server comes back, its crews must not all knock in the same moment.
    pub(crate) fn next(&mut self, random: u32) -> Duration {
        let whole = self.first.saturating_mul(1 << self.failures.min(10)).min(self.longest);
        self.failures = self.failures.saturating_add(1);
        whole.mul_f64(0.5 + 0.5 * f64::from(random) / f64::from(u32::MAX))
    }

    /// Begins anew, after something worked.
    pub(crate) fn reset(&mut self) {
        self.failures = 0;
    }
}

/// Returns random bits for a wait. Without any the waits are the shortest; nothing secret hangs on them.
pub(crate) fn random() -> u32 {
    let mut bytes = [0; 4];
    let _ = getrandom::fill(&mut bytes);
    u32::from_ne_bytes(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_a_minute_and_begin_anew_after_success() {
        let patience = Patience::default();
        let mut backoff = Backoff::new(&patience);
        let waits: Vec<u64> = (0..10).map(|_| backoff.next(u32::MAX).as_millis() as u64).collect();
        assert_eq!(waits, [500, 1000, 2000, 4000, 8000, 16_000, 32_000, 60_000, 60_000, 60_000]);
        assert_eq!((0..100).map(|_| backoff.next(0)).max(), Some(patience.longest_retry / 2));
        backoff.reset();
        assert_eq!(backoff.next(0), patience.first_retry / 2);
    }
}
