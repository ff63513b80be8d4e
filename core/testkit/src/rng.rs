//! Random bits from a seed.

use std::ops::RangeInclusive;

use embertally_core::facts::RandomBits;

/// A seeded source of random bits: the same seed gives the same bits, on every machine and for ever.
///
/// Not for: secrets.
///
/// # Source
/// SplitMix64: Steele, Lea & Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rng(u64);

impl Rng {
    /// Makes a source from a seed; any number will do.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Returns a source of its own for one part of a simulation, so that more draws here change nothing there.
    #[must_use]
    pub fn fork(&mut self) -> Self {
        Self(self.next_u64())
    }

    /// Returns a number in the range, ends included, each as likely (to within 2⁻⁶⁴ of the range's size).
    pub fn in_range(&mut self, range: RangeInclusive<u64>) -> u64 {
        let (low, high) = range.into_inner();
        assert!(low <= high, "an empty range: {low}..={high}");
        let width = u128::from(high - low) + 1;
        low + ((u128::from(self.next_u64()) * width) >> 64) as u64
    }

    /// Returns an index below `length`, which is not 0.
    pub fn index(&mut self, length: usize) -> usize {
        assert!(length > 0, "nothing to choose from");
        self.in_range(0..=length as u64 - 1) as usize
    }

    /// Returns `true` in `per_mille` of 1,000 cases.
    pub fn chance(&mut self, per_mille: u32) -> bool {
        self.in_range(0..=999) < u64::from(per_mille)
    }

    /// Returns one of the items, which are not none.
    pub fn pick<'a, T>(&mut self, items: &'a [T]) -> &'a T {
        &items[self.index(items.len())]
    }

    /// Puts the items in a random order, each order as likely.
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for last in (1..items.len()).rev() {
            items.swap(last, self.index(last + 1));
        }
    }

    /// Returns so many random bytes.
    pub fn bytes(&mut self, length: usize) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(length + 7);
        while bytes.len() < length {
            bytes.extend(self.next_u64().to_le_bytes());
        }
        bytes.truncate(length);
        bytes
    }
}

impl RandomBits for Rng {
    fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_numbers_of_a_known_seed_are_the_published_ones() {
        // The reference implementation's output for this seed.
        let mut rng = Rng::new(1_234_567);
        let drawn: Vec<_> = (0..5).map(|_| rng.next_u64()).collect();
        assert_eq!(
            drawn,
            [
                6_457_827_717_110_365_317,
                3_203_168_211_198_807_973,
                9_817_491_932_198_370_423,
                4_593_380_528_125_082_431,
                16_408_922_859_458_223_821
            ]
        );
    }

    #[test]
    fn one_seed_gives_one_run_and_another_seed_another() {
        let run = |seed| {
            let mut rng = Rng::new(seed);
            let mut items: Vec<u32> = (0..20).collect();
            rng.shuffle(&mut items);
            (items, rng.bytes(9), rng.fork().in_range(5..=1000), rng.chance(500))
        };
        assert_eq!(run(7), run(7));
        assert_ne!(run(7), run(8));
    }

    #[test]
    fn ranges_reach_both_ends_and_nothing_beyond() {
        let mut rng = Rng::new(1);
        let drawn: Vec<_> = (0..200).map(|_| rng.in_range(3..=5)).collect();
        assert_eq!((drawn.iter().min(), drawn.iter().max()), (Some(&3), Some(&5)));
        let _ = rng.in_range(0..=u64::MAX);
        assert_eq!((0..1000).filter(|_| rng.chance(0)).count(), 0);
        assert_eq!((0..1000).filter(|_| rng.chance(1000)).count(), 1000);
    }
}
