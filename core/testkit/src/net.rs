//! A network that delays, loses, repeats and reorders, and whose links can be cut one way.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;

use crate::Rng;

/// How a network treats its messages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Link {
    /// How long a message is under way, in milliseconds; a wide range reorders.
    pub delay_ms: RangeInclusive<u64>,
    /// How many of 1,000 messages are lost.
    pub lost_per_mille: u32,
    /// How many of 1,000 messages arrive twice.
    pub repeated_per_mille: u32,
    /// Whether messages between two devices arrive in the order they were sent, as in a stream.
    pub in_order: bool,
}

impl Link {
    /// A link that loses, repeats and reorders nothing.
    #[must_use]
    pub fn good() -> Self {
        Self { delay_ms: 1..=20, lost_per_mille: 0, repeated_per_mille: 0, in_order: true }
    }

    /// A link that does everything a link may do.
    #[must_use]
    pub fn bad() -> Self {
        Self { delay_ms: 1..=2_000, lost_per_mille: 150, repeated_per_mille: 100, in_order: false }
    }
}

/// A message that arrives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Delivery {
    /// When it arrives, in the network's milliseconds.
    pub at_ms: u64,
    /// Who sent it.
    pub from: u32,
    /// Whom it reaches.
    pub to: u32,
    /// What it says.
    pub bytes: Vec<u8>,
}

/// A simulated network between numbered devices.
///
/// Time passes only in [`SimNet::next_before`]. One seed and one order of calls give one order of deliveries.
#[derive(Debug)]
pub struct SimNet {
    link: Link,
    rng: Rng,
    now_ms: u64,
    sent: u64,
    /// Messages under way, by arrival and, at the same moment, by order of sending.
    under_way: BTreeMap<(u64, u64), Delivery>,
    cut: BTreeSet<(u32, u32)>,
    /// The latest arrival so far of each ordered pair.
    latest: BTreeMap<(u32, u32), u64>,
}

impl SimNet {
    /// Makes a network where nothing is under way, at 0 ms.
    #[must_use]
    pub fn new(seed: u64, link: Link) -> Self {
        Self {
            link,
            rng: Rng::new(seed),
            now_ms: 0,
            sent: 0,
            under_way: BTreeMap::new(),
            cut: BTreeSet::new(),
            latest: BTreeMap::new(),
        }
    }

    /// Returns the network's time in milliseconds.
    #[must_use]
    pub fn now_ms(&self) -> u64 {
        self.now_ms
    }

    /// Changes how messages sent from now on are treated.
    pub fn set_link(&mut self, link: Link) {
        self.link = link;
    }

    /// Sends a message; whether, when and how often it arrives is up to the network. A device may send to itself.
    pub fn send(&mut self, from: u32, to: u32, bytes: &[u8]) {
        if self.rng.chance(self.link.lost_per_mille) {
            return;
        }
        let copies = 1 + u32::from(self.rng.chance(self.link.repeated_per_mille));
        for _ in 0..copies {
            let mut at_ms = self.now_ms + self.rng.in_range(self.link.delay_ms.clone());
            let latest = self.latest.entry((from, to)).or_default();
            if self.link.in_order {
                at_ms = at_ms.max(*latest);
            }
            *latest = at_ms.max(*latest);
            self.sent += 1;
            self.under_way.insert((at_ms, self.sent), Delivery { at_ms, from, to, bytes: bytes.to_vec() });
        }
    }

    /// Cuts the link in one direction; what is under way on it is lost, and what is sent while it is cut.
    pub fn cut(&mut self, from: u32, to: u32) {
        self.cut.insert((from, to));
        self.drop_what_is_cut();
    }

    /// Cuts the link in both directions.
    pub fn cut_both(&mut self, one: u32, other: u32) {
        self.cut(one, other);
        self.cut(other, one);
    }

    /// Mends the link in both directions.
    pub fn mend(&mut self, one: u32, other: u32) {
        self.drop_what_is_cut();
        self.cut.remove(&(one, other));
        self.cut.remove(&(other, one));
    }

    /// Mends every link.
    pub fn heal(&mut self) {
        self.drop_what_is_cut();
        self.cut.clear();
    }

    /// Loses what is under way to and from a device, as when it is switched off.
    pub fn forget(&mut self, device: u32) {
        self.under_way.retain(|_, message| message.from != device && message.to != device);
    }

    /// Lets time pass until the next arrival, but not beyond `until_ms`; returns the message, or `None` at `until_ms`.
    ///
    /// Time never goes back: with an `until_ms` in the past, only what arrives at this very moment is returned.
    pub fn next_before(&mut self, until_ms: u64) -> Option<Delivery> {
        self.drop_what_is_cut();
        let until_ms = until_ms.max(self.now_ms);
        let first = self.under_way.first_entry().filter(|entry| entry.key().0 <= until_ms);
        let Some(entry) = first else {
            self.now_ms = until_ms;
            return None;
        };
        let message = entry.remove();
        self.now_ms = message.at_ms;
        Some(message)
    }

    /// Tells whether nothing is under way.
    #[must_use]
    pub fn is_quiet(&self) -> bool {
        self.under_way.values().all(|message| self.cut.contains(&(message.from, message.to)))
    }

    fn drop_what_is_cut(&mut self) {
        if !self.cut.is_empty() {
            self.under_way.retain(|_, message| !self.cut.contains(&(message.from, message.to)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(net: &mut SimNet) -> Vec<Delivery> {
        std::iter::from_fn(|| net.next_before(u64::MAX / 2)).collect()
    }

    fn numbers(deliveries: &[Delivery]) -> Vec<u8> {
        deliveries.iter().map(|delivery| delivery.bytes[0]).collect()
    }

    #[test]
    fn one_seed_gives_one_order_of_deliveries() {
        let run = |seed| {
            let mut net = SimNet::new(seed, Link::bad());
            (0..100).for_each(|n| net.send(u32::from(n) % 3, u32::from(n) % 2, &[n]));
            all(&mut net)
        };
        assert_eq!(run(1), run(1));
        assert_ne!(run(1), run(2));
    }

    #[test]
    fn a_good_link_delivers_everything_once_and_in_order() {
        let mut net = SimNet::new(1, Link::good());
        (0..100).for_each(|n| net.send(1, 2, &[n]));
        let arrived = all(&mut net);
        assert_eq!(numbers(&arrived), (0..100).collect::<Vec<_>>());
        assert!(arrived.is_sorted_by_key(|delivery| delivery.at_ms));
    }

    #[test]
    fn a_bad_link_loses_repeats_and_reorders() {
        let mut net = SimNet::new(1, Link::bad());
        (0..200).for_each(|n| net.send(1, 2, &[n]));
        let arrived = numbers(&all(&mut net));
        let distinct: BTreeSet<_> = arrived.iter().collect();
        assert!(distinct.len() < 200, "none lost");
        assert!(distinct.len() < arrived.len(), "none repeated");
        assert!(!arrived.is_sorted(), "none reordered");
    }

    #[test]
    fn a_link_cut_one_way_still_carries_the_other() {
        let mut net = SimNet::new(1, Link::good());
        net.send(1, 2, &[0]);
        net.cut(1, 2);
        net.send(1, 2, &[1]);
        net.send(2, 1, &[2]);
        net.mend(1, 2);
        net.send(1, 2, &[3]);
        let mut arrived = numbers(&all(&mut net));
        arrived.sort_unstable();
        assert_eq!(arrived, [2, 3]);
    }

    #[test]
    fn time_passes_no_further_than_asked_and_never_back() {
        let mut net = SimNet::new(1, Link { delay_ms: 10..=10, ..Link::good() });
        net.send(1, 2, &[7]);
        assert_eq!((net.next_before(9), net.now_ms()), (None, 9));
        assert_eq!((net.next_before(3), net.now_ms()), (None, 9));
        assert_eq!(net.next_before(50).map(|delivery| delivery.at_ms), Some(10));
        assert!(net.is_quiet());
        assert_eq!((net.next_before(50), net.now_ms()), (None, 50));
        net.send(1, 2, &[8]);
        net.forget(2);
        assert!(net.is_quiet());
    }
}
