//! Facts that no longer count: they are still shown.

use super::Ledger;
use super::shelf::{FactRef, Naming, Standing};
use crate::facts::{DeviceId, Fact, FactId, Moment, Stated};

/// Why a fact does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Aside<'a> {
    /// A correction counts in its place.
    Replaced {
        /// The fact that counts now.
        by: FactId,
    },
    /// It contradicts another correction of the same fact, and that one counts meanwhile.
    Rival {
        /// The fact that counts meanwhile.
        of: FactId,
    },
    /// It was taken back, or what it corrects was; withdrawals that take back each other stand here too.
    Withdrawn {
        /// The withdrawal and its reason; `None` for withdrawals in a circle.
        by: Option<(FactId, &'a str)>,
    },
}

/// A fact that does not count.
#[derive(Debug, Clone)]
pub struct AsideView<'a> {
    /// Its id.
    pub id: FactId,
    /// The device that wrote it.
    pub device: DeviceId,
    /// When.
    pub written: Moment,
    /// What it says.
    pub fact: &'a Fact,
    /// The fact that it corrects.
    pub replaces: Option<FactId>,
    /// Why it does not count.
    pub why: Aside<'a>,
}

impl AsideView<'_> {
    /// Returns the fact as it stood in its entry.
    #[must_use]
    pub fn stated(&self) -> Stated {
        Stated { fact: self.fact.clone(), replaces: self.replaces }
    }
}

impl Ledger {
    /// Returns the facts that were replaced or withdrawn, by id. The time is proportional to all facts.
    #[must_use]
    pub fn set_aside(&self) -> Vec<AsideView<'_>> {
        let mut rows: Vec<_> = (0..)
            .zip(self.shelf.rows())
            .filter(|(_, row)| !matches!(row.standing, Standing::InEffect | Standing::New))
            .filter_map(|(i, row)| {
                let why = match row.standing {
                    Standing::Withdrawn => Aside::Withdrawn { by: self.withdrawal_of(i) },
                    Standing::Rival => Aside::Rival { of: self.standing_in(row.root, &row.fact)? },
                    _ => Aside::Replaced { by: self.standing_in(row.root, &row.fact)? },
                };
                Some(AsideView {
                    id: self.shelf.id(row.at),
                    device: self.shelf.device(row.at),
                    written: self.shelf.written(row.at),
                    fact: &row.fact,
                    replaces: row.replaces.map(|old| self.shelf.id(old)),
                    why,
                })
            })
            .collect();
        rows.sort_by_key(|view| view.id);
        rows
    }

    fn withdrawal_of(&self, row: u32) -> Option<(FactId, &str)> {
        let mut at = self.shelf.row(row).at;
        // Up the corrections to the one that was taken back; the root ends the walk, in a circle too.
        loop {
            if let Some(by) = self.effect.taken_back_by(&self.shelf, at) {
                let Fact::Withdrawal(w) = &self.shelf.row(by).fact else { return None };
                return Some((self.shelf.row_id(by), &w.reason));
            }
            let row = self.shelf.row(self.shelf.row_at(at)?);
            if at == row.root {
                return None;
            }
            at = row.replaces?;
        }
    }

    /// Returns the fact in effect of the corrections that begin at `root` and are of the same kind.
    fn standing_in(&self, root: FactRef, kind: &Fact) -> Option<FactId> {
        let mut family = vec![root];
        let mut next = 0;
        while let Some(at) = family.get(next).copied() {
            next += 1;
            let row = self.shelf.row_at(at).map(|row| self.shelf.row(row));
            let counts = |r: &&super::shelf::Row| {
                r.root == root
                    && r.standing == Standing::InEffect
                    && std::mem::discriminant(&r.fact) == std::mem::discriminant(kind)
            };
            if row.filter(counts).is_some() {
                return Some(self.shelf.id(at));
            }
            let corrections = self.shelf.inbound(at).iter().filter(|i| i.naming == Naming::Replaces);
            let members = corrections.map(|i| self.shelf.row(i.by)).filter(|r| r.root == root && r.at != root);
            family.extend(members.map(|r| r.at));
        }
        None
    }
}
