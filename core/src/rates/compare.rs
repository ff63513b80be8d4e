//! Two groups side by side: two lots, two fuses, two weathers.
//!
//! Not for finding the worst of many: see `pairings`; two picked out of many because they look unlike will be unlike.
//! Beside the exact answer for independent shots stands the one for shots that are alike within volleys, and what is shown
//! must be shown by both.

use std::collections::BTreeMap;

use embertally_stats::IntervalMethod;
use serde::Serialize;

use super::clusters::VolleyCorrelation;
use super::columns::axis;
use super::compare_words;
use super::count::Counts;
use super::group::Group;
use super::rate::Rate;
use super::reading::{Open, Reading, Tally, reading};
use super::stratified::stratified;
use super::table::{RatesError, RatesRequest, rates};
use crate::facts::comparable_name;
use crate::ledger::{Ledger, Measure, WeatherField};

/// What is to be compared.
#[derive(Debug, Clone, PartialEq)]
pub struct CompareRequest {
    /// What the two are; any grouping but the weather as a whole.
    pub group: Group,
    /// Their names, compared as names are: case and spacing do not matter.
    pub names: [String; 2],
    /// Within which strata too, if any.
    pub by: Option<Group>,
    /// Which parts make up the weather.
    pub weather: Vec<WeatherField>,
    /// Which failure.
    pub measure: Measure,
    /// The level of all intervals, such as 0.95; a difference is shown where p is at most 1 − level.
    pub level: f64,
    /// Only these, as in [`RatesRequest::only`].
    pub only: Vec<(Group, String)>,
}

impl CompareRequest {
    /// Returns the request that compares two things of a grouping by ignition, without strata.
    #[must_use]
    pub fn of(group: Group, first: &str, second: &str) -> Self {
        let RatesRequest { weather, measure, level, .. } = RatesRequest::default();
        let names = [first.to_owned(), second.to_owned()];
        Self { group, names, by: None, weather, measure, level, only: Vec::new() }
    }
}

/// One of the two.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ComparedGroup {
    /// Its name.
    pub name: String,
    /// Its rate by itself, with the exact interval.
    #[serde(flatten)]
    pub rate: Rate,
}

/// What the comparison shows, in every reading of what is unresolved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shown {
    /// A difference, whoever is to blame for the unresolved shots.
    Difference,
    /// No difference; that is not the same as no difference being there.
    NoDifference,
    /// A difference, but only if shots of one volley are taken as independent.
    DependsOnVolleys,
    /// It depends on what is unresolved.
    DependsOnUnresolved,
    /// Nothing: one of them was not tried.
    Nothing,
}

/// Two groups compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// What the two are.
    pub of: &'static str,
    /// Which failure.
    pub measure: &'static str,
    /// The level of all intervals.
    pub level: f64,
    /// The first.
    pub first: ComparedGroup,
    /// The second.
    pub second: ComparedGroup,
    /// What is shown.
    pub shown: Shown,
    /// The sentences to read out.
    pub sentences: Vec<String>,
    /// Within which strata too, if any.
    pub by: Option<&'static str>,
    /// How alike the shots of one volley are, over the whole log.
    pub volleys: VolleyCorrelation,
    /// Every unresolved shot as the circuit's: left out.
    pub if_circuit: Reading,
    /// Every unresolved shot as the igniter's: a failure.
    pub if_igniter: Reading,
    /// The first's unresolved shots as failures, the second's left out; null unless both have some.
    pub if_first_igniter: Option<Reading>,
    /// The other way round; null unless both have some.
    pub if_second_igniter: Option<Reading>,
}

impl Comparison {
    /// Returns the readings, the plain two first.
    pub fn readings(&self) -> impl Iterator<Item = &Reading> {
        [
            Some(&self.if_circuit),
            Some(&self.if_igniter),
            self.if_first_igniter.as_ref(),
            self.if_second_igniter.as_ref(),
        ]
        .into_iter()
        .flatten()
    }

    /// Tells whether a shot of either is unresolved.
    #[must_use]
    pub fn has_unresolved(&self) -> bool {
        self.first.rate.unresolved + self.second.rate.unresolved > 0
    }
}

/// Counts of the two groups, and by how much fewer shots of each count.
#[derive(Debug, Clone, Copy)]
struct Pair {
    counts: [Counts; 2],
    effects: [f64; 2],
}

impl Default for Pair {
    fn default() -> Self {
        Self { counts: [Counts::default(); 2], effects: [1.0; 2] }
    }
}

fn add(pair: &mut Pair, which: usize, rate: &Rate) {
    let (Some(to), Some(effect)) = (pair.counts.get_mut(which), pair.effects.get_mut(which)) else { return };
    *effect = effect.max(rate.design_effect());
    to.good += rate.shots - rate.failures - rate.unresolved;
    to.failures += rate.failures;
    to.unresolved += rate.unresolved;
}

/// Compares two groups by one measure.
///
/// For each reading of what is unresolved: the difference of the rates with Newcombe's interval, exact p-values, risk
/// ratio and odds ratio with intervals, and the difference and a test for shots alike within volleys; within strata the Mantel–Haenszel odds ratio, the Cochran–Mantel–Haenszel test
/// and the Breslow–Day test. What cannot be said is said to be so, with its reason. The result depends only on the
/// facts in the ledger, not on the order in which they came.
///
/// # Errors
/// [`RatesError`]: a name that nothing has, one and the same name twice, a level outside (0, 1).
pub fn compare(ledger: &Ledger, request: &CompareRequest) -> Result<Comparison, RatesError> {
    let wanted = request.names.each_ref().map(|name| comparable_name(name));
    if wanted[0] == wanted[1] {
        return Err(RatesError::Same { name: request.names[0].trim().to_owned() });
    }
    let mut only = request.only.clone();
    only.extend(request.names.iter().map(|name| (request.group, name.clone())));
    let asked = RatesRequest {
        by: std::iter::once(request.group).chain(request.by).collect(),
        weather: request.weather.clone(),
        measure: request.measure,
        method: IntervalMethod::Exact,
        level: request.level,
        only,
    };
    let table = rates(ledger, &asked)?;
    // Volleys of a whole group are larger than those of its strata, and so is the design effect.
    let undivided = match request.by {
        Some(_) => Some(rates(ledger, &RatesRequest { by: vec![request.group], ..asked })?),
        None => None,
    };
    let mut whole = Pair::default();
    let mut strata: BTreeMap<Option<String>, Pair> = BTreeMap::new();
    // A filter may have let in more than the two.
    let which = |name: Option<&Option<String>>| {
        let name = name.and_then(Option::as_deref).map(comparable_name);
        wanted.iter().position(|w| Some(w) == name.as_ref())
    };
    for row in &undivided.as_ref().unwrap_or(&table).rows {
        if let Some(which) = which(row.names.first()) {
            add(&mut whole, which, &row.rate);
        }
    }
    for row in table.rows.iter().filter(|_| request.by.is_some()) {
        if let (Some(which), Some(stratum)) = (which(row.names.first()), row.names.get(1)) {
            add(strata.entry(stratum.clone()).or_default(), which, &row.rate);
        }
    }
    let read = |open: [Open; 2]| -> Result<Reading, RatesError> {
        let tallies = |pair: &Pair| [Tally::new(pair.counts[0], open[0]), Tally::new(pair.counts[1], open[1])];
        let [first, second] = tallies(&whole);
        let mut answer = reading(first, second, whole.effects, request.level)?;
        if request.by.is_some() {
            let within = strata.iter().map(|(name, pair)| (name.clone(), tallies(pair), pair.effects));
            answer.strata = Some(stratified(within.collect(), request.level)?);
        }
        Ok(answer)
    };
    let if_circuit = read([Open::Circuit, Open::Circuit])?;
    // Without unresolved shots all readings are one, and the exact tests take a while in large tables.
    let if_igniter = if whole.counts.iter().all(|counts| counts.unresolved == 0) {
        if_circuit.clone()
    } else {
        read([Open::Igniter, Open::Igniter])?
    };
    let both_open = whole.counts.iter().all(|counts| counts.unresolved > 0);
    let mixed = |open| both_open.then(|| read(open)).transpose();
    let group = |which: usize| -> Result<ComparedGroup, RatesError> {
        let rate = Rate::new(whole.counts[which], IntervalMethod::Exact, request.level)?;
        Ok(ComparedGroup { name: request.names[which].trim().to_owned(), rate })
    };
    let mut comparison = Comparison {
        of: request.group.word(),
        measure: request.measure.word(),
        level: request.level,
        first: group(0)?,
        second: group(1)?,
        shown: Shown::Nothing,
        sentences: Vec::new(),
        by: request.by.map(Group::word),
        volleys: table.volleys,
        if_circuit,
        if_igniter,
        if_first_igniter: mixed([Open::Igniter, Open::Circuit])?,
        if_second_igniter: mixed([Open::Circuit, Open::Igniter])?,
    };
    comparison.shown = shown(&comparison);
    comparison.sentences = compare_words::sentences(&comparison, request.measure);
    Ok(comparison)
}

/// What one reading shows at a p-value: which way the difference goes, 0 for none; none where nothing can be said.
fn direction(reading: &Reading, p: Option<f64>, level: f64) -> Option<i8> {
    let (difference, p) = (reading.difference?, p?);
    // 1 − 0.95 is a hair above 0.05.
    let is_shown = p <= 1.0 - level + 1e-12;
    Some(if !is_shown {
        0
    } else if difference.value > 0.0 {
        1
    } else {
        -1
    })
}

fn shown(comparison: &Comparison) -> Shown {
    let plain = shown_at(comparison, |r| r.p_value);
    match shown_at(comparison, |r| r.clustered.map(|c| c.p)) {
        Shown::Difference => Shown::Difference,
        _ if plain == Shown::Difference => Shown::DependsOnVolleys,
        _ => plain,
    }
}

fn shown_at(comparison: &Comparison, p: impl Fn(&Reading) -> Option<f64>) -> Shown {
    let all: Vec<Option<i8>> = comparison.readings().map(|r| direction(r, p(r), comparison.level)).collect();
    match all.first().copied() {
        Some(first) if all.iter().all(|d| *d == first) => match first {
            None => Shown::Nothing,
            Some(0) => Shown::NoDifference,
            Some(_) => Shown::Difference,
        },
        _ => Shown::DependsOnUnresolved,
    }
}

/// Takes a text apart at the comma that leaves the names of two things of a grouping; names may hold commas.
///
/// Where no comma does, the only one is taken, so that the name that is missing can be told.
#[must_use]
pub fn pair_named(ledger: &Ledger, group: Group, text: &str) -> Option<[String; 2]> {
    let axis = axis(ledger, group);
    let halves = || text.match_indices(',').map(|(at, _)| (text[..at].trim(), text[at + 1..].trim()));
    let pair = |(a, b): (&str, &str)| [a.to_owned(), b.to_owned()];
    if let Some(both) = halves().find(|(a, b)| axis.has(a) && axis.has(b)) {
        return Some(pair(both));
    }
    let mut all = halves();
    match (all.next(), all.next()) {
        (Some(only), None) if !only.0.is_empty() && !only.1.is_empty() => Some(pair(only)),
        _ => None,
    }
}
