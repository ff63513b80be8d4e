//! The rows of one volley to one entry: a volley fact, and what each observer saw.

use std::collections::HashMap;

use super::seal::{OWN_VOLLEY, Seals, UNDATED};
use super::shots::{Ordered, Slots, Spoken, fill};
use super::{Conflict, MAX_VOLLEY_ROWS, Placed};
use crate::exchange::notice::Notices;
use crate::exchange::row::{Column, Row};
use crate::facts::{
    Conditions, Entry, Fact, ModuleId, Moment, OutingId, PersonId, Sighting, Sightings, Transfer, Volley, Wiring,
    WiringKind,
};

/// Rows of one pulse may be written one after the other; times further apart are two pulses.
const MAX_SPREAD_MS: u64 = 10 * 60 * 1000;

/// Builds the entry of one group of rows; `None` if none of them can be taken.
///
/// Rows that contradict an earlier one of the group are dropped alone. A volley whose wiring is unknown or cannot hold
/// its shots is dropped whole: what a failed shot in it means depends on the wiring.
pub(super) fn build(
    rows: &mut [Placed],
    group: &[usize],
    seals: &mut Seals,
    notices: &mut Notices,
    conflicts: &mut Vec<Conflict>,
) -> Option<(Option<OutingId>, Entry)> {
    let first = *group.first()?;
    if let Some(one_too_many) = group.get(MAX_VOLLEY_ROWS) {
        let reason = format!("the volley has more than {MAX_VOLLEY_ROWS} rows; give each pulse a label of its own");
        conflicts.push(Conflict { row: *one_too_many, column: Column::Volley, reason });
        drop_all(rows, group);
        return None;
    }
    let mut common = Common::default();
    let mut slots = Slots::of(group.len());
    let mut spoken: Vec<(usize, Spoken)> = Vec::with_capacity(group.len());
    // Rows that give a position first: those that do not are then found by their unit.
    let (placed, unplaced): (Vec<usize>, Vec<usize>) =
        group.iter().partition(|at| rows.get(**at).is_some_and(|p| p.row.position.is_some()));
    for at in placed.into_iter().chain(unplaced) {
        let Some(placed) = rows.get(at) else { continue };
        // A row is taken whole or not at all: what it shares counts only once its shot fits as well.
        let mut with_row = common;
        match with_row.meet(at, placed, notices).and_then(|()| slots.place(at, placed, rows)) {
            Ok(of_row) => {
                common = with_row;
                spoken.push((at, of_row));
            }
            Err(conflict) => {
                conflicts.push(conflict);
                drop_all(rows, &[at]);
            }
        }
    }
    spoken.sort_unstable_by_key(|(at, _)| *at);
    let ordered = slots.order();
    let wiring = match common.wiring(slots.len()) {
        Ok(wiring) => wiring,
        Err(reason) => {
            let second = spoken.iter().find(|(_, of_row)| of_row.slot > 0).map_or(first, |(at, _)| *at);
            conflicts.push(Conflict { row: second, column: Column::Wiring, reason });
            drop_all(rows, group);
            return None;
        }
    };
    let seen = sightings(rows, &spoken, &ordered, notices);
    let kept = rows.get(spoken.first()?.0)?;
    let line = kept.line;
    if ordered.moved {
        notices.line("positions", line, || {
            "Some positions of the volley have no row, so those behind them move up.".to_owned()
        });
    }
    let wiring = strings(wiring, &ordered, line, notices);
    let label = kept.row.volley.clone();
    let ids = kept.ids;
    let volley = Volley {
        outing: ids.outing,
        at: common.at,
        module: common.module,
        channel: common.channel,
        label,
        wiring,
        leads: None,
        conditions: common.conditions,
        shots: ordered.shots,
    };
    let facts = std::iter::once(Fact::Volley(volley)).chain(seen.into_iter().map(Fact::Sightings));
    match seals.seal(ids.device, common.at.unwrap_or(UNDATED), facts) {
        Ok(entry) => Some((Some(ids.outing), entry)),
        Err(e) => {
            conflicts.push(Conflict { row: first, column: Column::Volley, reason: e.to_string() });
            drop_all(rows, group);
            None
        }
    }
}

fn drop_all(rows: &mut [Placed], group: &[usize]) {
    for at in group {
        if let Some(placed) = rows.get_mut(*at) {
            placed.dropped = true;
        }
    }
}

/// What all rows of a volley share.
#[derive(Debug, Clone, Copy, Default)]
struct Common {
    wiring: Option<WiringKind>,
    module: Option<ModuleId>,
    channel: Option<u16>,
    at: Option<Moment>,
    conditions: Conditions,
}

impl Common {
    fn meet(&mut self, at: usize, placed: &Placed, notices: &mut Notices) -> Result<(), Conflict> {
        let row = &placed.row;
        let other = |column: Column, what: &'static str| {
            move |()| Conflict { row: at, column, reason: format!("another row of the same volley has another {what}") }
        };
        fill(&mut self.wiring, row.wiring).map_err(other(Column::Wiring, "wiring"))?;
        fill(&mut self.module, placed.ids.module).map_err(other(Column::Module, "module"))?;
        fill(&mut self.channel, row.channel).map_err(other(Column::Channel, "channel"))?;
        self.at = match (self.at, row.time) {
            (Some(known), Some(said)) if known.unix_ms.abs_diff(said.unix_ms) > MAX_SPREAD_MS => {
                return Err(other(Column::Time, "time, more than ten minutes off")(()));
            }
            (Some(known), Some(said)) => {
                if known.unix_ms != said.unix_ms {
                    notices.line("times", placed.line, || {
                        "Rows of one volley have different times; the volley has the earliest.".to_owned()
                    });
                }
                Some(if said.unix_ms < known.unix_ms { said } else { known })
            }
            (known, said) => known.or(said),
        };
        let (known, said) = (&mut self.conditions, row.conditions);
        let agreed = [
            fill(&mut known.temperature, said.temperature),
            fill(&mut known.humidity, said.humidity),
            fill(&mut known.wind, said.wind),
            fill(&mut known.precipitation, said.precipitation),
        ];
        if agreed.iter().any(Result::is_err) {
            notices.line("weather", placed.line, || {
                "Rows of one volley have different weather; the volley has that of the first row.".to_owned()
            });
        }
        Ok(())
    }

    /// Returns the wiring. Alone, an igniter can only be single; of several, somebody must say.
    fn wiring(&self, shots: usize) -> Result<WiringKind, String> {
        match (self.wiring, shots) {
            (None, 0 | 1) => Ok(WiringKind::Single),
            (None, n) => Err(format!(
                "the volley has {n} shots and no row says how they were wired; write series, parallel or series-parallel"
            )),
            (Some(WiringKind::Single), n) if n > 1 => Err(format!(
                "the volley has {n} shots and is said to be single; give each pulse a label of its own, or say the wiring"
            )),
            (Some(wiring), _) => Ok(wiring),
        }
    }
}

/// Says how long the strings were, as far as the rows agree on it.
fn strings(kind: WiringKind, ordered: &Ordered, line: u64, notices: &mut Notices) -> Wiring {
    let shots = ordered.shots.len();
    let mut differs = |text: &str| notices.line("string-length", line, || text.to_owned());
    match kind {
        WiringKind::SeriesParallel => {
            let lengths = string_lengths(&ordered.lengths);
            if lengths.is_none() && ordered.lengths.iter().any(Option::is_some) {
                differs("The strings' lengths do not add up to the volley's rows; they are taken as not stated.");
            }
            Wiring::SeriesParallel(lengths.unwrap_or_default())
        }
        _ => {
            let expected = if kind == WiringKind::Series { shots } else { 1 };
            // In parallel, people write the number of igniters as often as 1; neither says anything new.
            let agrees =
                |n: &u16| usize::from(*n) == expected || (kind == WiringKind::Parallel && usize::from(*n) == shots);
            if !ordered.lengths.iter().flatten().all(agrees) {
                differs("The stated string length is not the number of rows of the volley; the rows count.");
            }
            match kind {
                WiringKind::Series => Wiring::Series,
                WiringKind::Parallel => Wiring::Parallel,
                _ => Wiring::Single,
            }
        }
    }
}

/// Returns the strings that the lengths stated shot by shot add up to.
fn string_lengths(stated: &[Option<u16>]) -> Option<Vec<u16>> {
    let (mut lengths, mut rest) = (Vec::new(), stated);
    while let Some(first) = rest.first() {
        let length = (*first)?;
        let (string, behind) = rest.split_at_checked(usize::from(length))?;
        if string.is_empty() || string.iter().any(|said| *said != Some(length)) {
            return None;
        }
        lengths.push(length);
        rest = behind;
    }
    Some(lengths)
}

/// Collects what each observer saw, the observers in the order in which the file names them.
fn sightings(rows: &[Placed], spoken: &[(usize, Spoken)], ordered: &Ordered, notices: &mut Notices) -> Vec<Sightings> {
    let mut all: Vec<Sightings> = Vec::new();
    let mut place_of: HashMap<Option<PersonId>, usize> = HashMap::new();
    for (at, of_row) in spoken {
        let (Some(placed), Some(position)) = (rows.get(*at), ordered.positions.get(of_row.slot)) else { continue };
        if let Some(line) = of_row.copy_of {
            notices.line("copied-row", placed.line, || format!("Line {line} says the same already; nothing is added."));
            continue;
        }
        let observer = placed.ids.observer;
        let shot = usize::from(*position).checked_sub(1).and_then(|p| ordered.shots.get(p));
        let has_fuse = shot.is_some_and(|s| s.fuse.is_some());
        let sighting = sighting(&placed.row, *position, has_fuse, placed.line, notices);
        let place = *place_of.entry(observer).or_insert(all.len());
        if place == all.len() {
            all.push(Sightings { volley: OWN_VOLLEY, observer, seen: Vec::new() });
        }
        if let Some(of_observer) = all.get_mut(place) {
            of_observer.seen.push(sighting);
        }
    }
    for of_observer in &mut all {
        of_observer.seen.sort_by_key(|s| s.position);
    }
    all
}

fn sighting(row: &Row, position: u16, has_fuse: bool, line: u64, notices: &mut Notices) -> Sighting {
    let transfer = row.transfer.unwrap_or_else(|| {
        if has_fuse {
            Transfer::Unseen
        } else {
            notices.line("no-fuse", line, || {
                "The row names no fuse and says nothing of one (transfer); it is taken that there was none.".to_owned()
            });
            Transfer::NoFuse
        }
    });
    Sighting {
        position,
        ignition: row.ignition,
        transfer,
        delay: row.delay,
        strength: row.strength,
        cause: row.cause,
        note: row.note.clone(),
    }
}
