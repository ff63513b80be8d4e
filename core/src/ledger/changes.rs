//! What a write or a meeting did to the live list, and how often a unit was tried.

use std::collections::HashMap;

use super::Ledger;
use super::view::ShotView;
use crate::facts::{LotId, OutingId, ShotId, comparable_name};

/// How the live list changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LiveChanges {
    /// Shots that are live now and were not.
    pub new: usize,
    /// Shots that were live and are not.
    pub gone: usize,
}

impl Ledger {
    /// Counts the shots that are live here and were not in an earlier reading of the same log, and the other way round.
    #[must_use]
    pub fn live_changes(&self, before: &Self) -> LiveChanges {
        let is_live = |ledger: &Self, id: ShotId| ledger.finding(id).is_some_and(|shot| shot.live.is_some());
        // A shot may be joined with another device's meanwhile: any of its slots stands for it.
        let is_new = |shot: &ShotView<'_>| !shot.slots().any(|slot| is_live(before, slot));
        let new = self.live().iter().filter(|l| is_new(&l.shot)).count();
        let gone = before.live().iter().filter(|l| !is_live(self, l.shot.id)).count();
        LiveChanges { new, gone }
    }

    /// Returns the last try of each unit in an outing, in their order; none where a unit was not tried there. Labels are
    /// compared as names are. One look at the outing's shots, whatever the number of units.
    #[must_use]
    pub fn last_tries(&self, outing: OutingId, units: &[(LotId, &str)]) -> Vec<Option<ShotView<'_>>> {
        let keys: Vec<(LotId, String)> = units.iter().map(|(lot, unit)| (*lot, comparable_name(unit))).collect();
        let mut last: HashMap<(LotId, String), ShotView<'_>> = HashMap::new();
        if let Some(code) = self.columns().outings().find(outing) {
            let columns = self.columns();
            let lots: Vec<u32> = keys.iter().filter_map(|(lot, _)| columns.lots().find(*lot)).collect();
            let rows = columns.outing().iter().zip(columns.lot()).enumerate();
            let wanted = rows.filter(|(_, (at, lot))| **at == code && lots.contains(lot)).map(|(row, _)| row);
            for shot in wanted.filter_map(|row| self.shot_at(row)) {
                let Some(unit) = shot.unit else { continue };
                let key = (shot.lot, comparable_name(unit));
                // Of two shots at one attempt the later one, by id, so that the order of coming does not show.
                if keys.contains(&key)
                    && last.get(&key).is_none_or(|old| (old.attempt, old.id) < (shot.attempt, shot.id))
                {
                    last.insert(key, shot);
                }
            }
        }
        keys.iter().map(|key| last.get(key).copied()).collect()
    }
}
