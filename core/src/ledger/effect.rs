//! Which facts are in effect: corrections and withdrawals, in whatever order they came.
//!
//! Corrections of one fact form a tree under the fact that was stated first. A withdrawal takes back the fact that it
//! names and every correction that stands on it. Of what is left, the corrections that nothing replaces are the tips;
//! if there are several, the one with the smallest id counts meanwhile and the fork is a dispute. A correction of
//! another kind of fact than its own corrects nothing, and both stand.

use std::collections::{HashMap, HashSet};
use std::mem::discriminant;

use super::codes::NONE;
use super::shelf::{FactRef, Naming, Shelf, Standing};
use crate::facts::Fact;

/// A row whose standing or root is no longer what it was.
#[derive(Debug, Clone, Copy)]
pub(super) struct Change {
    pub(super) row: u32,
    pub(super) old_root: FactRef,
}

/// What is kept between two settlings.
#[derive(Debug, Default)]
pub(super) struct Effect {
    /// The withdrawals that came.
    withdrawals: Vec<u32>,
    /// Those of them that are in effect.
    acting: HashSet<u32>,
    /// Tips that say different things, by the root's reference and the kind's first row.
    forks: HashMap<FactRef, Vec<u32>>,
}

struct Member {
    at: FactRef,
    /// `NONE` for a root that has not come.
    row: u32,
    parent: usize,
    /// `None` while it hangs on withdrawals that are not decided.
    withdrawn: Option<bool>,
    has_live_child: bool,
}

struct Tree {
    members: Vec<Member>,
    tips: Vec<u32>,
}

impl Tree {
    fn root(&self) -> Option<FactRef> {
        self.members.first().map(|m| m.at)
    }

    fn is_decided(&self) -> bool {
        self.members.iter().all(|m| m.withdrawn.is_some())
    }

    fn chosen(&self) -> Option<u32> {
        self.tips.first().copied()
    }
}

impl Effect {
    /// Works out how the rows from `first_new` on stand, and what else changes by them.
    pub(super) fn settle(&mut self, shelf: &mut Shelf, first_new: u32) -> Vec<Change> {
        let rows = first_new..shelf.rows().len() as u32;
        let mut changes = Vec::with_capacity(rows.len());
        let mut starts = Vec::new();
        let mut tangled = false;
        for row in rows {
            let r = shelf.row(row);
            let at = r.at;
            let mut linked = r.replaces.is_some();
            for inbound in shelf.inbound(at) {
                match inbound.naming {
                    // Begun from the correction too: it may have been taken for one of this kind, and not be.
                    Naming::Replaces => {
                        linked = true;
                        starts.push(inbound.by);
                        tangled |= matches!(shelf.row(inbound.by).fact, Fact::Withdrawal(_));
                    }
                    Naming::Withdraws => linked = true,
                    _ => {}
                }
            }
            if let Fact::Withdrawal(w) = &r.fact {
                self.withdrawals.push(row);
                let target = shelf.find(w.fact);
                if linked || target.is_some_and(|t| touches_withdrawal(shelf, t)) {
                    tangled = true;
                } else {
                    self.acting.insert(row);
                    starts.extend(target.map(|t| begin(shelf, t)).unwrap_or_default());
                }
            }
            if linked {
                starts.push(row);
            } else {
                shelf.row_mut(row).standing = Standing::InEffect;
                changes.push(Change { row, old_root: at });
            }
        }
        if tangled {
            starts.extend(self.untangle(shelf));
        }
        self.trace_all(shelf, starts, &mut changes);
        changes
    }

    /// Decides all withdrawals anew, because some take back others; returns the rows from which to trace again.
    ///
    /// One counts as soon as all that take it back are known not to; those that take back each other in a circle are
    /// never decided, and then none of them counts. The outcome does not depend on the order of deciding.
    fn untangle(&mut self, shelf: &Shelf) -> Vec<u32> {
        let mut decided: HashMap<u32, bool> = HashMap::new();
        let mut open = self.withdrawals.clone();
        while let Some(row) = open.pop() {
            if decided.contains_key(&row) {
                continue;
            }
            let tree = trace(shelf, row, &|at| attacked(shelf, at, &|by| decided.get(&by).copied()));
            let mut found = Vec::new();
            if tree.is_decided() {
                let chosen = tree.chosen();
                found.extend(tree.members.iter().filter(|m| m.row != NONE).map(|m| (m.row, Some(m.row) == chosen)));
            } else {
                let gone = |m: &&Member| m.withdrawn == Some(true) && m.row != NONE;
                found.extend(tree.members.iter().filter(gone).map(|m| (m.row, false)));
            }
            for (row, acts) in found {
                if decided.insert(row, acts).is_none() {
                    open.extend(withdrawal_targets(shelf, row));
                }
            }
        }
        let acting = decided.into_iter().filter_map(|(row, acts)| acts.then_some(row)).collect();
        let before = std::mem::replace(&mut self.acting, acting);
        let mut starts = Vec::new();
        for row in before.symmetric_difference(&self.acting) {
            if let Fact::Withdrawal(w) = &shelf.row(*row).fact {
                starts.extend(shelf.find(w.fact).map(|t| begin(shelf, t)).unwrap_or_default());
            }
        }
        // What stands in a circle changes its own standing without anything above it changing.
        starts.extend(&self.withdrawals);
        starts
    }

    fn trace_all(&mut self, shelf: &mut Shelf, starts: Vec<u32>, changes: &mut Vec<Change>) {
        let mut traced: HashSet<u32> = HashSet::new();
        for start in starts {
            if traced.contains(&start) {
                continue;
            }
            let tree = trace(shelf, start, &|at| attacked(shelf, at, &|by| Some(self.acting.contains(&by))));
            let Some(root) = tree.root() else { continue };
            for m in tree.members.iter().filter(|m| m.row != NONE) {
                traced.insert(m.row);
                let mut standing = match m.withdrawn {
                    Some(true) => Standing::Withdrawn,
                    _ if m.has_live_child => Standing::Replaced,
                    _ if tree.chosen() == Some(m.row) => Standing::InEffect,
                    _ => Standing::Rival,
                };
                let row = shelf.row_mut(m.row);
                let idle = matches!(row.fact, Fact::Withdrawal(_)) && !self.acting.contains(&m.row);
                if standing == Standing::InEffect && idle {
                    standing = Standing::Withdrawn;
                }
                if row.standing != standing || row.root != root {
                    changes.push(Change { row: m.row, old_root: row.root });
                    row.standing = standing;
                    row.root = root;
                }
                // A root may stop being one when what it corrects comes; its fork goes with it.
                self.forks.remove(&m.at);
            }
            let differ = tree.tips.windows(2).any(|w| match w {
                [a, b] => shelf.row(*a).fact != shelf.row(*b).fact,
                _ => false,
            });
            if let (true, Some(first)) = (differ, tree.members.iter().find(|m| m.row != NONE)) {
                self.forks.insert(first.at, tree.tips);
            }
        }
    }

    /// Returns the corrections that contradict each other, each list by id, the first counting meanwhile.
    pub(super) fn forks(&self) -> impl Iterator<Item = &[u32]> {
        self.forks.values().map(Vec::as_slice)
    }

    /// Returns the withdrawals in effect that name a fact.
    pub(super) fn taken_back_by(&self, shelf: &Shelf, at: FactRef) -> Option<u32> {
        let by = |i: &&super::shelf::Inbound| i.naming == Naming::Withdraws && self.acting.contains(&i.by);
        shelf.inbound(at).iter().filter(by).map(|i| i.by).min_by_key(|row| shelf.row_id(*row))
    }
}

fn same_kind(a: &Fact, b: &Fact) -> bool {
    discriminant(a) == discriminant(b)
}

/// Returns whether a fact, or one that corrects it, is a withdrawal.
fn touches_withdrawal(shelf: &Shelf, at: FactRef) -> bool {
    begin(shelf, at).iter().any(|row| matches!(shelf.row(*row).fact, Fact::Withdrawal(_)))
}

/// Returns the rows from which to trace what a withdrawal of `at` changes: the fact's own, or where that has not come,
/// those of its corrections.
fn begin(shelf: &Shelf, at: FactRef) -> Vec<u32> {
    let corrections = || shelf.inbound(at).iter().filter(|i| i.naming == Naming::Replaces).map(|i| i.by).collect();
    shelf.row_at(at).map_or_else(corrections, |row| vec![row])
}

/// Returns the withdrawals that may be decided once this one is.
fn withdrawal_targets(shelf: &Shelf, row: u32) -> Vec<u32> {
    let Fact::Withdrawal(w) = &shelf.row(row).fact else { return Vec::new() };
    let Some(target) = shelf.find(w.fact) else { return Vec::new() };
    let mut rows = Vec::new();
    for start in begin(shelf, target) {
        if matches!(shelf.row(start).fact, Fact::Withdrawal(_)) {
            rows.extend(trace(shelf, start, &|_| None).members.iter().map(|m| m.row).filter(|r| *r != NONE));
        }
    }
    rows
}

fn attacked(shelf: &Shelf, at: FactRef, acts: &dyn Fn(u32) -> Option<bool>) -> Option<bool> {
    let mut open = false;
    for inbound in shelf.inbound(at).iter().filter(|i| i.naming == Naming::Withdraws) {
        match acts(inbound.by) {
            Some(true) => return Some(true),
            Some(false) => {}
            None => open = true,
        }
    }
    (!open).then_some(false)
}

/// Finds the fact at which a row's corrections begin; in a circle, the one with the smallest id.
fn root_of(shelf: &Shelf, start: u32) -> FactRef {
    let mut path = vec![start];
    let mut seen = HashSet::from([start]);
    let mut row = start;
    loop {
        let r = shelf.row(row);
        let Some(old) = r.replaces else { return r.at };
        let Some(next) = shelf.row_at(old) else { return old };
        if !same_kind(&shelf.row(next).fact, &r.fact) {
            return r.at;
        }
        if !seen.insert(next) {
            let circle = path.iter().skip_while(|row| **row != next);
            return circle.map(|row| shelf.row(*row).at).min_by_key(|at| shelf.id(*at)).unwrap_or(r.at);
        }
        path.push(next);
        row = next;
    }
}

fn trace(shelf: &Shelf, start: u32, attacked: &dyn Fn(FactRef) -> Option<bool>) -> Tree {
    let kind = &shelf.row(start).fact;
    let root = root_of(shelf, start);
    let mut members = vec![Member {
        at: root,
        row: shelf.row_at(root).unwrap_or(NONE),
        parent: usize::MAX,
        withdrawn: attacked(root),
        has_live_child: false,
    }];
    let mut seen: HashSet<u32> = members.iter().map(|m| m.row).collect();
    let mut next = 0;
    while let Some(Member { at, withdrawn, .. }) = members.get(next) {
        let above = *withdrawn;
        for inbound in shelf.inbound(*at).iter().filter(|i| i.naming == Naming::Replaces) {
            let row = shelf.row(inbound.by);
            if !same_kind(&row.fact, kind) || !seen.insert(inbound.by) {
                continue;
            }
            let withdrawn = match (above, attacked(row.at)) {
                (Some(true), _) | (_, Some(true)) => Some(true),
                (Some(false), Some(false)) => Some(false),
                _ => None,
            };
            members.push(Member { at: row.at, row: inbound.by, parent: next, withdrawn, has_live_child: false });
        }
        next += 1;
    }
    for i in (1..members.len()).rev() {
        let (parent, live) = (members[i].parent, members[i].withdrawn == Some(false));
        members[parent].has_live_child |= live;
    }
    let tip = |m: &&Member| m.row != NONE && m.withdrawn == Some(false) && !m.has_live_child;
    let mut tips: Vec<u32> = members.iter().filter(tip).map(|m| m.row).collect();
    tips.sort_by_key(|row| shelf.row_id(*row));
    Tree { members, tips }
}
