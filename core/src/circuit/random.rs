//! A small seeded generator, so that a simulation gives the same answer on every device.

use crate::facts::RandomBits;

/// SplitMix64: the whole state is the seed.
///
/// # Source
/// Steele, Lea & Flood, *Fast splittable pseudorandom number generators*, OOPSLA 2014.
#[derive(Debug, Clone)]
pub struct SplitMix(u64);

impl SplitMix {
    /// Begins at a seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }
}

impl RandomBits for SplitMix {
    fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

/// Returns a number in (0, 1), never an end.
pub(super) fn uniform(random: &mut dyn RandomBits) -> f64 {
    ((random.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
}

/// Returns a standard normal number (Box & Muller, one of the pair).
pub(super) fn normal(random: &mut dyn RandomBits) -> f64 {
    let (radius, angle) = (uniform(random), uniform(random));
    (-2.0 * radius.ln()).sqrt() * (std::f64::consts::TAU * angle).cos()
}
