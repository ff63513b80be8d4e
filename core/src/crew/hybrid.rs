//! Time for order: a hybrid of a device's clock and of what it has seen.
//!
//! After Kulkarni et al., "Logical Physical Clocks" (2014), in whole milliseconds: an entry's id holds a time that is not
//! before any that its device had seen, so that an answer sorts after what it answers, whatever the clocks. The time that
//! the device's clock showed stands in the entry, untouched. No time decides what counts.

/// How far ahead of a device's own clock others may pull it: a day. A clock that is years off pulls nobody.
pub const FARTHEST_AHEAD_MS: i64 = 24 * 60 * 60 * 1000;

/// Returns the time for the id of a new entry, in milliseconds since 1970: `now_ms` by the device's own clock, or just
/// after the latest that it has seen.
#[must_use]
pub fn hybrid_ms(now_ms: i64, seen: impl IntoIterator<Item = i64>) -> i64 {
    let farthest = now_ms.saturating_add(FARTHEST_AHEAD_MS);
    let latest = seen.into_iter().filter(|ms| *ms < farthest).max();
    latest.map_or(now_ms, |latest| now_ms.max(latest.saturating_add(1)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_after_something_was_seen_sorts_after_it() {
        assert_eq!(hybrid_ms(1_000, []), 1_000);
        assert_eq!(hybrid_ms(1_000, [400, 900]), 1_000);
        assert_eq!(hybrid_ms(1_000, [400, 5_000]), 5_001, "a clock that is four seconds behind");
        assert_eq!(hybrid_ms(1_000, [5_000, i64::MAX]), 5_001, "a clock that is years ahead pulls nobody");
    }
}
