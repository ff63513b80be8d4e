//! Time that passes only when the test says so, and devices that have it wrong.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

/// The simulation's own time, in milliseconds since 1970; clones are the same clock.
#[derive(Debug, Clone, Default)]
pub struct SimClock(Arc<AtomicI64>);

impl SimClock {
    /// Makes a clock that stands at `start_ms`.
    #[must_use]
    pub fn new(start_ms: i64) -> Self {
        Self(Arc::new(AtomicI64::new(start_ms)))
    }

    /// Returns the true time.
    #[must_use]
    pub fn now_ms(&self) -> i64 {
        self.0.load(Ordering::Relaxed)
    }

    /// Lets time pass, for everybody.
    pub fn advance(&self, ms: u32) {
        self.0.fetch_add(i64::from(ms), Ordering::Relaxed);
    }

    /// Returns the clock of a device that is `skew_ms` ahead of the true time (behind, if negative).
    #[must_use]
    pub fn device(&self, skew_ms: i64) -> DeviceClock {
        DeviceClock { world: self.clone(), skew: Arc::new(AtomicI64::new(skew_ms)) }
    }
}

/// The clock of one device, which may be years off and may jump; clones are the same clock.
#[derive(Debug, Clone)]
pub struct DeviceClock {
    world: SimClock,
    skew: Arc<AtomicI64>,
}

impl DeviceClock {
    /// Returns what the device believes the time is, in milliseconds since 1970.
    #[must_use]
    pub fn now_ms(&self) -> i64 {
        self.world.now_ms().saturating_add(self.skew.load(Ordering::Relaxed))
    }

    /// Sets the clock forwards, or backwards if negative, as a person or a time server would.
    pub fn jump(&self, ms: i64) {
        self.skew.fetch_add(ms, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn devices_share_the_passing_of_time_but_not_their_skew() {
        let world = SimClock::new(1_000);
        let (ahead, behind) = (world.device(50), world.device(-5_000));
        world.advance(10);
        assert_eq!((world.now_ms(), ahead.now_ms(), behind.now_ms()), (1_010, 1_060, -3_990));
        ahead.clone().jump(-100);
        assert_eq!((ahead.now_ms(), behind.now_ms()), (960, -3_990));
    }
}
