//! Strings of the log by module, type and wiring, and how many of them fired whole.

use std::collections::BTreeMap;

use crate::circuit::StringsTried;
use crate::facts::{Cause, Ignition, ModuleId, TypeId, Wiring, WiringKind};
use crate::ledger::{Ledger, ShotView};

/// What strings are counted together: evidence is never carried to another module, type or wiring.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StringKind {
    /// The module.
    pub module: ModuleId,
    /// The type of all its igniters.
    pub igniter_type: TypeId,
    /// The wiring: strings of a series-parallel volley count as such.
    pub wiring: WiringKind,
}

/// Returns the strings of the log by kind, with how many of each length were tried and fired whole.
///
/// A string of parallel igniters has the length of its volley. Left out are strings whose module or types are not known or
/// mixed, in which something was skipped, disputed or not seen, and those that failed by a cause outside the string alone
/// (the module's, the operator's). One real string that several devices wrote down is counted once.
#[must_use]
pub fn strings_by_kind(ledger: &Ledger) -> BTreeMap<StringKind, Vec<StringsTried>> {
    let mut found: BTreeMap<StringKind, BTreeMap<u32, (u64, u64)>> = BTreeMap::new();
    for view in ledger.volleys() {
        let volley = view.volley;
        let lengths: Vec<usize> = match &volley.wiring {
            Wiring::SeriesParallel(lengths) => lengths.iter().map(|n| usize::from(*n)).collect(),
            _ => vec![volley.shots.len()],
        };
        if lengths.iter().sum::<usize>() != volley.shots.len() {
            continue;
        }
        let mut position = 1_u16;
        for length in lengths {
            let places = (0..length).filter_map(|n| position.checked_add(u16::try_from(n).ok()?));
            let shots: Vec<ShotView<'_>> = places
                .filter_map(|position| ledger.finding(crate::facts::ShotId { volley: view.id, position }))
                .collect();
            position = position.saturating_add(u16::try_from(length).unwrap_or(u16::MAX));
            // A shot's id is its first slot's: the volley that gives it counts, the others are the same string again.
            if shots.len() != length || shots.iter().any(|s| s.id.volley != view.id) {
                continue;
            }
            let Some((kind, is_whole)) = judge(ledger, volley.module, &volley.wiring, &shots) else { continue };
            let row = found.entry(kind).or_default().entry(u32::try_from(length).unwrap_or(u32::MAX)).or_default();
            row.0 += 1;
            row.1 += u64::from(is_whole);
        }
    }
    let rows = |lengths: BTreeMap<u32, (u64, u64)>| {
        lengths.into_iter().map(|(length, (tried, whole))| StringsTried { length, tried, whole }).collect()
    };
    found.into_iter().map(|(kind, lengths)| (kind, rows(lengths))).collect()
}

fn judge(
    ledger: &Ledger,
    module: Option<ModuleId>,
    wiring: &Wiring,
    shots: &[ShotView<'_>],
) -> Option<(StringKind, bool)> {
    let type_of = |s: &ShotView<'_>| ledger.register().lots().get(s.lot).and_then(|lot| lot.value.igniter_type);
    let module = module?;
    let igniter_type = type_of(shots.first()?)?;
    if shots.iter().any(|s| type_of(s) != Some(igniter_type)) {
        return None;
    }
    let mut dark = Vec::new();
    for s in shots {
        match s.finding.ignition.settled()? {
            Ignition::Fired | Ignition::Slow => {}
            Ignition::Failed => dark.push(s.finding.blame.map(|b| b.cause)),
            Ignition::Skipped => return None,
        }
    }
    let outside = |cause: &Option<Cause>| matches!(cause, Some(Cause::Module | Cause::Operator));
    if !dark.is_empty() && dark.iter().all(outside) {
        return None;
    }
    Some((StringKind { module, igniter_type, wiring: wiring.kind() }, dark.is_empty()))
}
