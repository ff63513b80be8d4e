//! Which rows of a volley speak of the same igniter, and at which position it stands.

use std::collections::HashMap;

use super::{Conflict, Placed, compared};
use crate::exchange::row::{Column, Row, UNNUMBERED};
use crate::facts::{FuseId, LotId, PersonId, Shot};

/// One igniter of a volley as its rows state it.
#[derive(Debug)]
pub(super) struct Slot {
    position: Option<u16>,
    lot: LotId,
    unit: Option<String>,
    attempt: Option<u8>,
    fuse: Option<FuseId>,
    pub(super) string_length: Option<u16>,
    line: u64,
}

/// The igniters of a volley.
#[derive(Debug, Default)]
pub(super) struct Slots {
    /// Only one row speaks of the volley: there is nothing to look up, and most rows of a test are like that.
    alone: bool,
    slots: Vec<Slot>,
    by_position: HashMap<u16, usize>,
    by_unit: HashMap<(LotId, String), usize>,
    cursors: HashMap<Option<PersonId>, usize>,
    /// The row in which an observer speaks of a slot.
    taken: HashMap<(Option<PersonId>, usize), usize>,
}

impl Slots {
    /// Begins a volley of which so many rows speak.
    pub(super) fn of(rows: usize) -> Self {
        Self { alone: rows == 1, ..Self::default() }
    }

    pub(super) fn len(&self) -> usize {
        self.slots.len()
    }

    /// Returns the igniter that a row speaks of; one that gives no position is found by its unit, or is the next.
    ///
    /// An error leaves everything as it was: a row is taken whole or not at all.
    pub(super) fn place(&mut self, at: usize, placed: &Placed, rows: &[Placed]) -> Result<Spoken, Conflict> {
        let (row, ids) = (&placed.row, placed.ids);
        if self.alone {
            self.slots.push(Slot::of(placed));
            return Ok(Spoken { slot: 0, copy_of: None });
        }
        let unit = (row.unit != UNNUMBERED).then(|| (ids.lot, compared(&row.unit)));
        let by_unit = unit.as_ref().and_then(|u| self.by_unit.get(u)).copied();
        let found = match row.position {
            Some(position) => self.by_position.get(&position).copied(),
            None if unit.is_some() => by_unit,
            None => self.next_unnumbered(ids.observer, ids.lot),
        };
        let conflict = |column, reason| Conflict { row: at, column, reason };
        if let Some(other) = by_unit.filter(|slot| found != Some(*slot)).and_then(|slot| self.slots.get(slot)) {
            let reason = format!("line {} has this unit at another position of the same volley", other.line);
            return Err(conflict(Column::Unit, reason));
        }
        let earlier = found.and_then(|slot| self.taken.get(&(ids.observer, slot))).and_then(|row| rows.get(*row));
        if let Some(earlier) = earlier.filter(|earlier| !says_the_same(&earlier.row, row)) {
            let reason = format!(
                "line {} has another sighting of this shot by the same observer; \
                 a second try has its own attempt and volley",
                earlier.line
            );
            return Err(conflict(Column::Ignition, reason));
        }
        let slot = match found {
            Some(slot) => {
                if let Some(known) = self.slots.get_mut(slot) {
                    known.agree(placed).map_err(|(column, what)| {
                        conflict(column, format!("line {} gives another {what} for this shot", known.line))
                    })?;
                }
                slot
            }
            None => {
                self.slots.push(Slot::of(placed));
                self.slots.len() - 1
            }
        };
        if let Some(position) = row.position {
            self.by_position.insert(position, slot);
        }
        match unit {
            Some(unit) => {
                self.by_unit.insert(unit, slot);
            }
            None if row.position.is_none() => {
                self.cursors.insert(ids.observer, slot + 1);
            }
            None => {}
        }
        self.taken.entry((ids.observer, slot)).or_insert(at);
        Ok(Spoken { slot, copy_of: earlier.map(|earlier| earlier.line) })
    }

    /// Several observers go along the same igniters in the same order: the next of the lot that this one has not had.
    fn next_unnumbered(&self, observer: Option<PersonId>, lot: LotId) -> Option<usize> {
        let from = self.cursors.get(&observer).copied().unwrap_or(0);
        let mut rest = self.slots.iter().enumerate().skip(from);
        let fits = |(place, slot): &(usize, &Slot)| {
            slot.lot == lot && slot.unit.is_none() && !self.taken.contains_key(&(observer, *place))
        };
        rest.find(fits).map(|(place, _)| place)
    }

    /// Returns the shots in order, the position of each slot, and whether positions were closed up.
    ///
    /// Igniters without a position take the free ones in the order of the file. A position that no row speaks of
    /// cannot be kept, since nothing is known of its igniter: those behind it move up.
    pub(super) fn order(&self) -> Ordered {
        let mut free = (1..=u16::MAX).filter(|p| !self.by_position.contains_key(p));
        let mut order: Vec<(u16, usize)> = Vec::with_capacity(self.slots.len());
        for (place, slot) in self.slots.iter().enumerate() {
            order.push((slot.position.or_else(|| free.next()).unwrap_or(u16::MAX), place));
        }
        order.sort_unstable();
        let mut ordered =
            Ordered { shots: Vec::new(), lengths: Vec::new(), positions: vec![0; self.slots.len()], moved: false };
        for ((wanted, place), position) in order.into_iter().zip(1_u16..) {
            let Some(slot) = self.slots.get(place) else { continue };
            ordered.shots.push(slot.shot());
            ordered.lengths.push(slot.string_length);
            if let Some(of_slot) = ordered.positions.get_mut(place) {
                *of_slot = position;
            }
            ordered.moved |= wanted != position;
        }
        ordered
    }
}

/// Which igniter a row speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Spoken {
    pub(super) slot: usize,
    /// The line that says the same already.
    pub(super) copy_of: Option<u64>,
}

fn says_the_same(a: &Row, b: &Row) -> bool {
    a.ignition == b.ignition
        && a.transfer == b.transfer
        && a.delay == b.delay
        && a.strength == b.strength
        && a.cause == b.cause
        && a.note == b.note
}

/// A volley's igniters in order.
#[derive(Debug)]
pub(super) struct Ordered {
    pub(super) shots: Vec<Shot>,
    /// The length of the string that each is in, as stated.
    pub(super) lengths: Vec<Option<u16>>,
    /// The position of each slot.
    pub(super) positions: Vec<u16>,
    /// Positions were closed up.
    pub(super) moved: bool,
}

impl Slot {
    fn of(placed: &Placed) -> Self {
        let row = &placed.row;
        Self {
            position: row.position,
            lot: placed.ids.lot,
            unit: (row.unit != UNNUMBERED).then(|| row.unit.clone()),
            attempt: row.attempt,
            fuse: placed.ids.fuse,
            string_length: row.string_length,
            line: placed.line,
        }
    }

    /// Takes what a further row adds, all or nothing; names the column in which it contradicts the rows before.
    fn agree(&mut self, placed: &Placed) -> Result<(), (Column, &'static str)> {
        let (row, ids) = (&placed.row, placed.ids);
        let said = (row.unit != UNNUMBERED).then_some(&row.unit);
        let other_unit = |known: &String| said.is_some_and(|said| compared(known) != compared(said));
        if self.lot != ids.lot {
            return Err((Column::Lot, "lot"));
        }
        if self.unit.as_ref().is_some_and(other_unit) {
            return Err((Column::Unit, "unit"));
        }
        let (mut attempt, mut fuse) = (self.attempt, self.fuse);
        fill(&mut attempt, row.attempt).map_err(|()| (Column::Attempt, "attempt"))?;
        fill(&mut fuse, ids.fuse).map_err(|()| (Column::Fuse, "fuse"))?;
        (self.attempt, self.fuse) = (attempt, fuse);
        self.unit = self.unit.take().or_else(|| said.cloned());
        self.string_length = self.string_length.or(row.string_length);
        Ok(())
    }

    fn shot(&self) -> Shot {
        Shot { lot: self.lot, unit: self.unit.clone(), attempt: self.attempt.unwrap_or(1), fuse: self.fuse }
    }
}

/// Takes a value where none is known; an error where another is.
pub(super) fn fill<T: PartialEq>(known: &mut Option<T>, said: Option<T>) -> Result<(), ()> {
    match (&known, said) {
        (_, None) => Ok(()),
        (None, said) => {
            *known = said;
            Ok(())
        }
        (Some(known), Some(said)) if *known == said => Ok(()),
        _ => Err(()),
    }
}
