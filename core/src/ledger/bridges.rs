//! Readings of a shot's bridge after the shot, and what they add up to.

use super::Ledger;
use super::view::Observer;
use crate::facts::{Bridge, BridgeReading, Fact, FactId, IgniterType};

/// What readings of a shot's bridge add up to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum BridgeFinding {
    /// Nobody measured it, or only before the volley.
    #[default]
    Nothing,
    /// It measures what its type states, within the tolerance.
    AsStated,
    /// It is open.
    Open,
    /// It is not open and does not measure what its type states.
    Outside,
    /// It is not open, and its type is unknown or states no resistance.
    Unstated,
    /// Readings contradict each other.
    Disputed,
}

impl BridgeFinding {
    /// Returns its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Nothing => "nothing",
            Self::AsStated => "as stated",
            Self::Open => "open",
            Self::Outside => "outside",
            Self::Unstated => "nothing to compare with",
            Self::Disputed => "disputed",
        }
    }

    /// Adds another reading; the order of adding does not matter.
    pub(super) fn with(self, other: Self) -> Self {
        match (self, other) {
            (one, Self::Nothing) | (Self::Nothing, one) => one,
            (one, other) if one == other => one,
            _ => Self::Disputed,
        }
    }
}

/// The tolerance of a type that states a resistance and no tolerance: a quarter of it either way. No source has it: it is
/// wide enough for leads and a field tester, and far from both a short and an open bridge.
const UNSTATED_PART: u32 = 4;

/// Returns what one reading says of a bridge of a type.
pub(super) fn shows(bridge: Bridge, of: Option<&IgniterType>) -> BridgeFinding {
    let Bridge::Measured(shown) = bridge else { return BridgeFinding::Open };
    let Some(stated) = of.and_then(|t| t.bridge_resistance) else { return BridgeFinding::Unstated };
    let tolerance = of.and_then(|t| t.bridge_tolerance).map_or(stated.0 / UNSTATED_PART, |t| t.0);
    if shown.0.abs_diff(stated.0) <= tolerance { BridgeFinding::AsStated } else { BridgeFinding::Outside }
}

/// One reading of a shot's bridge.
#[derive(Debug, Clone, Copy)]
pub struct BridgeReadingView<'a> {
    /// The fact that says so.
    pub fact: FactId,
    /// Who took it: the person named, or where nobody is, the device.
    pub by: Observer,
    /// What is stated.
    pub reading: &'a BridgeReading,
    /// What it says by itself; [`BridgeFinding::Nothing`] if it was taken before the volley and does not count.
    pub shows: BridgeFinding,
}

impl Ledger {
    pub(super) fn bridge_readings_of(&self, shot: u32) -> Vec<BridgeReadingView<'_>> {
        let notes = self.book.slots_of(shot).flat_map(|slot| self.book.notes(slot).map(move |note| (slot, note)));
        let mut readings: Vec<_> = notes
            .filter_map(|(slot, note)| {
                let Fact::BridgeReading(reading) = &self.shelf.row(note.row).fact else { return None };
                let fact = self.shelf.row_id(note.row);
                let device = || Observer::Device(self.shelf.device(self.shelf.origin(note.row)));
                let by = reading.by.map_or_else(device, Observer::Person);
                let shows = self.book.shows(&self.register, slot, reading);
                Some(BridgeReadingView { fact, by, reading, shows })
            })
            .collect();
        readings.sort_by_key(|view| view.fact);
        readings
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Resistance;

    fn of(ohm: Option<u32>, tolerance: Option<u32>) -> IgniterType {
        IgniterType {
            bridge_resistance: ohm.map(Resistance),
            bridge_tolerance: tolerance.map(Resistance),
            ..IgniterType::named("slim")
        }
    }

    #[test]
    fn a_reading_is_compared_with_what_the_type_states() {
        let read = |milliohm, of: &IgniterType| shows(Bridge::Measured(Resistance(milliohm)), Some(of));
        let narrow = of(Some(1600), Some(200));
        assert_eq!([1400, 1800].map(|r| read(r, &narrow)), [BridgeFinding::AsStated; 2]);
        assert_eq!([1399, 1801, 0].map(|r| read(r, &narrow)), [BridgeFinding::Outside; 3]);
        let wide = of(Some(1600), None);
        assert_eq!([1200, 2000].map(|r| read(r, &wide)), [BridgeFinding::AsStated; 2]);
        assert_eq!([1199, 2001].map(|r| read(r, &wide)), [BridgeFinding::Outside; 2]);
        assert_eq!(read(1600, &of(None, None)), BridgeFinding::Unstated);
        assert_eq!(shows(Bridge::Measured(Resistance(1)), None), BridgeFinding::Unstated);
        assert_eq!(shows(Bridge::Open, None), BridgeFinding::Open);
    }

    #[test]
    fn readings_that_say_different_things_are_a_dispute_in_any_order() {
        use BridgeFinding::{AsStated, Disputed, Nothing, Open, Outside};
        assert_eq!(AsStated.with(Nothing).with(AsStated), AsStated);
        for all in [[AsStated, Open, Open], [Open, AsStated, Open], [Outside, AsStated, Outside]] {
            assert_eq!(all.into_iter().fold(Nothing, BridgeFinding::with), Disputed);
        }
    }
}
