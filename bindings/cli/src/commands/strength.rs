//! Strengths of those that fired.

use clap::Args;
use embertally_core::ledger::WeatherField;
use embertally_core::rates::{Grades, Group, compare_strengths, strengths};

use super::Context;
use super::delays::two_of;
use super::rates::{filter, parsed, parts, rates_error};
use crate::error::CliError;
use crate::output::{Answer, CAUTION, json, line, say, table};

#[derive(Debug, Args)]
pub(crate) struct StrengthArgs {
    /// By what: lot, fuse, type, module, outing, wiring, weather, wet, temperature, humidity, wind
    #[arg(long, value_delimiter = ',', default_value = "lot")]
    by: Vec<String>,
    /// Two of the first grouping side by side, such as KB-104,KB-105
    #[arg(long, value_name = "A,B")]
    compare: Option<String>,
    /// Confidence of the interval
    #[arg(long, default_value_t = 0.95)]
    level: f64,
    /// Only shots of this group, such as fuse=cord (again for more)
    #[arg(long = "where", value_name = "KEY=VALUE")]
    only: Vec<String>,
}

fn row(name: Vec<String>, grades: &Grades) -> Vec<String> {
    let mut cells = name;
    cells.push(format!("{} of {}", grades.graded, grades.fired));
    cells.extend(grades.counts.iter().map(u64::to_string));
    cells.push(grades.median.map_or_else(|| "unknown".to_owned(), |m| m.to_string()));
    cells
}

const HEADS: [&str; 7] = ["graded", "1", "2", "3", "4", "5", "median"];

pub(super) fn strength(context: &Context, args: &StrengthArgs) -> Result<(), CliError> {
    let by = parts(&args.by, parsed::<Group>)?;
    let only = filter(&args.only)?;
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let mut headers: Vec<&str> = by.iter().map(|g| g.word()).collect();
    headers.extend(HEADS);
    if let Some(text) = &args.compare {
        let (group, names) = two_of(&ledger, &by, text)?;
        let found = compare_strengths(&ledger, group, &names, args.level, &only).map_err(|e| rates_error(&e))?;
        if context.json {
            return json(&Answer::new(found, session.problems()));
        }
        let [a, b] = &found.names;
        let rows = vec![row(vec![a.clone()], &found.first), row(vec![b.clone()], &found.second)];
        line(&table(&headers, &[], rows))?;
        line("")?;
        line(&found.sentence)?;
    } else {
        let weather = [WeatherField::Wet, WeatherField::Temperature];
        let found = strengths(&ledger, &by, &weather, &only).map_err(|e| rates_error(&e))?;
        if context.json {
            return json(&Answer::new(found.to_json(), session.problems()));
        }
        if found.rows.is_empty() {
            return line("No shot that fired counts for this yet.");
        }
        let named =
            |names: &[Option<String>]| names.iter().map(|n| n.clone().unwrap_or_else(|| "none".to_owned())).collect();
        line(&table(&headers, &[], found.rows.iter().map(|(names, grades)| row(named(names), grades)).collect()))?;
    }
    say("A grade is an observer's word, and observers differ; of several the median counts.");
    say(&format!("\n{CAUTION}"));
    Ok(())
}
