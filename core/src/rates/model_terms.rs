//! The terms of a model, and the shots as groups that share their values.

use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;

use embertally_stats::BinomialGroup;
use thiserror::Error;

use super::columns::{Axis, axis};
use super::count::Counts;
use super::group::Group;
use super::quantity::Quantity;
use super::reading::{Open, Tally};
use super::trending::{counted_rows, tell};
use crate::ledger::{Ledger, Measure};

/// One thing that failures may go with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Term {
    /// A kind: one coefficient for each but the most frequent one.
    Kind(Group),
    /// A number: one coefficient.
    Number(Quantity),
}

/// A word that names no term.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error(
    "{0:?} is no term of a model; use some of: lot, fuse, type, module, outing, wiring, wet, temperature, humidity, \
     wind, age"
)]
pub struct TermError(pub String);

impl Term {
    /// Returns its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Kind(group) => group.word(),
            Self::Number(quantity) => quantity.word(),
        }
    }
}

impl fmt::Display for Term {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for Term {
    type Err = TermError;

    /// Reads a word; what can be measured is a number, not a band.
    fn from_str(text: &str) -> Result<Self, TermError> {
        if let Ok(quantity) = text.parse::<Quantity>() {
            return Ok(Self::Number(quantity));
        }
        match text.parse::<Group>() {
            Ok(group) if group != Group::Weather => Ok(Self::Kind(group)),
            _ => Err(TermError(text.to_owned())),
        }
    }
}

/// What a term is in the shots at hand.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Seen {
    /// The kinds there are, the most frequent first, then by name.
    Kinds(Vec<String>),
    /// The mean, in the quantity's unit, rounded to a step.
    Mean(f64),
}

/// Shots as groups with one value a term.
#[derive(Debug)]
pub(super) struct Table {
    pub(super) terms: Vec<(Term, Seen)>,
    groups: Vec<(Vec<f64>, Counts)>,
    /// Shots of which the log does not say all that the terms ask.
    pub(super) left_out: u64,
    /// The size of the volley that a shot is in, on average over the shots: Σm²/Σm.
    pub(super) mean_size: f64,
}

/// One column of the model.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Column {
    /// Which term, by its place.
    pub(super) term: usize,
    /// Which kind, by its place; none for a number.
    pub(super) kind: Option<usize>,
}

/// A term's value in a row: the name of a kind, or a whole number of a quantity.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Cell {
    Kind(u32),
    Number(i64),
}

impl Table {
    pub(super) fn new(ledger: &Ledger, measure: Measure, terms: &[Term], filters: &[Axis<'_>]) -> Self {
        let axes: Vec<Option<Axis<'_>>> = terms
            .iter()
            .map(|term| match term {
                Term::Kind(group) => Some(axis(ledger, *group)),
                Term::Number(_) => None,
            })
            .collect();
        let needs_view = terms.iter().any(|term| matches!(term, Term::Number(_)));
        let mut counted: BTreeMap<Vec<Cell>, Counts> = BTreeMap::new();
        let mut left_out = 0;
        let mut sizes: BTreeMap<u32, u64> = BTreeMap::new();
        let volleys = ledger.columns().volley();
        for (row, class) in counted_rows(ledger, measure, filters) {
            let view = if needs_view { ledger.shot_at(row) } else { None };
            let cell = |(term, axis): (&Term, &Option<Axis<'_>>)| match (term, axis) {
                (Term::Kind(group), Some(axis)) => {
                    let code = axis.code_at(row)?;
                    // A fuse that is not named is none; weather that is not named is not known.
                    let is_unknown = matches!(group, Group::Part(_)) && code == 0;
                    (!is_unknown).then_some(Cell::Kind(code))
                }
                (Term::Number(quantity), _) => quantity.of(ledger, view.as_ref()?).map(Cell::Number),
                _ => None,
            };
            match terms.iter().zip(&axes).map(cell).collect::<Option<Vec<Cell>>>() {
                Some(cells) => {
                    tell(counted.entry(cells).or_default(), class);
                    *sizes.entry(volleys.get(row).copied().unwrap_or(u32::MAX)).or_default() += 1;
                }
                None => left_out += 1,
            }
        }
        let (squares, shots) = sizes.values().fold((0, 0), |(squares, shots), m| (squares + m * m, shots + m));
        let mean_size = if shots == 0 { 1.0 } else { squares as f64 / shots as f64 };
        Self { mean_size, ..Self::named(terms, &axes, counted, left_out) }
    }

    /// Puts names in the place of codes, which differ from device to device.
    fn named(terms: &[Term], axes: &[Option<Axis<'_>>], counted: BTreeMap<Vec<Cell>, Counts>, left_out: u64) -> Self {
        let shots = |c: &Counts| c.good + c.failures + c.unresolved;
        let name = |axis: &Option<Axis<'_>>, code: u32| {
            axis.as_ref().and_then(|a| a.name(code)).unwrap_or_else(|| "none".to_owned())
        };
        let seen: Vec<(Term, Seen)> = terms
            .iter()
            .zip(axes)
            .enumerate()
            .map(|(place, (term, axis))| {
                let mut kinds: BTreeMap<String, u64> = BTreeMap::new();
                let (mut sum, mut all) = (0_i64, 0_u64);
                for (cells, counts) in &counted {
                    match cells.get(place) {
                        Some(Cell::Kind(code)) => *kinds.entry(name(axis, *code)).or_default() += shots(counts),
                        Some(Cell::Number(whole)) => {
                            sum = sum.saturating_add(whole.saturating_mul(shots(counts) as i64));
                            all += shots(counts);
                        }
                        None => {}
                    }
                }
                let what = match term {
                    Term::Kind(_) => {
                        let mut kinds: Vec<(String, u64)> = kinds.into_iter().collect();
                        kinds.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
                        Seen::Kinds(kinds.into_iter().map(|(name, _)| name).collect())
                    }
                    Term::Number(quantity) => {
                        let mean = if all == 0 { 0 } else { (sum as f64 / all as f64).round() as i64 };
                        Seen::Mean(quantity.value(mean))
                    }
                };
                (*term, what)
            })
            .collect();
        // Groups in the order of their values, the same on every device.
        let mut groups: BTreeMap<Vec<Cell>, Counts> = BTreeMap::new();
        for (cells, counts) in &counted {
            let placed = cells.iter().zip(&seen).zip(axes).map(|((cell, (_, seen)), axis)| match (cell, seen) {
                (Cell::Kind(code), Seen::Kinds(kinds)) => {
                    let at = kinds.iter().position(|kind| *kind == name(axis, *code)).unwrap_or(0);
                    Cell::Kind(at as u32)
                }
                (cell, _) => cell.clone(),
            });
            let group = groups.entry(placed.collect()).or_default();
            group.good += counts.good;
            group.failures += counts.failures;
            group.unresolved += counts.unresolved;
        }
        let value = |(cell, (term, _)): (&Cell, &(Term, Seen))| match (cell, term) {
            (Cell::Number(whole), Term::Number(quantity)) => quantity.value(*whole),
            (Cell::Kind(at), _) => f64::from(*at),
            (Cell::Number(whole), Term::Kind(_)) => *whole as f64,
        };
        let groups =
            groups.iter().map(|(cells, counts)| (cells.iter().zip(&seen).map(value).collect(), *counts)).collect();
        Self { terms: seen, groups, left_out, mean_size: 1.0 }
    }

    /// Returns what all groups add up to.
    pub(super) fn counts(&self) -> Counts {
        self.groups.iter().fold(Counts::default(), |mut sum, (_, c)| {
            sum.good += c.good;
            sum.failures += c.failures;
            sum.unresolved += c.unresolved;
            sum
        })
    }

    pub(super) fn groups(&self) -> usize {
        self.groups.len()
    }

    /// Returns the columns: for each kind but the most frequent one, and for each number.
    pub(super) fn columns(&self) -> Vec<Column> {
        let of = |(term, (_, seen)): (usize, &(Term, Seen))| match seen {
            Seen::Kinds(kinds) => (1..kinds.len()).map(|kind| Column { term, kind: Some(kind) }).collect(),
            Seen::Mean(_) => vec![Column { term, kind: None }],
        };
        self.terms.iter().enumerate().flat_map(of).collect::<Vec<Column>>()
    }

    /// Returns the values of the columns, the constant before them, for one value a term.
    ///
    /// Numbers are taken from their mean, in steps, so that all are near 1.
    pub(super) fn values(&self, columns: &[Column], terms: &[f64]) -> Vec<f64> {
        let of = |column: &Column| {
            let value = terms.get(column.term).copied().unwrap_or(0.0);
            match (column.kind, self.terms.get(column.term)) {
                (Some(kind), _) => f64::from(u8::from(value == kind as f64)),
                (None, Some((Term::Number(quantity), Seen::Mean(mean)))) => (value - mean) / quantity.step(),
                _ => value,
            }
        };
        std::iter::once(1.0).chain(columns.iter().map(of)).collect()
    }

    /// Returns the groups of one reading of the unresolved shots.
    pub(super) fn design(&self, columns: &[Column], open: Open) -> Vec<BinomialGroup> {
        let group = |(terms, counts): &(Vec<f64>, Counts)| {
            let Tally { failures, shots } = Tally::new(*counts, open);
            BinomialGroup { values: self.values(columns, terms), failures, trials: shots }
        };
        self.groups.iter().map(group).collect()
    }
}
