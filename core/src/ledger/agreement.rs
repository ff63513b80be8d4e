//! How observers' words on the igniter compare: counts only, the coefficients are in `embertally_stats`.

use std::collections::BTreeMap;

use super::Ledger;
use super::view::Observer;
use crate::facts::Ignition;

/// The number of categories: fired, slow, failed, skipped, in this order.
pub const CATEGORIES: usize = Ignition::ALL.len();

/// Two observers' words on the shots that both saw.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PairTable {
    /// One observer: the table's rows.
    pub first: Observer,
    /// The other: its columns.
    pub second: Observer,
    /// How many shots got which two words, by the numbers of [`Ignition`].
    pub table: [[u64; CATEGORIES]; CATEGORIES],
}

/// The words on all shots that were seen by one same number of observers, at least three.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ManyTable {
    /// How many observers each shot had; they need not be the same people.
    pub observers: usize,
    /// A row a shot, by id: how many observers chose each category.
    pub rows: Vec<[u64; CATEGORIES]>,
}

/// Who agrees with whom.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Agreement {
    /// A table for each pair of observers with shots in common, by observers.
    pub pairs: Vec<PairTable>,
    /// A table for each number of observers from three on.
    pub many: Vec<ManyTable>,
}

impl Ledger {
    /// Returns the tables of agreement on the igniter, fired or slow by measurement where it was measured.
    ///
    /// An observer who contradicts themself on a shot has no word on it, and is left out there.
    #[must_use]
    pub fn agreement(&self) -> Agreement {
        let mut pairs: BTreeMap<(Observer, Observer), [[u64; CATEGORIES]; CATEGORIES]> = BTreeMap::new();
        let mut many: BTreeMap<usize, Vec<[u64; CATEGORIES]>> = BTreeMap::new();
        for shot in self.sorted_rows() {
            let seen = self.sightings_of(shot);
            if seen.len() < 2 {
                continue;
            }
            let mut words: BTreeMap<Observer, Option<Ignition>> = BTreeMap::new();
            for s in seen {
                let word = words.entry(s.observer).or_insert(Some(s.ignition));
                *word = word.filter(|before| *before == s.ignition);
            }
            let words: Vec<(Observer, Ignition)> = words.into_iter().filter_map(|(o, w)| Some((o, w?))).collect();
            for (i, (first, a)) in words.iter().enumerate() {
                for (second, b) in words.iter().skip(i + 1) {
                    let table = pairs.entry((*first, *second)).or_default();
                    table[usize::from(a.number())][usize::from(b.number())] += 1;
                }
            }
            if words.len() > 2 {
                let mut row = [0; CATEGORIES];
                for (_, word) in &words {
                    row[usize::from(word.number())] += 1;
                }
                many.entry(words.len()).or_default().push(row);
            }
        }
        let pairs = pairs.into_iter().map(|((first, second), table)| PairTable { first, second, table });
        let many = many.into_iter().map(|(observers, rows)| ManyTable { observers, rows });
        Agreement { pairs: pairs.collect(), many: many.collect() }
    }
}
