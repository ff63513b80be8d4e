//! Rows to entries: which rows are one volley, and what the file says that the register does not know.
//!
//! - Rows with the same outing, device and volley label are one volley.
//! - A row without a label whose igniter was alone is a volley of one; further observers of the same unit, attempt,
//!   time, module and channel saw the same shot.
//! - Consecutive rows without a label that were wired together, at one time on one channel, are one volley (see [`runs`]).

mod names;
mod runs;
mod seal;
mod shots;
mod volley;

use std::collections::HashMap;

pub use names::Known;
pub(super) use names::{device, undated};
pub(super) use seal::{NO_DEVICE, Seals};

use self::names::{Ids, Names};
use self::runs::Run;
use super::error::{BadRows, RowError, shortened};
use super::notice::Notices;
use super::row::{Column, Row, UNNUMBERED};
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
    notices: &'n mut Notices,
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
            notices,
        }
    }

    pub(super) fn notices(&mut self) -> &mut Notices {
        self.notices
    }

    /// Takes one row, in the order of the file.
    pub(super) fn push(&mut self, row: Row, line: u64) {
        let ids = self.names.ids(&row);
        let place = self.rows.len();
        if let Some(conflict) = self.outing_conflict(&row, ids, line, place) {
            self.conflicts.push(conflict);
            self.rows.push(Placed { row, line, ids, dropped: true });
            self.last_group = None;
            return;
        }
        let placed = Placed { row, line, ids, dropped: false };
        let group = self.group_of(&placed, place);
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
        for group in std::mem::take(&mut self.groups) {
            let built = volley::build(&mut self.rows, &group, &mut seals, self.notices, &mut self.conflicts);
            volleys.extend(built);
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
