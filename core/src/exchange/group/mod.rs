//! Rows to entries: which rows are one volley, and what the file says that the register does not know.
//!
//! - Rows with the same outing, device and volley label are one volley.
//! - A row without a label whose igniter was alone is a volley of one; further observers of the same unit, attempt,
//!   time, module and channel saw the same shot.
//! - A volley of which a row is bad is not taken at all: its id follows from its content, so a part of it now and the
//!   whole of it later would be two volleys.
//! - Consecutive rows without a label that were wired together, at one time on one channel, are one volley (see [`runs`]).

mod names;
mod runs;
mod seal;
mod shots;
mod volley;

use std::collections::{HashMap, HashSet};

pub use names::Known;
pub(super) use names::{device, undated};
pub(super) use seal::{NO_DEVICE, Seals};

use self::names::{Ids, Names};
use self::runs::Run;
use super::error::{BadRows, RowError, shortened};
use super::notice::Notices;
use super::row::{Cells, Column, Row, UNNUMBERED, readable_name};
use crate::facts::{DeviceId, Entry, LotId, ModuleId, Moment, OutingId, OutingKind, WiringKind, comparable_name};

/// The most rows of one volley; an entry holds no more.
const MAX_VOLLEY_ROWS: usize = 4000;

/// Kinds of outings that the file states, with the line that states it first.
type Register = HashMap<OutingId, Told>;

/// What the rows say of an outing, and on which line first.
#[derive(Debug, Clone, Copy, Default)]
struct Told {
    kind: Option<(OutingKind, u64)>,
    slow_limit_ms: Option<(u16, u64)>,
}

/// A row, where it stands, and the ids of its names.
#[derive(Debug)]
struct Placed {
    row: Row,
    line: u64,
    ids: Ids,
    /// It contradicts another row and is not taken.
    dropped: bool,
}

/// A contradiction between a row and others.
#[derive(Debug)]
struct Conflict {
    /// The row's place among the rows.
    row: usize,
    column: Column,
    reason: String,
}

/// Which rows are one volley.
#[derive(Debug, PartialEq, Eq, Hash)]
enum Key {
    Label(OutingId, DeviceId, String),
    Alone(OutingId, DeviceId, LotId, String, u8, Option<Moment>, Option<ModuleId>, Option<u16>),
}

/// The rows of a file on their way to entries.
#[derive(Debug)]
pub(super) struct Grouping<'n> {
    names: Names,
    rows: Vec<Placed>,
    kinds: Register,
    groups: Vec<Vec<usize>>,
    by_key: HashMap<Key, usize>,
    last_group: Option<usize>,
    run: Option<Run>,
    conflicts: Vec<Conflict>,
    spoiled: Spoiled,
    notices: &'n mut Notices,
}

/// Volleys of which a row is bad.
#[derive(Debug, Default)]
struct Spoiled {
    labels: HashSet<(OutingId, DeviceId, String)>,
    units: HashSet<(OutingId, DeviceId, LotId, String)>,
    groups: HashSet<usize>,
    /// The last line was bad, and the row after it may be of the same volley.
    next: Option<Beside>,
}

/// Which rows beside a bad one may be of its volley.
#[derive(Debug, Clone, Copy)]
enum Beside {
    /// Nothing of the bad row could be read: any that is not alone.
    Any,
    /// It was wired together with others, and has no label: those that are so too.
    Wired,
}

impl Beside {
    fn takes(self, row: &Row) -> bool {
        let wired = row.wiring.is_some_and(|w| w != WiringKind::Single);
        match self {
            Self::Any => wired || row.volley.is_some(),
            Self::Wired => wired && row.volley.is_none(),
        }
    }
}

impl<'n> Grouping<'n> {
    pub(super) fn new(notices: &'n mut Notices) -> Self {
        Self {
            names: Names::new(),
            rows: Vec::new(),
            kinds: Register::new(),
            groups: Vec::new(),
            by_key: HashMap::new(),
            last_group: None,
            run: None,
            conflicts: Vec::new(),
            spoiled: Spoiled::default(),
            notices,
        }
    }

    pub(super) fn notices(&mut self) -> &mut Notices {
        self.notices
    }

    /// Takes note of a row that is bad, as far as it can be read: the rest of its volley is not taken either.
    pub(super) fn spoil(&mut self, cells: &impl Cells) {
        let read = |column| readable_name(cells, column);
        let Some(outing) = read(Column::Outing) else { return self.spoil_beside(Beside::Any) };
        let outing = OutingId::named(&outing);
        let device = DeviceId::named(read(Column::Device).as_deref().unwrap_or(NO_DEVICE));
        if let Some(label) = read(Column::Volley) {
            self.spoiled.labels.insert((outing, device, compared(&label)));
        } else if cells.cell(Column::Volley).is_empty() {
            let wiring = cells.cell(Column::Wiring).trim();
            if !wiring.is_empty() && !wiring.eq_ignore_ascii_case(WiringKind::Single.word()) {
                self.spoil_beside(Beside::Wired);
            } else if let (Some(lot), Some(unit)) = (read(Column::Lot), read(Column::Unit)) {
                self.spoiled.units.insert((outing, device, LotId::named(&lot), compared(&unit)));
            }
        } else {
            self.spoil_beside(Beside::Any);
        }
    }

    /// Takes note of a line of which nothing can be read.
    pub(super) fn spoil_line(&mut self) {
        self.spoil_beside(Beside::Any);
    }

    fn spoil_beside(&mut self, beside: Beside) {
        self.spoiled.next = Some(beside);
        if let (Some(last), Some(group)) = (self.rows.last(), self.last_group)
            && beside.takes(&last.row)
        {
            self.spoiled.groups.insert(group);
        }
    }

    /// Tells whether a volley has a bad row.
    fn is_spoiled(&self, group: usize, members: &[usize]) -> bool {
        let of_bad = |placed: &Placed| {
            let (row, ids) = (&placed.row, placed.ids);
            match &row.volley {
                Some(label) => self.spoiled.labels.contains(&(ids.outing, ids.device, compared(label))),
                None => {
                    row.unit != UNNUMBERED
                        && self.spoiled.units.contains(&(ids.outing, ids.device, ids.lot, compared(&row.unit)))
                }
            }
        };
        self.spoiled.groups.contains(&group) || members.iter().filter_map(|at| self.rows.get(*at)).any(of_bad)
    }

    /// Takes one row, in the order of the file.
    pub(super) fn push(&mut self, row: Row, line: u64) {
        let ids = self.names.ids(&row);
        let place = self.rows.len();
        if let Some(conflict) = self.outing_conflict(&row, ids, line, place) {
            self.conflicts.push(conflict);
            match &row.volley {
                Some(label) => drop(self.spoiled.labels.insert((ids.outing, ids.device, compared(label)))),
                None if Beside::Wired.takes(&row) => self.spoil_beside(Beside::Wired),
                None => drop(self.spoiled.units.insert((ids.outing, ids.device, ids.lot, compared(&row.unit)))),
            }
            self.rows.push(Placed { row, line, ids, dropped: true });
            self.last_group = None;
            return;
        }
        let placed = Placed { row, line, ids, dropped: false };
        let group = self.group_of(&placed, place);
        if self.spoiled.next.take().is_some_and(|beside| beside.takes(&placed.row)) {
            self.spoiled.groups.insert(group);
        }
        self.rows.push(placed);
        self.last_group = Some(group);
        if let Some(group) = self.groups.get_mut(group) {
            group.push(place);
        }
    }

    fn outing_conflict(&mut self, row: &Row, ids: Ids, line: u64, place: usize) -> Option<Conflict> {
        if row.outing_kind.is_none() && row.slow_limit_ms.is_none() {
            return None;
        }
        let before = self.kinds.get(&ids.outing).copied().unwrap_or_default();
        let conflict = |column, reason| Some(Conflict { row: place, column, reason });
        if let (Some((known, since)), Some(kind)) = (before.kind, row.outing_kind)
            && known != kind
        {
            return conflict(Column::OutingKind, format!("line {since} says that this outing is a {known}"));
        }
        if let (Some((known, since)), Some(limit)) = (before.slow_limit_ms, row.slow_limit_ms)
            && known != limit
        {
            return conflict(Column::SlowLimitMs, format!("line {since} gives this outing a limit of {known} ms"));
        }
        let told = Told {
            kind: before.kind.or(row.outing_kind.map(|k| (k, line))),
            slow_limit_ms: before.slow_limit_ms.or(row.slow_limit_ms.map(|ms| (ms, line))),
        };
        self.kinds.insert(ids.outing, told);
        None
    }

    fn new_group(&mut self) -> usize {
        self.groups.push(Vec::new());
        self.groups.len() - 1
    }

    fn group_of(&mut self, placed: &Placed, place: usize) -> usize {
        let (row, ids) = (&placed.row, placed.ids);
        let wired = row.wiring.is_some_and(|w| w != WiringKind::Single);
        let key = match &row.volley {
            Some(label) => {
                // Rows of one volley mostly follow each other.
                if let (Some(last), Some(group)) = (self.rows.last(), self.last_group) {
                    let same = last.ids.outing == ids.outing && last.ids.device == ids.device;
                    if same && last.row.volley.as_ref() == Some(label) {
                        return group;
                    }
                }
                Key::Label(ids.outing, ids.device, compared(label))
            }
            None if wired => return self.group_of_run(placed, place),
            // Two igniters without a number may look the same and are two all the same.
            None if row.unit == UNNUMBERED => return self.new_group(),
            None => {
                let (unit, attempt) = (compared(&row.unit), row.attempt.unwrap_or(1));
                Key::Alone(ids.outing, ids.device, ids.lot, unit, attempt, row.time, ids.module, row.channel)
            }
        };
        match self.by_key.get(&key) {
            Some(group) => *group,
            None => {
                let group = self.new_group();
                self.by_key.insert(key, group);
                group
            }
        }
    }

    fn group_of_run(&mut self, placed: &Placed, place: usize) -> usize {
        let last = place.checked_sub(1).and_then(|p| self.rows.get(p));
        if let (Some(run), Some(last)) = (&mut self.run, last)
            && run.takes(placed, place, last)
        {
            if run.length == 2 {
                self.notices.line("rows-joined", placed.line, || {
                    "Consecutive rows without a volley label, wired together at one time on one channel, are read as \
                     one volley."
                        .to_owned()
                });
            }
            return run.group;
        }
        let group = self.new_group();
        self.run = Some(Run::begin(group, placed, place));
        group
    }

    /// Makes the entries; contradictions go to `bad`. `number` gives a column's number in the file.
    pub(super) fn finish(
        mut self,
        known: &Known,
        number: &dyn Fn(Column) -> Option<u32>,
        bad: &mut BadRows,
    ) -> Grouped {
        let mut seals = Seals::default();
        let mut volleys = Vec::new();
        for (number, group) in std::mem::take(&mut self.groups).into_iter().enumerate() {
            let before = self.conflicts.len();
            let is_spoiled = self.is_spoiled(number, &group);
            let built = volley::build(&mut self.rows, &group, &mut seals, self.notices, &mut self.conflicts);
            if !is_spoiled && self.conflicts.len() == before {
                volleys.extend(built);
                continue;
            }
            self.leave_out(&group);
        }
        for conflict in self.conflicts {
            let Some(placed) = self.rows.get(conflict.row) else { continue };
            bad.push(RowError {
                line: placed.line,
                column_number: number(conflict.column),
                column_name: conflict.column.name().to_owned(),
                text: shown(&placed.row, conflict.column),
                reason: conflict.reason,
            });
        }
        let kept = || self.rows.iter().filter(|placed| !placed.dropped);
        let mut entries = names::register(kept(), &self.kinds, known, &mut seals);
        let untold = entries
            .iter()
            .any(|(home, _)| home.is_some_and(|outing| self.kinds.get(&outing).is_none_or(|told| told.kind.is_none())));
        if untold {
            self.notices.file("outing-kind", "A new outing's kind is not stated (outing_kind); it is taken as a test.");
        }
        entries.append(&mut volleys);
        Grouped { entries, rows: kept().count() as u64 }
    }
}

impl Grouping<'_> {
    /// Leaves out what is left of a volley that has a bad row.
    fn leave_out(&mut self, group: &[usize]) {
        let mut first = None;
        for at in group {
            if let Some(placed) = self.rows.get_mut(*at).filter(|placed| !placed.dropped) {
                placed.dropped = true;
                first.get_or_insert(placed.line);
            }
        }
        if let Some(line) = first {
            self.notices.line("volley-left-out", line, || {
                "Another row of this volley is bad, so the volley is left out whole; correct that row and import the \
                 file again."
                    .to_owned()
            });
        }
    }
}

/// Returns a unit or a label as it is compared: [`comparable_name`], which plain numbers need not go through.
fn compared(name: &str) -> String {
    let plain = name.bytes().all(|b| b.is_ascii_graphic() && !b.is_ascii_uppercase());
    if plain { name.to_owned() } else { comparable_name(name) }
}

/// What rows became.
pub(super) struct Grouped {
    pub(super) entries: Vec<(Option<OutingId>, Entry)>,
    pub(super) rows: u64,
}

fn shown(row: &Row, column: Column) -> String {
    use super::row::Cell;
    match row.cell(column) {
        Cell::Absent => String::new(),
        Cell::Text(text) => shortened(text),
        Cell::Word(word) => word.to_owned(),
        Cell::Time(at) => at.to_string(),
        Cell::Whole(n) => n.to_string(),
        Cell::Decimal(d) => d.to_string(),
    }
}
