//! The axis that all charts share: shares of one, placed by their square roots.

use super::figures::{Figures, share};

/// Where axes may end, so that charts of like data end alike.
const CEILINGS: [f64; 4] = [0.1, 0.2, 0.5, 1.0];

/// Ticks by how much they help a reader; later ones yield to earlier ones where there is no room.
const TICKS: [f64; 11] = [0.1, 0.5, 0.01, 0.05, 0.2, 0.02, 0.3, 0.75, 0.002, 0.005, 0.001];

/// An axis from zero to a round ceiling.
///
/// Square roots, because rates of interest lie between nothing and a few percent while intervals reach up to
/// everything. Unlike a logarithm it has a place for zero, the most frequent rate of all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    ceiling: f64,
}

impl Default for Scale {
    /// The whole, 0 to 1.
    fn default() -> Self {
        Self { ceiling: 1.0 }
    }
}

impl Scale {
    /// Returns the shortest axis that holds all of some figures and what is tolerable, with a little air.
    #[must_use]
    pub fn holding<'a>(figures: impl IntoIterator<Item = &'a Figures>, tolerable: f64) -> Self {
        let start = share(tolerable).unwrap_or(0.0) * 1.5;
        let largest = figures.into_iter().map(Figures::largest).fold(start, f64::max);
        Self { ceiling: CEILINGS.into_iter().find(|c| *c >= largest).unwrap_or(1.0) }
    }

    /// Returns the share at the end of the axis.
    #[must_use]
    pub const fn ceiling(self) -> f64 {
        self.ceiling
    }

    /// Returns where a share stands, from 0 at the axis' beginning to 1 at its end; never outside.
    #[must_use]
    pub fn place(self, value: f64) -> f64 {
        share(value).map_or(0.0, |s| (s / self.ceiling).sqrt().min(1.0))
    }

    /// Returns the ticks that stand at least `gap` (a part of the axis) apart, in order, zero and the ceiling among
    /// them.
    pub(super) fn ticks(self, gap: f64) -> Vec<f64> {
        let mut kept = vec![0.0, self.ceiling];
        for tick in TICKS {
            let at = self.place(tick);
            // Half a thousandth of slack: what stands exactly at the gap is meant to fit.
            if tick < self.ceiling && kept.iter().all(|k| (self.place(*k) - at).abs() >= gap - 0.0005) {
                kept.push(tick);
            }
        }
        kept.sort_by(f64::total_cmp);
        kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn up_to(high: f64) -> Scale {
        Scale::holding(&[Figures { shots: 1, high, ..Figures::default() }], 0.02)
    }

    #[test]
    fn the_axis_ends_at_the_next_round_share() {
        assert_eq!([0.0, 0.1, 0.11, 0.4, 0.51, f64::NAN].map(|h| up_to(h).ceiling()), [0.1, 0.1, 0.2, 0.5, 1.0, 1.0]);
        assert_eq!(Scale::holding(&[Figures::default()], 0.02).ceiling(), 0.1);
        assert_eq!(Scale::holding(&[], 0.4).ceiling(), 1.0);
    }

    #[test]
    fn small_rates_have_room_and_nothing_stands_outside() {
        let scale = Scale::default();
        assert_eq!(
            [0.0, 0.01, 0.25, 1.0, 2.0, -1.0, f64::NAN].map(|v| scale.place(v)),
            [0.0, 0.1, 0.5, 1.0, 1.0, 0.0, 0.0]
        );
    }

    #[test]
    fn ticks_keep_their_distance_and_hold_both_ends() {
        assert_eq!(Scale::default().ticks(0.09), [0.0, 0.01, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0]);
        assert_eq!(Scale::default().ticks(0.3), [0.0, 0.1, 1.0]);
        assert_eq!(up_to(0.1).ticks(2.0), [0.0, 0.1]);
    }
}
