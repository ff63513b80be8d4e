//! The ledger's columns as axes to group by, with the names of their codes.

use std::hash::Hash;

use super::count::{Codes, Dimension};
use super::group::Group;
use super::table::RatesError;
use crate::facts::{RegisterId, WiringKind, comparable_name};
use crate::ledger::{Dictionary, Ledger};

/// One column, and what its codes are called.
#[derive(Debug)]
pub(super) struct Axis<'a> {
    pub(super) group: Group,
    codes: Codes<'a>,
    /// By code; none for code 0 where it means that nothing was named.
    names: Vec<Option<String>>,
    /// Which codes are kept; they count as one.
    kept: Option<Vec<Option<u32>>>,
}

impl Axis<'_> {
    /// Returns the name of a code.
    pub(super) fn name(&self, code: u32) -> Option<String> {
        self.names.get(code as usize).cloned().flatten()
    }

    pub(super) fn dimension(&self) -> Dimension<'_> {
        match &self.kept {
            None => Dimension { codes: self.codes, size: self.names.len(), counts_as: None },
            Some(kept) => Dimension { codes: self.codes, size: 1, counts_as: Some(kept.clone()) },
        }
    }

    /// Tells whether something is called so.
    pub(super) fn has(&self, name: &str) -> bool {
        let looked_for = comparable_name(name);
        self.names.iter().flatten().any(|n| comparable_name(n) == looked_for)
    }

    /// Returns a row's code.
    pub(super) fn code_at(&self, row: usize) -> Option<u32> {
        match self.codes {
            Codes::Wide(codes) => codes.get(row).copied(),
            Codes::Narrow(codes) => codes.get(row).copied().map(u32::from),
        }
    }

    /// Returns the name of a row's code.
    pub(super) fn name_at(&self, row: usize) -> Option<String> {
        self.code_at(row).and_then(|code| self.name(code))
    }

    /// Tells whether a row's code is kept.
    pub(super) fn keeps(&self, row: usize) -> bool {
        let Some(code) = self.code_at(row) else { return false };
        self.kept.as_ref().is_none_or(|kept| kept.get(code as usize).copied().flatten().is_some())
    }

    /// Keeps only the codes of some names, as one.
    pub(super) fn keep_only(&mut self, wanted: &[&str]) -> Result<(), RatesError> {
        let named: Vec<Option<String>> = self.names.iter().map(|n| n.as_deref().map(comparable_name)).collect();
        let mut kept = vec![None; named.len()];
        for name in wanted {
            let looked_for = comparable_name(name);
            let mut found = false;
            for (code, _) in named.iter().enumerate().filter(|(_, n)| n.as_deref() == Some(looked_for.as_str())) {
                kept[code] = Some(0);
                found = true;
            }
            if !found {
                let mut known: Vec<&str> = self.names.iter().flatten().map(String::as_str).collect();
                known.sort_unstable();
                let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
                return Err(RatesError::NoSuchName { group: self.group, name: (*name).to_owned(), known });
            }
        }
        self.kept = Some(kept);
        Ok(())
    }
}

fn named<'a, T: Copy + Eq + Hash + ToString>(
    group: Group,
    codes: &'a [u32],
    table: &Dictionary<T>,
    name: impl Fn(T) -> Option<String>,
) -> Axis<'a> {
    let name_of = |code: usize| {
        let id = table.id(u32::try_from(code).ok()?)?;
        // A thing whose own fact has not come yet is called by its id.
        Some(name(id).unwrap_or_else(|| id.to_string()))
    };
    Axis { group, codes: Codes::Wide(codes), names: (0..table.size()).map(name_of).collect(), kept: None }
}

/// Returns one axis for each grouping that is narrowed down, keeping only the names given for it.
pub(super) fn filters<'a>(ledger: &'a Ledger, only: &[(Group, String)]) -> Result<Vec<Axis<'a>>, RatesError> {
    let mut axes: Vec<Axis<'_>> = Vec::new();
    for (group, _) in only {
        if axes.iter().all(|a| a.group != *group) {
            let wanted: Vec<&str> = only.iter().filter(|(g, _)| g == group).map(|(_, name)| name.as_str()).collect();
            let mut narrowed = axis(ledger, *group);
            narrowed.keep_only(&wanted)?;
            axes.push(narrowed);
        }
    }
    Ok(axes)
}

/// Returns the axis of a grouping; the weather as a whole is several and not one of them.
pub(super) fn axis(ledger: &Ledger, group: Group) -> Axis<'_> {
    let columns = ledger.columns();
    let name = |id: RegisterId| ledger.register().name(id).map(str::to_owned);
    match group {
        Group::Lot => named(group, columns.lot(), columns.lots(), |id| name(RegisterId::Lot(id))),
        Group::Fuse => named(group, columns.fuse(), columns.fuses(), |id| name(RegisterId::Fuse(id))),
        Group::Type => named(group, columns.igniter_type(), columns.types(), |id| name(RegisterId::Type(id))),
        Group::Module => named(group, columns.module(), columns.modules(), |id| name(RegisterId::Module(id))),
        Group::Outing => named(group, columns.outing(), columns.outings(), |id| name(RegisterId::Outing(id))),
        Group::Wiring => Axis {
            group,
            codes: Codes::Narrow(columns.wiring()),
            names: WiringKind::ALL.iter().map(|w| Some(w.word().to_owned())).collect(),
            kept: None,
        },
        Group::Part(field) => {
            let bands = ledger.bands();
            let name = |code: usize| Some(bands.name(field, u8::try_from(code).unwrap_or_default()));
            let names = (0..bands.count(field)).map(name).collect();
            Axis { group, codes: Codes::Narrow(columns.band(field)), names, kept: None }
        }
        // Asked for whole (as a filter): nothing is called so.
        Group::Weather => Axis { group, codes: Codes::Narrow(columns.wiring()), names: Vec::new(), kept: None },
    }
}
