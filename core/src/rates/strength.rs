//! Strengths of those that fired, from 1 to 5: how often each was given, and whether one group's are higher.
//!
//! A grade is an observer's, and observers differ; of several the median counts. Only the order of the grades is used.

use embertally_stats::{OrdinalError, mann_whitney};
use serde::Serialize;

use super::columns::{Axis, axis, filters};
use super::group::Group;
use super::percent::percent;
use super::table::RatesError;
use crate::facts::comparable_name;
use crate::ledger::{Class, Ledger, Measure, WeatherField};

/// The grades of one group.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Default)]
pub struct Grades {
    /// Shots that fired.
    pub fired: u64,
    /// Of them, those that were graded.
    pub graded: u64,
    /// How often each grade was given, from 1 to 5.
    pub counts: [u64; 5],
    /// The middle grade, the lower of two; null without any.
    pub median: Option<u8>,
}

/// The grades of groups, ordered by the names.
#[derive(Debug, Clone, PartialEq)]
pub struct StrengthTable {
    /// By what.
    pub by: Vec<Group>,
    /// Names and grades.
    pub rows: Vec<(Vec<Option<String>>, Grades)>,
}

impl StrengthTable {
    /// Returns the table as the JSON object of the contract.
    #[must_use]
    pub fn to_json(&self) -> serde_json::Value {
        let row = |(names, grades): &(Vec<Option<String>>, Grades)| {
            let mut object = serde_json::to_value(grades).unwrap_or_default();
            for (group, name) in self.by.iter().zip(names) {
                object[group.word()] = name.clone().into();
            }
            object
        };
        serde_json::json!({ "rows": self.rows.iter().map(row).collect::<Vec<_>>() })
    }
}

/// The probability that a shot of the first group is graded above one of the second, a tie as one half.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Superiority {
    /// The estimate.
    pub value: f64,
    /// The low end of Newcombe's interval.
    pub low: f64,
    /// The high end.
    pub high: f64,
}

/// Two groups' grades compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StrengthComparison {
    /// What the two are.
    pub of: &'static str,
    /// Their names.
    pub names: [String; 2],
    /// The first's grades.
    pub first: Grades,
    /// The second's.
    pub second: Grades,
    /// The level of the interval; a difference is shown where p is at most what is left of 1.
    pub level: f64,
    /// The two-sided Mann–Whitney p-value; null where one of them was not graded.
    pub p_value: Option<f64>,
    /// Whether it is exact.
    pub is_exact: Option<bool>,
    /// The effect size; null as above.
    pub superiority: Option<Superiority>,
    /// Cliff's delta: above less below; null as above.
    pub cliffs_delta: Option<f64>,
    /// Whether a difference is shown.
    pub shown: bool,
    /// The sentence to read out.
    pub sentence: String,
}

/// Returns the grades by a grouping; groups without a shot that fired are left out.
///
/// # Errors
/// [`RatesError`]: a name that nothing has.
pub fn strengths(
    ledger: &Ledger,
    by: &[Group],
    weather: &[WeatherField],
    only: &[(Group, String)],
) -> Result<StrengthTable, RatesError> {
    let kept = filters(ledger, only)?;
    let parts = |group: &Group| match group {
        Group::Weather => weather.iter().map(|p| axis(ledger, Group::Part(*p))).collect(),
        other => vec![axis(ledger, *other)],
    };
    let axes: Vec<Vec<Axis<'_>>> = by.iter().map(parts).collect();
    let mut groups: std::collections::BTreeMap<Vec<Option<String>>, Grades> = std::collections::BTreeMap::new();
    let classes = ledger.columns().class(Measure::Slow);
    for (row, _) in classes.iter().enumerate().filter(|(_, class)| **class != Class::NotCounted.number()) {
        if !kept.iter().all(|axis| axis.keeps(row)) {
            continue;
        }
        let Some(shot) = ledger.shot_at(row) else { continue };
        let name = |axes: &Vec<Axis<'_>>| match axes.as_slice() {
            [one] => one.name_at(row),
            many => Some(many.iter().map(|a| a.name_at(row).unwrap_or_default()).collect::<Vec<_>>().join(", ")),
        };
        let grades = groups.entry(axes.iter().map(name).collect()).or_default();
        grades.fired += 1;
        let place = shot.finding.strength.and_then(|s| usize::from(s).checked_sub(1));
        if let Some(count) = place.and_then(|p| grades.counts.get_mut(p)) {
            *count += 1;
            grades.graded += 1;
        }
    }
    for grades in groups.values_mut() {
        let middle = grades.graded.div_ceil(2);
        let mut seen = 0;
        let found = (1..).zip(grades.counts).find(|(_, count)| {
            seen += count;
            seen >= middle
        });
        grades.median = found.filter(|_| grades.graded > 0).map(|(grade, _)| grade);
    }
    Ok(StrengthTable { by: by.to_vec(), rows: groups.into_iter().collect() })
}

/// Compares the grades of two things of a grouping by the Mann–Whitney test.
///
/// # Errors
/// [`RatesError`]: a name that nothing has, the same name twice, a level out of range.
pub fn compare_strengths(
    ledger: &Ledger,
    group: Group,
    names: &[String; 2],
    level: f64,
    only: &[(Group, String)],
) -> Result<StrengthComparison, RatesError> {
    let [a, b] = names.each_ref().map(|n| n.trim().to_owned());
    if comparable_name(&a) == comparable_name(&b) {
        return Err(RatesError::Same { name: a });
    }
    let one = |name: &str| {
        let mut only = only.to_vec();
        only.push((group, name.to_owned()));
        Ok::<_, RatesError>(strengths(ledger, &[], &[], &only)?.rows.pop().map(|(_, g)| g).unwrap_or_default())
    };
    let (first, second) = (one(&a)?, one(&b)?);
    let found = match mann_whitney(&first.counts, &second.counts, level) {
        Ok(found) => Some(found),
        Err(OrdinalError::Stats(error)) => return Err(error.into()),
        Err(_) => None,
    };
    let shown = found.is_some_and(|f| f.p_value <= 1.0 - level + 1e-12);
    let sentence = match found {
        None => {
            format!("{a}: {} graded; {b}: {}. One of them has none, so nothing is shown.", first.graded, second.graded)
        }
        Some(f) if !shown => format!(
            "{} against {} grades: no difference is shown (p = {:.4}); that is not the same as no difference.",
            first.graded, second.graded, f.p_value
        ),
        Some(f) => {
            let (strong, weak, s) = if f.superiority.value > 0.5 {
                (&a, &b, [f.superiority.value, f.superiority.low, f.superiority.high])
            } else {
                (&b, &a, [1.0 - f.superiority.value, 1.0 - f.superiority.high, 1.0 - f.superiority.low])
            };
            format!(
                "{strong} is stronger than {weak} (p = {:.4}): a shot of it is graded higher in {} of pairs, ties as one \
                 half ({} to {}, {} interval).",
                f.p_value,
                percent(s[0]),
                percent(s[1]),
                percent(s[2]),
                percent(level),
            )
        }
    };
    Ok(StrengthComparison {
        of: group.word(),
        names: [a, b],
        first,
        second,
        level,
        p_value: found.map(|f| f.p_value),
        is_exact: found.map(|f| f.is_exact),
        superiority: found.map(|f| Superiority {
            value: f.superiority.value,
            low: f.superiority.low,
            high: f.superiority.high,
        }),
        cliffs_delta: found.map(|f| f.delta.value),
        shown,
        sentence,
    })
}
