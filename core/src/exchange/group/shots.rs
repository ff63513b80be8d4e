//! Which rows of a volley speak of the same igniter, and at which position it stands.

use std::collections::{HashMap, HashSet};

use super::{Conflict, Placed};
use crate::exchange::row::{Column, UNNUMBERED};
use crate::facts::{FuseId, LotId, PersonId, Shot, comparable_name};

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
    slots: Vec<Slot>,
    by_position: HashMap<u16, usize>,
    by_unit: HashMap<(LotId, String), usize>,
    cursors: HashMap<Option<PersonId>, usize>,
    taken: HashSet<(Option<PersonId>, usize)>,
}

impl Slots {
    pub(super) fn len(&self) -> usize {
        self.slots.len()
    }

    /// Returns the igniter that a row speaks of; one that gives no position is found by its unit, or is the next.
    pub(super) fn place(&mut self, at: usize, placed: &Placed) -> Result<usize, Conflict> {
        let (row, ids) = (&placed.row, placed.ids);
        let unit = (row.unit != UNNUMBERED).then(|| (ids.lot, comparable_name(&row.unit)));
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
                self.slots.push(Slot {
                    position: row.position,
                    lot: ids.lot,
                    unit: unit.is_some().then(|| row.unit.clone()),
                    attempt: row.attempt,
                    fuse: ids.fuse,
                    string_length: row.string_length,
                    line: placed.line,
                });
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
        self.taken.insert((ids.observer, slot));
        Ok(slot)
    }

    /// Several observers go along the same igniters in the same order: the next of the lot that this one has not had.
    fn next_unnumbered(&self, observer: Option<PersonId>, lot: LotId) -> Option<usize> {
        let from = self.cursors.get(&observer).copied().unwrap_or(0);
        let mut rest = self.slots.iter().enumerate().skip(from);
        let fits = |(place, slot): &(usize, &Slot)| {
            slot.lot == lot && slot.unit.is_none() && !self.taken.contains(&(observer, *place))
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
        let mut ordered = Ordered { shots: Vec::new(), lengths: Vec::new(), positions: HashMap::new(), moved: false };
        for ((wanted, place), position) in order.into_iter().zip(1_u16..) {
            let Some(slot) = self.slots.get(place) else { continue };
            ordered.shots.push(slot.shot());
            ordered.lengths.push(slot.string_length);
            ordered.positions.insert(place, position);
            ordered.moved |= wanted != position;
        }
        ordered
    }
}

/// A volley's igniters in order.
#[derive(Debug)]
pub(super) struct Ordered {
    pub(super) shots: Vec<Shot>,
    /// The length of the string that each is in, as stated.
    pub(super) lengths: Vec<Option<u16>>,
    /// The position of each slot.
    pub(super) positions: HashMap<usize, u16>,
    /// Positions were closed up.
    pub(super) moved: bool,
}

impl Slot {
    /// Takes what a further row adds; names the column in which it contradicts the rows before.
    fn agree(&mut self, placed: &Placed) -> Result<(), (Column, &'static str)> {
        let (row, ids) = (&placed.row, placed.ids);
        if self.lot != ids.lot {
            return Err((Column::Lot, "lot"));
        }
        let unit = (row.unit != UNNUMBERED).then_some(&row.unit);
        fill(&mut self.attempt, row.attempt).map_err(|()| (Column::Attempt, "attempt"))?;
        fill(&mut self.fuse, ids.fuse).map_err(|()| (Column::Fuse, "fuse"))?;
        match (&self.unit, unit) {
            (Some(known), Some(said)) if comparable_name(known) != comparable_name(said) => {
                return Err((Column::Unit, "unit"));
            }
            (None, Some(said)) => self.unit = Some(said.clone()),
            _ => {}
        }
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
