//! Volleys that are probably the same real one and were not joined: for a person to decide by a match.
//!
//! INVARIANT: the work is proportional to the volleys; each is held against its next few neighbours only, because a
//! list of every pair helps nobody.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::Ledger;
use super::codes::NONE;
use crate::facts::{ModuleId, OutingKind, VolleyId};

/// How far apart the times of two volleys may lie that are proposed for their times, in milliseconds.
const NEAR_MS: i64 = 2 * 60 * 1000;
/// Against how many volleys that follow it in time one is held.
const NEIGHBOURS: usize = 8;

/// Why two volleys are probably one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Likeness {
    /// One device wrote the same igniter, at the same attempt, twice.
    WrittenTwice,
    /// Two devices wrote the same channel, and one left the firing module out.
    SameChannel,
    /// Two devices wrote the same channel of the same module in a show, and their igniters or their times contradict.
    SameChannelContradicts,
    /// Two devices wrote the same number of igniters of the same lots within two minutes, without labels.
    SameLotsAndTime,
}

impl Likeness {
    /// Returns the reason as a sentence.
    #[must_use]
    pub const fn reason(self) -> &'static str {
        match self {
            Self::WrittenTwice => "One device wrote the same igniter at the same attempt in both.",
            Self::SameChannel => "Both are on the same channel with as many igniters, and a firing module is missing.",
            Self::SameChannelContradicts => {
                "Both are on the same channel of the same module, but lots, units or times contradict each other."
            }
            Self::SameLotsAndTime => {
                "Both hold as many igniters of the same lots within two minutes, and units are without labels."
            }
        }
    }
}

/// Two volleys that are probably one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Proposal {
    /// The volley with the smaller id.
    pub first: VolleyId,
    /// The other.
    pub second: VolleyId,
    /// Why.
    pub likeness: Likeness,
}

impl Proposal {
    /// Returns the reason as a sentence.
    #[must_use]
    pub const fn reason(&self) -> &'static str {
        self.likeness.reason()
    }
}

impl Ledger {
    /// Returns the pairs of volleys that are probably one, each with its strongest reason, by id.
    ///
    /// Pairs that a match speaks of are left out, and pairs that share a real shot already, unless other shots of theirs
    /// are at one place of a channel and contradict.
    #[must_use]
    pub fn proposals(&self) -> Vec<Proposal> {
        let mut found = BTreeMap::new();
        self.propose_written_twice(&mut found);
        self.propose_same_channel(&mut found);
        self.propose_contradicting(&mut found);
        self.propose_same_lots(&mut found);
        let pairs = found.into_iter().map(|((first, second), likeness)| Proposal { first, second, likeness });
        pairs.collect()
    }

    fn propose(&self, a: u32, b: u32, likeness: Likeness, found: &mut BTreeMap<(VolleyId, VolleyId), Likeness>) {
        let is_settled = || {
            let shots: BTreeSet<u32> = self.book.slots_in(a).map(|slot| self.book.slot(slot).shot).collect();
            let are_joined = self.book.slots_in(b).any(|slot| shots.contains(&self.book.slot(slot).shot));
            are_joined || self.book.words(&self.shelf, a).contains_key(&b)
        };
        let (x, y) = (self.book.volley_id(&self.shelf, a), self.book.volley_id(&self.shelf, b));
        if a != b && !is_settled() {
            found.entry((x.min(y), x.max(y))).or_insert(likeness);
        }
    }

    fn propose_written_twice(&self, found: &mut BTreeMap<(VolleyId, VolleyId), Likeness>) {
        for lists in [&self.book.by_label, &self.book.by_place] {
            for key in 0..lists.len() {
                if lists.items(key).nth(1).is_none() {
                    continue;
                }
                let mut slots: Vec<_> = (lists.items(key))
                    .map(|slot| {
                        let content = self.book.volley(self.book.slot(slot).volley).content;
                        let device = self.shelf.device(self.shelf.origin(content));
                        (device, self.book.slot_id(&self.shelf, slot), slot)
                    })
                    .collect();
                slots.sort_unstable();
                for pair in slots.windows(2) {
                    if let [(device, _, a), (same, _, b)] = pair
                        && device == same
                        && !self.book.name_other_igniters(*a, *b)
                    {
                        let (a, b) = (self.book.slot(*a).volley, self.book.slot(*b).volley);
                        self.propose(a, b, Likeness::WrittenTwice, found);
                    }
                }
            }
        }
    }

    fn propose_contradicting(&self, found: &mut BTreeMap<(VolleyId, VolleyId), Likeness>) {
        let mut by_channel: HashMap<(u32, ModuleId, u16), Vec<u32>> = HashMap::new();
        for volley in self.volley_rows().filter(|v| self.book.volley(*v).is_in_show) {
            let content = self.book.content(&self.shelf, volley);
            if let Some((module, channel)) = content.and_then(|c| c.module.zip(c.channel)) {
                by_channel.entry((self.book.volley(volley).outing, module, channel)).or_default().push(volley);
            }
        }
        for volleys in by_channel.into_values() {
            self.each_near(volleys, |a, b, _| {
                if self.contradict(a, b) && !self.book.words(&self.shelf, a).contains_key(&b) {
                    let (x, y) = (self.book.volley_id(&self.shelf, a), self.book.volley_id(&self.shelf, b));
                    found.entry((x.min(y), x.max(y))).or_insert(Likeness::SameChannelContradicts);
                }
            });
        }
    }

    /// Tells whether two volleys contradict each other at one position, where neither has a part in the other's shot.
    fn contradict(&self, a: u32, b: u32) -> bool {
        let book = &self.book;
        let has_part =
            |slot: u32, volley: u32| book.slots_of(book.slot(slot).shot).any(|s| book.slot(s).volley == volley);
        book.slots_in(a).zip(book.slots_in(b)).any(|(x, y)| {
            let is_same_attempt = book.slot(x).attempt == book.slot(y).attempt;
            let contradict = book.name_other_igniters(x, y) || book.are_far_apart(x, y);
            is_same_attempt && contradict && !has_part(x, b) && !has_part(y, a)
        })
    }

    fn propose_same_channel(&self, found: &mut BTreeMap<(VolleyId, VolleyId), Likeness>) {
        let mut by_channel: HashMap<(u32, u16, u32, u8), Vec<u32>> = HashMap::new();
        for volley in self.volley_rows() {
            let v = self.book.volley(volley);
            let Some(channel) = self.book.content(&self.shelf, volley).and_then(|c| c.channel) else { continue };
            let Some(first) = self.book.slots_in(volley).next() else { continue };
            let key = (v.outing, channel, v.slots, self.book.slot(first).attempt);
            by_channel.entry(key).or_default().push(volley);
        }
        let names_module = |v: u32| self.book.content(&self.shelf, v).is_some_and(|c| c.module.is_some());
        for volleys in by_channel.into_values() {
            self.each_near(volleys, |a, b, apart_ms| {
                // A show fires a channel once; a bench session uses one channel all day.
                let is_show = self.outings.kind(self.book.volley(a).outing) == OutingKind::Show;
                let (x, y) = (names_module(a), names_module(b));
                if (!x || !y) && (apart_ms <= NEAR_MS || (is_show && x != y)) {
                    self.propose(a, b, Likeness::SameChannel, found);
                }
            });
        }
    }

    fn propose_same_lots(&self, found: &mut BTreeMap<(VolleyId, VolleyId), Likeness>) {
        let mut by_lots: HashMap<(u32, Vec<u32>), Vec<u32>> = HashMap::new();
        for volley in self.volley_rows() {
            let mut lots: Vec<u32> = self.book.slots_in(volley).map(|slot| self.book.slot(slot).lot).collect();
            lots.sort_unstable();
            by_lots.entry((self.book.volley(volley).outing, lots)).or_default().push(volley);
        }
        let is_unlabelled = |v: u32| self.book.slots_in(v).any(|slot| self.book.slot(slot).unit == NONE);
        for volleys in by_lots.into_values() {
            self.each_near(volleys, |a, b, apart_ms| {
                if apart_ms <= NEAR_MS && (is_unlabelled(a) || is_unlabelled(b)) {
                    self.propose(a, b, Likeness::SameLotsAndTime, found);
                }
            });
        }
    }

    fn volley_rows(&self) -> impl Iterator<Item = u32> + '_ {
        (0..).zip(&self.book.volleys).filter(|(_, v)| v.content != NONE).map(|(i, _)| i)
    }

    /// Calls `take` for the pairs of volleys of different devices that are near in time.
    fn each_near(&self, mut volleys: Vec<u32>, mut take: impl FnMut(u32, u32, i64)) {
        if volleys.len() < 2 {
            return;
        }
        volleys.sort_by_cached_key(|v| (self.book.volley(*v).at_ms, self.book.volley_id(&self.shelf, *v)));
        for (i, a) in volleys.iter().enumerate() {
            for b in volleys.iter().skip(i + 1).take(NEIGHBOURS) {
                let (x, y) = (self.book.volley(*a), self.book.volley(*b));
                if x.device != y.device {
                    take(*a, *b, y.at_ms.saturating_sub(x.at_ms));
                }
            }
        }
    }
}
