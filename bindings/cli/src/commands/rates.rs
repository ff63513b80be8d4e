//! Rates and pairings.

use embertally_core::chart::{BarStyle, bars};
use embertally_core::ledger::Measure;
use embertally_core::rates::{
    Group, Pairing, PairingsRequest, Rate, RateTable, RatesError, RatesRequest, Rules, Verdict,
    pairings as all_pairings, rates as all_rates, weather_field,
};
use serde::Serialize;

use super::Context;
use crate::args::{IntervalArgs, PairingsArgs, RatesArgs, RuleNumbers};
use crate::error::{CliError, sentence};
use crate::figures::figures;
use crate::output::{Answer, CAUTION, clean, counted, fancy, json, line, percent, say, table};

/// Turns an error about rates into a refusal or a wrong call.
pub(super) fn rates_error(error: &RatesError) -> CliError {
    match error {
        RatesError::Group(_) | RatesError::Stats(_) | RatesError::Same { .. } => {
            CliError::Usage(sentence(&error.to_string()))
        }
        RatesError::NoSuchName { .. } => CliError::refused("E_NO_SUCH_NAME", sentence(&error.to_string())),
    }
}

pub(super) fn parsed<T: std::str::FromStr>(text: &str) -> Result<T, CliError>
where
    T::Err: std::fmt::Display,
{
    text.parse().map_err(|e: T::Err| CliError::Usage(sentence(&e.to_string())))
}

pub(super) fn parts<T>(list: &[String], read: impl Fn(&str) -> Result<T, CliError>) -> Result<Vec<T>, CliError> {
    list.iter().map(|t| t.trim()).filter(|t| !t.is_empty()).map(read).collect()
}

/// Reads `--where KEY=VALUE`.
pub(super) fn only(interval: &IntervalArgs) -> Result<Vec<(Group, String)>, CliError> {
    filter(&interval.only)
}

/// Reads what `--where` was given, as often as it was.
pub(super) fn filter(given: &[String]) -> Result<Vec<(Group, String)>, CliError> {
    let read = |text: &String| {
        let (key, value) = text
            .split_once('=')
            .ok_or_else(|| CliError::Usage(format!("--where {text:?} is not KEY=VALUE, such as lot=KB-104.")))?;
        Ok((parsed::<Group>(key)?, value.trim().to_owned()))
    };
    given.iter().map(read).collect()
}

pub(super) fn rules(numbers: &RuleNumbers) -> Rules {
    Rules {
        tolerable: numbers.tolerable,
        set_aside_from: numbers.set_aside_from,
        restrict_from: numbers.restrict_from,
        use_up_to: numbers.use_up_to,
    }
}

pub(super) fn rates(context: &Context, args: &RatesArgs) -> Result<(), CliError> {
    let request = RatesRequest {
        by: parts(&args.by, parsed::<Group>)?,
        weather: parts(&args.weather_parts, |t| {
            weather_field(t).map_err(|e| CliError::Usage(sentence(&e.to_string())))
        })?,
        measure: parsed::<Measure>(&args.measure)?,
        method: parsed(&args.interval.interval)?,
        level: args.interval.level,
        only: only(&args.interval)?,
    };
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let found = all_rates(&ledger, &request).map_err(|e| rates_error(&e))?;
    if context.json {
        return json(&Answer::new(found.to_json(), session.problems()));
    }
    print_rates(&found)
}

fn of(rate: &Rate) -> String {
    format!("{} of {}", rate.failures, rate.shots - rate.unresolved)
}

fn interval(rate: &Rate) -> String {
    format!("{} to {}", percent(rate.low), percent(rate.high))
}

/// Prints a table of rates.
pub(crate) fn print_rates(found: &RateTable) -> Result<(), CliError> {
    let request = &found.request;
    let what = match request.measure {
        Measure::Ignition => "igniters that failed",
        Measure::Slow => "of those that fired, igniters that were slow",
        Measure::Transfer => "of those that fired at a fuse, fuses that were not lit",
        Measure::EndToEnd => "of shots at a fuse, those that did not light it",
        Measure::Raw => "of pulses, those that did not fire the igniter, whatever the cause",
    };
    say(&format!("{}: {what}; {} interval, {}.", request.measure, percent(request.level), request.method));
    if found.rows.is_empty() {
        return line("No shot counts for this yet.");
    }
    let open = found.rows.iter().any(|r| r.rate.unresolved > 0);
    let mut headers: Vec<&str> = request.by.iter().map(|g| g.word()).collect();
    let mut right: Vec<usize> = (headers.len()..headers.len() + 2).collect();
    headers.extend(["failed", "rate", "interval"]);
    if open {
        right.push(headers.len());
        headers.push("unresolved");
    }
    let rows = found.rows.iter().map(|row| {
        let mut cells: Vec<String> = row.names.iter().map(|n| n.clone().unwrap_or_else(|| "none".to_owned())).collect();
        cells.push(of(&row.rate));
        cells.push(row.rate.rate.map_or_else(|| "unknown".to_owned(), percent));
        cells.push(interval(&row.rate));
        if open {
            cells.push(if row.rate.unresolved == 0 { String::new() } else { row.rate.unresolved.to_string() });
        }
        cells
    });
    line(&table(&headers, &right, rows.collect()))?;
    if open {
        say("Unresolved shots are neither counted nor dropped: the low end takes them all as the circuit's, the high \
             end as the igniter's.");
    }
    Ok(())
}

/// The JSON object of `pairings`.
#[derive(Serialize)]
struct JsonPairings<'a> {
    tolerable: f64,
    interval: &'a str,
    level: f64,
    rules: Rules,
    prior: &'static str,
    rows: &'a [Pairing],
}

pub(super) fn pairings(context: &Context, args: &PairingsArgs) -> Result<(), CliError> {
    let request = PairingsRequest {
        measure: args.measure.as_deref().map(parsed::<Measure>).transpose()?,
        method: parsed(&args.interval.interval)?,
        level: args.interval.level,
        rules: rules(&args.rules),
        only: only(&args.interval)?,
        today: crate::session::now().date(),
    };
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let found = all_pairings(&ledger, &request).map_err(|e| rates_error(&e))?;
    if context.json {
        let answer = JsonPairings {
            tolerable: request.rules.tolerable,
            interval: request.method.name(),
            level: request.level,
            rules: request.rules,
            prior: "Jeffreys: Beta(1/2, 1/2), each pairing by itself",
            rows: &found,
        };
        return json(&Answer::new(answer, session.problems()));
    }
    print_pairings(&request, &found)
}

/// How wide an interval is drawn, in characters.
const BAR_WIDTH: usize = 34;

/// Prints pairings worst first, each with its interval drawn.
pub(crate) fn print_pairings(request: &PairingsRequest, found: &[Pairing]) -> Result<(), CliError> {
    if found.is_empty() {
        return line("No shot counts for this yet.");
    }
    say(&format!(
        "Pairings, worst first; {} of failures are tolerable; {} interval, {}.",
        percent(request.rules.tolerable),
        percent(request.level),
        request.method
    ));
    let all: Vec<_> = found.iter().flat_map(|p| &p.measures).map(|m| figures(&m.rate)).collect();
    let style = if fancy() { BarStyle::Drawn } else { BarStyle::Plain };
    let bars = bars(&all, request.rules.tolerable, BAR_WIDTH, style);
    let mut drawn = bars.lines.into_iter();
    let mut rows = Vec::new();
    for pairing in found {
        for (n, judged) in pairing.measures.iter().enumerate() {
            let head = |text: String| if n == 0 { text } else { String::new() };
            rows.push(vec![
                head(pairing.lot.clone().unwrap_or_default()),
                head(pairing.fuse.clone().unwrap_or_else(|| "none".to_owned())),
                head(pairing.verdict.to_string()),
                judged.measure.to_owned(),
                of(&judged.rate),
                match judged.rate.unresolved {
                    0 => String::new(),
                    n => n.to_string(),
                },
                drawn.next().unwrap_or_default(),
                percent(judged.judged.probability_above),
            ]);
        }
    }
    let tolerable = format!("above {}", percent(request.rules.tolerable));
    let headers = ["lot", "fuse", "verdict", "measure", "failed", "open", bars.scale.as_str(), tolerable.as_str()];
    line(&table(&headers, &[4, 5, 7], rows))?;
    line("")?;
    // The proved and the suspect are read out; those that are open are many and alike.
    let (open, told): (Vec<_>, Vec<_>) = found.iter().partition(|p| p.verdict == Verdict::TestMore);
    for pairing in told {
        let (lot, fuse) =
            (clean(pairing.lot.as_deref().unwrap_or("?")), clean(pairing.fuse.as_deref().unwrap_or("no fuse")));
        line(&format!("{lot} on {fuse}: {}", clean(&pairing.sentence)))?;
        if let Some(use_by) = &pairing.past_use_by {
            line(&format!("  The lot's use-by was {use_by}; that is a flag, and no part of the verdict."))?;
        }
    }
    if !open.is_empty() {
        let needed = open.iter().filter_map(|p| p.clean_shots_needed);
        let range = match (needed.clone().min(), needed.max()) {
            (Some(low), Some(high)) if low == high => format!("{low} more shots"),
            (Some(low), Some(high)) => format!("{low} to {high} more shots"),
            _ => "more shots than can be reckoned".to_owned(),
        };
        let pairings = counted(open.len(), "pairing is", "pairings are");
        line(&format!("{pairings} open: each takes {range} without a failure to clear it."))?;
    }
    say(&format!("\n{CAUTION}"));
    Ok(())
}
