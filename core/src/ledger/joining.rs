//! Which slots are one real shot.
//!
//! What people say comes first: volleys said to be the same join position by position, volleys said to be different
//! never meet, not even by way of a third. Then slots with one key join across devices, in order of their ids: first by
//! the unit's label, then, on a show's channel, by position. Two slots of one device never join by key, because one
//! phone that writes a thing twice may well mean two things.
//!
//! By key nothing joins that contradicts: by position no two lots and no two labels, in a show no two times that lie
//! further apart than clocks go wrong. Of two igniters made one the second would vanish from the live list.
//!
//! INVARIANT: the outcome depends on the set of slots, keys and matches only, never on the order in which they came.

use std::collections::{BTreeMap, HashMap};

use super::book::{Book, ShotRow};
use super::codes::NONE;
use super::finding::{Finding, Trial};
use super::lists::Lists;
use super::measure::Class;
use super::shelf::Shelf;
use crate::facts::{Fact, WiringKind};

/// How far the times of one real volley of a show may lie apart, in milliseconds: clocks are off by minutes.
const SAME_SHOW_MS: u64 = 12 * 60 * 60 * 1000;

/// What people say of two volleys.
#[derive(Debug, Clone)]
pub(super) struct Word {
    pub(super) same: bool,
    /// The matches in effect, by id; the first counts.
    pub(super) matches: Vec<u32>,
    pub(super) is_contradicted: bool,
}

impl Book {
    /// Returns what people say of a volley and others, by the other volley.
    pub(super) fn words(&self, shelf: &Shelf, volley: u32) -> BTreeMap<u32, Word> {
        let mut words: BTreeMap<u32, Word> = BTreeMap::new();
        for row in &self.volley(volley).matches {
            let Fact::Match(m) = &shelf.row(*row).fact else { continue };
            let end = |id: crate::facts::VolleyId| self.resolve(shelf, shelf.find(id.0)?);
            let (Some(a), Some(b)) = (end(m.first), end(m.second)) else { continue };
            let other = if a == volley { b } else { a };
            if a == b || self.volley(other).content == NONE {
                continue;
            }
            let first = Word { same: m.same, matches: Vec::new(), is_contradicted: false };
            let word = words.entry(other).or_insert(first);
            word.is_contradicted |= word.same != m.same;
            word.matches.push(*row);
        }
        words
    }

    /// Tells whether two slots of one outing name different lots or different labels.
    pub(super) fn name_other_igniters(&self, a: u32, b: u32) -> bool {
        let (a, b) = (self.slot(a), self.slot(b));
        a.lot != b.lot || (a.unit != NONE && b.unit != NONE && a.unit != b.unit)
    }

    /// Tells whether two slots of shows were fired at times too far apart for one pulse.
    pub(super) fn are_far_apart(&self, a: u32, b: u32) -> bool {
        let (a, b) = (self.volley(self.slot(a).volley), self.volley(self.slot(b).volley));
        let times = a.known_ms().zip(b.known_ms());
        a.is_in_show && b.is_in_show && times.is_some_and(|(a, b)| a.abs_diff(b) > SAME_SHOW_MS)
    }

    /// Takes a real shot apart; its slots must be put together anew.
    pub(super) fn break_up(&mut self, shot: u32) {
        let ShotRow { first, unit, .. } = *self.shot(shot);
        self.mark_unit(unit);
        self.by_unit.detach(first);
        let mut at = first;
        while at != NONE {
            self.loose.push(at);
            let slot = self.slot_mut(at);
            slot.shot = NONE;
            at = std::mem::replace(&mut slot.next, NONE);
        }
        // Rows stay without gaps, so that a count is a plain loop: the last row takes the place.
        let last = self.shots.len() as u32 - 1;
        self.shots.swap_remove(shot as usize);
        self.columns.remove(shot);
        if shot != last {
            let mut at = self.shot(shot).first;
            while at != NONE {
                let slot = self.slot_mut(at);
                slot.shot = shot;
                at = slot.next;
            }
        }
    }

    fn put_together(&mut self, slots: &[u32]) {
        let Some(first) = slots.first().copied() else { return };
        let shot = self.shots.len() as u32;
        self.shots.push(ShotRow {
            first,
            unit: NONE,
            lot: 0,
            fuse: 0,
            attempt: 0,
            wiring: WiringKind::Single,
            differs: 0,
            finding: Finding::default(),
            is_made_safe: false,
            others_are_safe: true,
            live: None,
            trial: Trial::Counted,
            class: [Class::NotCounted; 5],
            is_dirty: false,
            is_listed: false,
        });
        self.columns.push();
        for (i, slot) in slots.iter().enumerate() {
            let next = slots.get(i + 1).copied().unwrap_or(NONE);
            let s = self.slot_mut(*slot);
            (s.shot, s.next) = (shot, next);
        }
        self.unjudged.push(first);
    }

    /// Puts loose slots together.
    pub(super) fn join(&mut self, shelf: &Shelf) {
        let mut done = Vec::new();
        // Breaking up shots below adds their slots again; they are seen by then.
        let mut next = 0;
        while let Some(seed) = self.loose.get(next).copied() {
            next += 1;
            if self.slot(seed).volley == NONE || self.slot(seed).is_seen {
                continue;
            }
            let begin = done.len();
            self.reach(shelf, seed, &mut done);
            let slots = done.get(begin..).unwrap_or_default();
            if let [slot] = slots {
                if self.slot(*slot).shot == NONE {
                    self.put_together(slots);
                }
                continue;
            }
            for slot in slots {
                let shot = self.slot(*slot).shot;
                if shot != NONE {
                    self.break_up(shot);
                }
            }
            for group in self.group(shelf, slots.to_vec()) {
                self.put_together(&group);
            }
        }
        for slot in done {
            self.slot_mut(slot).is_seen = false;
        }
        self.loose = Vec::new();
    }

    /// Adds to `found` every slot that could be one shot with `seed`, directly or by way of others.
    fn reach(&mut self, shelf: &Shelf, seed: u32, found: &mut Vec<u32>) {
        let mut next = found.len();
        self.slot_mut(seed).is_seen = true;
        found.push(seed);
        let mut near = Vec::new();
        while let Some(slot) = found.get(next).copied() {
            next += 1;
            let s = *self.slot(slot);
            for lists in [&self.by_label, &self.by_place] {
                if let Some(key) = lists.list_of(slot) {
                    near.extend(lists.items(key));
                }
            }
            if s.shot != NONE {
                near.extend(self.slots_of(s.shot));
            }
            if !self.volley(s.volley).matches.is_empty() {
                for (other, word) in self.words(shelf, s.volley) {
                    let at = self.slots_in(other).nth(usize::from(s.position) - 1);
                    near.extend(at.filter(|_| word.same));
                }
            }
            for slot in near.drain(..) {
                if !std::mem::replace(&mut self.slot_mut(slot).is_seen, true) {
                    found.push(slot);
                }
            }
        }
    }

    fn group(&self, shelf: &Shelf, mut slots: Vec<u32>) -> Vec<Vec<u32>> {
        slots.sort_by_cached_key(|slot| self.slot_id(shelf, *slot));
        let mut groups = Groups::new(self, shelf, &slots);
        groups.join_matched();
        groups.join_by_key(&self.by_label, false);
        groups.join_by_key(&self.by_place, true);
        let mut found: BTreeMap<usize, Vec<u32>> = BTreeMap::new();
        for (i, slot) in slots.iter().enumerate() {
            found.entry(groups.top(i)).or_default().push(*slot);
        }
        found.into_values().collect()
    }
}

/// Slots being joined; each group is known by one of its slots' places, its top.
struct Groups<'a> {
    book: &'a Book,
    slots: &'a [u32],
    places: HashMap<u32, usize>,
    words: HashMap<u32, BTreeMap<u32, Word>>,
    tops: Vec<usize>,
    members: Vec<Vec<usize>>,
}

impl<'a> Groups<'a> {
    fn new(book: &'a Book, shelf: &Shelf, slots: &'a [u32]) -> Self {
        let mut words = HashMap::new();
        for slot in slots {
            let volley = book.slot(*slot).volley;
            if !book.volley(volley).matches.is_empty() {
                words.entry(volley).or_insert_with(|| book.words(shelf, volley));
            }
        }
        Self {
            book,
            slots,
            places: slots.iter().enumerate().map(|(i, slot)| (*slot, i)).collect(),
            words,
            tops: (0..slots.len()).collect(),
            members: (0..slots.len()).map(|i| vec![i]).collect(),
        }
    }

    fn top(&self, place: usize) -> usize {
        self.tops[place]
    }

    fn volley(&self, place: usize) -> u32 {
        self.book.slot(self.slots[place]).volley
    }

    fn device(&self, place: usize) -> u32 {
        self.book.volley(self.volley(place)).device
    }

    fn are_kept_apart(&self, a: usize, b: usize) -> bool {
        if self.words.is_empty() {
            return false;
        }
        let apart = |x: usize, y: usize| {
            self.words.get(&self.volley(x)).and_then(|w| w.get(&self.volley(y))).is_some_and(|word| !word.same)
        };
        self.members[a].iter().any(|x| self.members[b].iter().any(|y| apart(*x, *y)))
    }

    fn share_a_device(&self, a: usize, b: usize) -> bool {
        self.members[a].iter().any(|x| self.members[b].iter().any(|y| self.device(*x) == self.device(*y)))
    }

    fn contradict(&self, a: usize, b: usize, is_by_place: bool) -> bool {
        let contradict = |x: usize, y: usize| {
            let (x, y) = (self.slots[x], self.slots[y]);
            self.book.are_far_apart(x, y) || (is_by_place && self.book.name_other_igniters(x, y))
        };
        self.members[a].iter().any(|x| self.members[b].iter().any(|y| contradict(*x, *y)))
    }

    fn join(&mut self, a: usize, b: usize) {
        let (keep, gone) = if self.members[a].len() < self.members[b].len() { (b, a) } else { (a, b) };
        let moved = std::mem::take(&mut self.members[gone]);
        for place in &moved {
            self.tops[*place] = keep;
        }
        self.members[keep].extend(moved);
    }

    /// Joins what people say is the same, unless that would join what they say is not.
    fn join_matched(&mut self) {
        let mut pairs = Vec::new();
        for (place, slot) in self.slots.iter().enumerate() {
            let s = self.book.slot(*slot);
            for (other, word) in self.words.get(&s.volley).into_iter().flatten() {
                let at = self.book.slots_in(*other).nth(usize::from(s.position) - 1);
                if let (true, Some(other)) = (word.same, at.and_then(|slot| self.places.get(&slot))) {
                    pairs.push((place.min(*other), place.max(*other)));
                }
            }
        }
        pairs.sort_unstable();
        pairs.dedup();
        for (a, b) in pairs {
            let (a, b) = (self.top(a), self.top(b));
            if a != b && !self.are_kept_apart(a, b) {
                self.join(a, b);
            }
        }
    }

    /// Puts each slot into the first group of its key in which its device has no slot yet and nothing contradicts.
    fn join_by_key(&mut self, keys: &Lists, is_by_place: bool) {
        // For each key its groups, by the place of one slot each; for each key and device how many of them are taken.
        let mut groups: HashMap<u32, Vec<usize>> = HashMap::new();
        let mut taken: HashMap<(u32, u32), usize> = HashMap::new();
        for place in 0..self.slots.len() {
            let Some(key) = keys.list_of(self.slots[place]) else { continue };
            let known = groups.entry(key).or_default();
            let from = taken.entry((key, self.device(place))).or_default();
            let mut joined = false;
            for (i, other) in known.iter().enumerate().skip(*from) {
                let (a, b) = (self.tops[place], self.tops[*other]);
                if a == b {
                    joined = true;
                    break;
                }
                if self.share_a_device(a, b) {
                    // Without this a thousand equal slots of one device would be a million comparisons.
                    let is_taken = self.members[b].iter().any(|m| self.device(*m) == self.device(place));
                    if is_taken && i == *from {
                        *from += 1;
                    }
                    continue;
                }
                if !self.are_kept_apart(a, b) && !self.contradict(a, b, is_by_place) {
                    self.join(a, b);
                    joined = true;
                    break;
                }
            }
            if !joined {
                known.push(place);
            }
        }
    }
}
