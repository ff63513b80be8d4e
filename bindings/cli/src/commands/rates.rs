//! Rates and pairings.

use std::collections::BTreeSet;

use embertally_core::chart::{BarStyle, bars};
use embertally_core::ledger::Measure;
use embertally_core::rates::{
    FALSE_DISCOVERY, Group, PairingsRequest, Ranking, Rate, RateTable, RatesError, RatesRequest, Rules, Verdict,
    VolleyCorrelation, ranking, rates as all_rates, weather_field,
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
        RatesError::Group(_)
        | RatesError::Stats(_)
        | RatesError::Times(_)
        | RatesError::Shrinkage(_)
        | RatesError::Same { .. } => CliError::Usage(sentence(&error.to_string())),
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
    let (low, high) = rate.shown();
    format!("{} to {}", percent(low), percent(high))
}

/// Says by how much intervals are widened because shots of one volley are alike.
pub(crate) fn volleys(found: &VolleyCorrelation) -> Option<String> {
    match (found.basis, found.correlation) {
        ("estimated", Some(rho)) => Some(format!(
            "Shots of one volley are alike: correlation {rho:.2} ({:.2} to {:.2}, from {} of two and more). Intervals \
             are widened for {:.2}, its upper limit.",
            found.low,
            found.high,
            counted(found.volleys as usize, "volley", "volleys"),
            found.used
        )),
        ("singles", _) => None,
        _ => Some(format!(
            "Too few failures to know how alike shots of one volley are (in {} of two and more): intervals count each \
             volley as one shot, the conservative bound. --json has them by shots too.",
            counted(found.volleys as usize, "volley", "volleys")
        )),
    }
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
    if let Some(said) = volleys(&found.volleys) {
        say(&said);
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
    shrinkage_prior: &'static str,
    false_discovery: f64,
    #[serde(flatten)]
    ranking: &'a Ranking,
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
    let found = ranking(&ledger, &request).map_err(|e| rates_error(&e))?;
    if context.json {
        let answer = JsonPairings {
            tolerable: request.rules.tolerable,
            interval: request.method.name(),
            level: request.level,
            rules: request.rules,
            prior: "Jeffreys: Beta(1/2, 1/2), each pairing by itself",
            shrinkage_prior: "Beta, its mean by Jeffreys and 1/(1+strength) uniform, estimated from all rows",
            false_discovery: FALSE_DISCOVERY,
            ranking: &found,
        };
        return json(&Answer::new(answer, session.problems()));
    }
    print_pairings(&request, &found)
}

/// How wide an interval is drawn, in characters.
const BAR_WIDTH: usize = 34;

/// Prints pairings worst first, each with its interval drawn.
pub(crate) fn print_pairings(request: &PairingsRequest, all: &Ranking) -> Result<(), CliError> {
    let found = all.rows.as_slice();
    if found.is_empty() {
        return line("No shot counts for this yet.");
    }
    say(&format!(
        "Pairings, worst first; {} of failures are tolerable; {} interval, {}.",
        percent(request.rules.tolerable),
        percent(request.level),
        request.method
    ));
    let drawings: Vec<_> = found.iter().flat_map(|p| &p.measures).map(|m| figures(&m.rate)).collect();
    let style = if fancy() { BarStyle::Drawn } else { BarStyle::Plain };
    let bars = bars(&drawings, request.rules.tolerable, BAR_WIDTH, style);
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
                percent(judged.shrunk.rate),
                if judged.worse_than_rest.flag { "worse".to_owned() } else { String::new() },
            ]);
        }
    }
    let tolerable = format!("above {}", percent(request.rules.tolerable));
    let headers = [
        "lot",
        "fuse",
        "verdict",
        "measure",
        "failed",
        "open",
        bars.scale.as_str(),
        tolerable.as_str(),
        "with all",
        "than rest",
    ];
    line(&table(&headers, &[4, 5, 7, 8], rows))?;
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
        let past: BTreeSet<String> = open
            .iter()
            .filter_map(|p| Some(format!("{} ({})", clean(p.lot.as_deref()?), p.past_use_by.as_deref()?)))
            .collect();
        if !past.is_empty() {
            let past = past.into_iter().collect::<Vec<_>>().join(", ");
            line(&format!("  Past their use-by among them: {past}; that is a flag, and no part of the verdict."))?;
        }
    }
    for together in &all.together {
        line(&format!(
            "All pairings together, {}: {} ({} to {}), which weighs as much as {:.0} shots ({:.0} to {:.0}).",
            together.measure,
            percent(together.mean),
            percent(together.mean_low),
            percent(together.mean_high),
            together.strength,
            together.strength_low,
            together.strength_high,
        ))?;
    }
    say(&format!(
        "With all: the rate as all pairings together show it, no part of the verdict. Worse: than all others together; at \
         most {} of these are false on average.",
        percent(FALSE_DISCOVERY)
    ));
    for measured in &all.volleys {
        if let Some(said) = volleys(&measured.correlation) {
            say(&format!("{}: {said}", measured.measure));
        }
    }
    say(&format!("\n{CAUTION}"));
    Ok(())
}
