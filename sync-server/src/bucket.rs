//! Token buckets: how much may come at once, and how much over a longer time.

use std::collections::HashMap;
use std::hash::Hash;
use std::time::{Duration, Instant};

/// One bucket. What is taken comes back at a steady rate, up to the most that fits.
#[derive(Debug, Clone)]
pub(crate) struct Bucket {
    most: f64,
    per_s: f64,
    left: f64,
    at: Instant,
}

impl Bucket {
    /// Makes a full bucket.
    pub(crate) fn new(most: u32, per_s: f64, now: Instant) -> Self {
        Self { most: f64::from(most), per_s, left: f64::from(most), at: now }
    }

    fn refill(&mut self, now: Instant) {
        let passed = now.saturating_duration_since(self.at).as_secs_f64();
        self.left = (self.left + passed * self.per_s).min(self.most);
        self.at = self.at.max(now);
    }

    /// Takes `cost` if it is there.
    pub(crate) fn take(&mut self, cost: u32, now: Instant) -> bool {
        self.refill(now);
        let enough = self.left >= f64::from(cost);
        if enough {
            self.left -= f64::from(cost);
        }
        enough
    }

    /// Tells whether `cost` is there, and takes nothing.
    pub(crate) fn has(&mut self, cost: u32, now: Instant) -> bool {
        self.refill(now);
        self.left >= f64::from(cost)
    }

    /// Takes `cost` in any case, and returns how long to wait until it is made up for.
    pub(crate) fn owe(&mut self, cost: u32, now: Instant) -> Duration {
        self.refill(now);
        self.left -= f64::from(cost);
        if self.left >= 0.0 || self.per_s <= 0.0 {
            return Duration::ZERO;
        }
        Duration::try_from_secs_f64(-self.left / self.per_s).unwrap_or(Duration::MAX)
    }

    fn is_full(&mut self, now: Instant) -> bool {
        self.refill(now);
        self.left >= self.most
    }
}

/// How many buckets are remembered; the memory for it is bounded whatever comes.
const REMEMBERED: usize = 20_000;

/// A bucket for each key.
#[derive(Debug)]
pub(crate) struct Buckets<K> {
    most: u32,
    per_s: f64,
    buckets: HashMap<K, Bucket>,
}

impl<K: Hash + Eq + Copy> Buckets<K> {
    pub(crate) fn new(most: u32, per_s: f64) -> Self {
        Self { most, per_s, buckets: HashMap::new() }
    }

    /// Takes one from the bucket of a key.
    ///
    /// When there are too many keys, those whose bucket is full again are forgotten, which changes nothing for them; if
    /// none is, a new key is refused until some are.
    pub(crate) fn take(&mut self, key: K, now: Instant) -> bool {
        if self.buckets.len() >= REMEMBERED && !self.buckets.contains_key(&key) {
            self.buckets.retain(|_, bucket| !bucket.is_full(now));
            if self.buckets.len() >= REMEMBERED {
                return false;
            }
        }
        let (most, per_s) = (self.most, self.per_s);
        self.buckets.entry(key).or_insert_with(|| Bucket::new(most, per_s, now)).take(1, now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bucket_gives_what_it_holds_and_then_at_its_rate() {
        let start = Instant::now();
        let mut bucket = Bucket::new(3, 2.0, start);
        let taken = (0..5).filter(|_| bucket.take(1, start)).count();
        assert_eq!(taken, 3);
        assert!(!bucket.take(1, start + Duration::from_millis(400)));
        assert!(bucket.take(1, start + Duration::from_millis(500)));
        assert!(!bucket.take(4, start + Duration::from_secs(3600)), "never more than fits");
        assert_eq!(bucket.owe(5, start + Duration::from_secs(3600)), Duration::from_secs(1));
    }

    #[test]
    fn the_memory_for_keys_is_bounded_and_a_known_key_is_not_forgotten_to_its_gain() {
        let now = Instant::now();
        let mut buckets = Buckets::new(2, 1.0);
        assert!(buckets.take(0_u32, now) && buckets.take(0, now) && !buckets.take(0, now));
        for key in 1..REMEMBERED as u32 + 10 {
            buckets.take(key, now);
        }
        assert!(buckets.buckets.len() <= REMEMBERED);
        assert!(!buckets.take(0, now));
        assert!(
            buckets.take(REMEMBERED as u32 + 20, now + Duration::from_secs(3)),
            "those that are full again make room"
        );
    }
}
