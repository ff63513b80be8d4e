//! Runs of rows without a volley label that were wired together.
//!
//! A run goes on while outing, device, module, channel, time and wiring stay the same. It ends where going on would
//! contradict it: the observer has seen this position or unit already, another igniter stands at the position, or the
//! string is full by its stated length. So two strings fired one after the other stay two.

use std::collections::{HashMap, HashSet};

use super::names::Ids;
use super::{Placed, compared};
use crate::exchange::row::{Row, UNNUMBERED};
use crate::facts::{DeviceId, LotId, ModuleId, Moment, OutingId, PersonId, WiringKind};

type Unit = (LotId, String);

/// What all rows of a run share.
type Shared = (OutingId, DeviceId, Option<ModuleId>, Option<u16>, Option<Moment>, Option<WiringKind>);

/// Where an igniter stands, as far as a row says.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Spot {
    Position(u16),
    Unit(Unit),
}

/// The run that the last row belongs to.
#[derive(Debug)]
pub(super) struct Run {
    pub(super) group: usize,
    /// How many rows it has.
    pub(super) length: usize,
    shared: Shared,
    last: usize,
    seen: HashSet<(Option<PersonId>, Spot)>,
    at: HashMap<u16, Unit>,
    position_of: HashMap<Unit, u16>,
    counts: HashMap<Option<PersonId>, u16>,
}

impl Run {
    pub(super) fn begin(group: usize, placed: &Placed, place: usize) -> Self {
        let mut run = Self {
            group,
            length: 0,
            shared: shared(&placed.row, placed.ids),
            last: place,
            seen: HashSet::new(),
            at: HashMap::new(),
            position_of: HashMap::new(),
            counts: HashMap::new(),
        };
        run.add(placed, place);
        run
    }

    /// Adds the row if the run goes on with it; `last` is the row before it.
    pub(super) fn takes(&mut self, placed: &Placed, place: usize, last: &Placed) -> bool {
        let (row, ids) = (&placed.row, placed.ids);
        if self.last + 1 != place || self.shared != shared(row, ids) {
            return false;
        }
        // A row that stands there twice was copied by mistake, unless nothing tells it from a next string of one.
        let is_told = row.position.is_some_and(|p| p > 1 || row.string_length != Some(1));
        let copied = last.row == *row && (row.unit != UNNUMBERED || is_told);
        if !copied && self.contradicts(row, ids) {
            return false;
        }
        self.add(placed, place);
        true
    }

    fn contradicts(&self, row: &Row, ids: Ids) -> bool {
        let unit = unit(row, ids);
        let seen = |spot| self.seen.contains(&(ids.observer, spot));
        let full = row.wiring == Some(WiringKind::Series)
            && row.string_length.is_some_and(|n| self.counts.get(&ids.observer).is_some_and(|count| *count >= n));
        let position = row.position.is_some_and(|p| {
            let other_here = self.at.get(&p).is_some_and(|here| *here != unit);
            let elsewhere = self.position_of.get(&unit).is_some_and(|there| *there != p);
            seen(Spot::Position(p)) || other_here || (row.unit != UNNUMBERED && elsewhere)
        });
        full || position || (row.unit != UNNUMBERED && seen(Spot::Unit(unit)))
    }

    fn add(&mut self, placed: &Placed, place: usize) {
        let (row, ids) = (&placed.row, placed.ids);
        self.length += 1;
        self.last = place;
        let unit = unit(row, ids);
        if let Some(p) = row.position {
            self.seen.insert((ids.observer, Spot::Position(p)));
            self.at.insert(p, unit.clone());
            self.position_of.insert(unit.clone(), p);
        }
        if row.unit != UNNUMBERED {
            self.seen.insert((ids.observer, Spot::Unit(unit)));
        }
        let count = self.counts.entry(ids.observer).or_insert(0);
        *count = count.saturating_add(1);
    }
}

fn unit(row: &Row, ids: Ids) -> Unit {
    (ids.lot, compared(&row.unit))
}

fn shared(row: &Row, ids: Ids) -> Shared {
    (ids.outing, ids.device, ids.module, row.channel, row.time, row.wiring)
}
