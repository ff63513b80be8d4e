//! Delays from pulse to first light.

use clap::Args;
use embertally_core::rates::{
    DelayComparison, DelayFigures, DelayTable, DelaysRequest, Group, compare_delays, delays as all_delays, pair_named,
    weather_field,
};
use embertally_stats::Law;

use super::Context;
use super::rates::{filter, parsed, parts, rates_error};
use crate::error::{CliError, sentence};
use crate::output::{Answer, CAUTION, json, line, percent, say, table};

#[derive(Debug, Args)]
pub(crate) struct DelaysArgs {
    /// By what: lot, fuse, type, module, outing, wiring, weather, wet, temperature, humidity, wind
    #[arg(long, value_delimiter = ',', default_value = "lot")]
    by: Vec<String>,
    /// Two of the first grouping side by side, such as KB-104,KB-105
    #[arg(long, value_name = "A,B")]
    compare: Option<String>,
    /// Delay above which a shot is slow [default: that of the outings, where they agree]
    #[arg(long, value_name = "MS")]
    limit_ms: Option<f64>,
    /// Share of units to bound
    #[arg(long, default_value_t = 0.95)]
    share: f64,
    /// With which confidence
    #[arg(long, default_value_t = 0.90)]
    confidence: f64,
    /// Confidence of the intervals
    #[arg(long, default_value_t = 0.95)]
    level: f64,
    /// Which law the words go by: log-normal or weibull
    #[arg(long, default_value = "log-normal")]
    law: String,
    /// What makes up the weather: wet, temperature, humidity, wind
    #[arg(long, value_delimiter = ',', default_value = "wet,temperature")]
    weather_parts: Vec<String>,
    /// Only shots of this group, such as fuse=cord (again for more)
    #[arg(long = "where", value_name = "KEY=VALUE")]
    only: Vec<String>,
}

pub(super) fn delays(context: &Context, args: &DelaysArgs) -> Result<(), CliError> {
    let weather =
        parts(&args.weather_parts, |t| weather_field(t).map_err(|e| CliError::Usage(sentence(&e.to_string()))))?;
    let request = DelaysRequest {
        by: parts(&args.by, parsed::<Group>)?,
        weather,
        limit_ms: args.limit_ms,
        share: args.share,
        bound_confidence: args.confidence,
        level: args.level,
        law: parsed::<Law>(&args.law)?,
        only: filter(&args.only)?,
    };
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    if let Some(text) = &args.compare {
        let (group, names) = two_of(&ledger, &request.by, text)?;
        let found = compare_delays(&ledger, group, &names, &request).map_err(|e| rates_error(&e))?;
        if context.json {
            return json(&Answer::new(found, session.problems()));
        }
        return print_comparison(&found, &request);
    }
    let found = all_delays(&ledger, &request).map_err(|e| rates_error(&e))?;
    if context.json {
        return json(&Answer::new(found.to_json(), session.problems()));
    }
    print_delays(&found)
}

/// Reads which two of the grouping are meant.
pub(super) fn two_of(
    ledger: &embertally_core::ledger::Ledger,
    by: &[Group],
    text: &str,
) -> Result<(Group, [String; 2]), CliError> {
    let group = match by {
        [Group::Weather] | [] | [_, _, ..] => {
            let message =
                "--compare takes one grouping, which is not the weather as a whole: such as --by lot or --by wet.";
            return Err(CliError::Usage(message.to_owned()));
        }
        [group] => *group,
    };
    let names = pair_named(ledger, group, text);
    let names =
        names.ok_or_else(|| CliError::Usage(format!("Name two {group}s to compare, such as --compare A,B.")))?;
    Ok((group, names))
}

fn ms(value: f64) -> String {
    if value < 10.0 { format!("{value:.1}") } else { format!("{value:.0}") }
}

fn or_unknown(value: Option<f64>) -> String {
    value.map_or_else(|| "unknown".to_owned(), ms)
}

fn cells(figures: &DelayFigures, law: Law) -> Vec<String> {
    let fit = figures.fits.iter().find(|f| f.law == law.name());
    let slow = figures.slow.map_or_else(String::new, |s| match s.possibly - s.surely {
        0 => s.surely.to_string(),
        open => format!("{} to {}", s.surely, s.surely + open),
    });
    vec![
        format!("{} of {}", figures.measured, figures.fired),
        slow,
        figures.slow.map_or_else(String::new, |s| format!("{} to {}", percent(s.low), percent(s.high))),
        fit.map_or_else(
            || "unknown".to_owned(),
            |f| {
                let high = f.median_ms.high.map_or_else(|| "no bound".to_owned(), ms);
                format!("{} ({} to {high})", ms(f.median_ms.value), ms(f.median_ms.low))
            },
        ),
        or_unknown(fit.and_then(|f| f.bound_ms)),
        or_unknown(figures.bound_any_law_ms),
        figures
            .spread
            .map_or_else(String::new, |s| format!("{} ({} to {})", ms(s.deviation_ms), ms(s.low_ms), ms(s.high_ms))),
    ]
}

fn print_table(
    names: &[&str],
    rows: Vec<(Vec<String>, &DelayFigures)>,
    request: &DelaysRequest,
) -> Result<(), CliError> {
    let bound = format!("{} under, if {}", percent(request.share), request.law);
    let any = format!("{} under, any law", percent(request.share));
    let mut headers = names.to_vec();
    headers.extend(["timed", "slow", "slow share", "median ms", bound.as_str(), any.as_str(), "within a volley, ms"]);
    let rows = rows.into_iter().map(|(mut cells_of_row, figures)| {
        cells_of_row.extend(cells(figures, request.law));
        cells_of_row
    });
    line(&table(&headers, &[], rows.collect()))
}

fn print_words(request: &DelaysRequest) {
    say(&format!(
        "Times in ms; {} intervals, bounds with {} confidence. Delays across the limit are between \"slow\" and not. Of \
         shots that were not timed nothing is known. Shots of one volley are taken as independent, except in their spread.",
        percent(request.level),
        percent(request.bound_confidence),
    ));
    say(&format!("\n{CAUTION}"));
}

fn print_delays(found: &DelayTable) -> Result<(), CliError> {
    if found.rows.is_empty() {
        return line("No shot that fired counts for this yet.");
    }
    let request = &found.request;
    let names: Vec<&str> = request.by.iter().map(|g| g.word()).collect();
    let row = |row: &embertally_core::rates::DelayRow| {
        row.names.iter().map(|n| n.clone().unwrap_or_else(|| "none".to_owned())).collect::<Vec<_>>()
    };
    print_table(&names, found.rows.iter().map(|r| (row(r), &r.figures)).collect(), request)?;
    line("")?;
    for row in &found.rows {
        line(&row.sentence)?;
        for reason in &row.figures.not_said {
            line(&format!("  Not said: {reason}."))?;
        }
    }
    print_words(request);
    Ok(())
}

fn print_comparison(found: &DelayComparison, request: &DelaysRequest) -> Result<(), CliError> {
    let [a, b] = &found.names;
    let rows = vec![(vec![a.clone()], &found.first), (vec![b.clone()], &found.second)];
    print_table(&[found.of], rows, request)?;
    line("")?;
    for said in &found.sentences {
        line(said)?;
    }
    print_words(request);
    Ok(())
}
