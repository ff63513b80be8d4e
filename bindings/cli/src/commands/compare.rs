//! Two groups side by side.

use clap::Args;
use embertally_core::ledger::{Ledger, Measure};
use embertally_core::rates::{
    CompareRequest, ComparedGroup, Comparison, Group, Reading, Stratified, TrendRequest, compare as compare_groups,
    pair_named, weather_field,
};

use super::Context;
use super::rates::{filter, parsed, parts, rates_error};
use crate::error::{CliError, sentence};
use crate::output::{Answer, CAUTION, json, line, percent, say, table};

#[derive(Debug, Args)]
#[group(id = "compared", required = true, multiple = false)]
pub(crate) struct What {
    /// Two lots, such as KB-104,KB-105 (or the option twice)
    #[arg(long, value_name = "A,B")]
    lots: Vec<String>,
    /// Two fuses
    #[arg(long, value_name = "A,B")]
    fuses: Vec<String>,
    /// Two of another grouping, such as wet=dry,wet (type, module, outing, wiring, temperature, humidity, wind)
    #[arg(long, value_name = "GROUP=A,B")]
    of: Option<String>,
    /// Not two groups but a trend along age (of the lot), temperature, humidity or wind
    #[arg(long, value_name = "WHAT")]
    trend: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct CompareArgs {
    #[command(flatten)]
    what: What,
    /// Also within strata: weather, outing, fuse, module, wiring, wet, temperature, humidity, wind
    #[arg(long)]
    by: Option<String>,
    /// ignition, slow, transfer or end-to-end
    #[arg(long, default_value = "ignition")]
    measure: String,
    /// Confidence of the intervals; a difference is shown where p is at most what is left of 1
    #[arg(long, default_value_t = 0.95)]
    level: f64,
    /// What makes up the weather: wet, temperature, humidity, wind
    #[arg(long, value_delimiter = ',', default_value = "wet,temperature")]
    weather_parts: Vec<String>,
    /// Only shots of this group, such as fuse=cord (again for more)
    #[arg(long = "where", value_name = "KEY=VALUE")]
    only: Vec<String>,
}

/// Reads which two are meant: one text with a comma, or two.
fn two(what: &What, ledger: &Ledger) -> Result<(Group, [String; 2]), CliError> {
    let (group, texts) = match &what.of {
        Some(of) => {
            let (group, names) = of
                .split_once('=')
                .ok_or_else(|| CliError::Usage(format!("--of {of:?} is not GROUP=A,B, such as wet=dry,wet.")))?;
            (parsed::<Group>(group)?, vec![names.to_owned()])
        }
        None if what.fuses.is_empty() => (Group::Lot, what.lots.clone()),
        None => (Group::Fuse, what.fuses.clone()),
    };
    if group == Group::Weather {
        let message = "The weather as a whole is not one of two; name one part of it, such as --of wet=dry,wet.";
        return Err(CliError::Usage(message.to_owned()));
    }
    let names = match texts.as_slice() {
        [text] => pair_named(ledger, group, text),
        [first, second] => Some([first.clone(), second.clone()]),
        _ => None,
    };
    let names = names.ok_or_else(|| {
        CliError::Usage(format!("Name two {group}s to compare: A,B, or the option twice where a name has a comma."))
    })?;
    Ok((group, names))
}

pub(super) fn compare(context: &Context, args: &CompareArgs) -> Result<(), CliError> {
    if let Some(along) = &args.what.trend {
        if args.by.is_some() {
            return Err(CliError::Usage("A trend is not looked for within strata; leave out --by.".to_owned()));
        }
        let request = TrendRequest {
            along: parsed(along)?,
            measure: parsed::<Measure>(&args.measure)?,
            level: args.level,
            only: filter(&args.only)?,
        };
        return super::trend::trend(context, &request);
    }
    let by = args.by.as_deref().map(parsed::<Group>).transpose()?;
    let weather =
        parts(&args.weather_parts, |t| weather_field(t).map_err(|e| CliError::Usage(sentence(&e.to_string()))))?;
    let measure = parsed::<Measure>(&args.measure)?;
    let only = filter(&args.only)?;
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let (group, names) = two(&args.what, &ledger)?;
    let request = CompareRequest { group, names, by, weather, measure, level: args.level, only };
    let found = compare_groups(&ledger, &request).map_err(|e| rates_error(&e))?;
    if context.json {
        return json(&Answer::new(found, session.problems()));
    }
    print_comparison(&found)
}

fn points(share: f64) -> String {
    let sign = if share < 0.0 { "−" } else { "" };
    format!("{sign}{}", percent(share.abs()))
}

/// A ratio with its ends; an end that is not there is no bound.
fn ratio(value: Option<f64>, low: f64, high: Option<f64>) -> String {
    let number = |n: f64| match n {
        0.0 => "0".to_owned(),
        n if n < 0.01 => format!("{n:.4}"),
        n => format!("{n:.2}"),
    };
    let value = value.map_or_else(|| "no estimate".to_owned(), number);
    let high = high.map_or_else(|| "no bound".to_owned(), number);
    format!("{value} ({} to {high})", number(low))
}

fn print_comparison(found: &Comparison) -> Result<(), CliError> {
    say(&format!("{}; {} intervals.", found.measure, percent(found.level)));
    let group = |g: &ComparedGroup| {
        vec![
            g.name.clone(),
            format!("{} of {}", g.rate.failures, g.rate.shots - g.rate.unresolved),
            g.rate.rate.map_or_else(|| "unknown".to_owned(), percent),
            format!("{} to {}", percent(g.rate.low), percent(g.rate.high)),
            g.rate.unresolved.to_string(),
        ]
    };
    let headers = [found.of, "failed", "rate", "interval", "unresolved"];
    line(&table(&headers, &[1, 2, 4], vec![group(&found.first), group(&found.second)]))?;
    line("")?;
    let readings = named_readings(found);
    let rows: Vec<Vec<String>> = readings.iter().map(|(name, r)| reading_row(name, r)).collect();
    line(&table(&["unresolved as", "difference", "volleys alike", "odds ratio", "p", "volleys alike"], &[], rows))?;
    for (name, reading) in &readings {
        if let (Some(by), Some(strata)) = (found.by, &reading.strata) {
            print_strata(found, by, name, strata)?;
        }
    }
    line("")?;
    for said in &found.sentences {
        line(said)?;
    }
    say(match found.volleys.basis {
        "singles" => "No volley has two shots that count, so shots are taken as independent.",
        "estimated" => {
            "Shots of one volley are alike: the columns with volleys alike divide counts by the design effect. Odds ratio and \
             exact tests take shots as independent."
        }
        _ => {
            "Too few volleys tell how alike their shots are: in the columns with volleys alike each volley counts as one shot. \
             Odds ratio and exact tests take shots as independent."
        }
    });
    say(&format!("\n{CAUTION}"));
    Ok(())
}

/// Without unresolved shots all readings are one.
fn named_readings(found: &Comparison) -> Vec<(String, &Reading)> {
    if !found.has_unresolved() {
        return vec![("none".to_owned(), &found.if_circuit)];
    }
    let crossed = |g: &ComparedGroup| format!("{}'s the igniter's only", g.name);
    let mut all =
        vec![("the circuit's".to_owned(), &found.if_circuit), ("the igniter's".to_owned(), &found.if_igniter)];
    all.extend(found.if_first_igniter.as_ref().map(|r| (crossed(&found.first), r)));
    all.extend(found.if_second_igniter.as_ref().map(|r| (crossed(&found.second), r)));
    all
}

fn reading_row(name: &str, reading: &Reading) -> Vec<String> {
    let difference = reading.difference.map_or_else(
        || "unknown".to_owned(),
        |d| format!("{} ({} to {})", points(d.value), points(d.low), points(d.high)),
    );
    let odds = reading.odds_ratio.map_or_else(|| "unknown".to_owned(), |o| ratio(o.conditional, o.low, o.high));
    let p = match (reading.p_value, reading.p_method) {
        (Some(p), Some(method)) => match reading.p_values {
            Some(all) if all.barnard.is_some() => {
                format!("{p:.4} ({method}); Fisher {:.4}, Barnard {:.4}", all.fisher, all.barnard.unwrap_or(1.0))
            }
            _ => format!("{p:.4} ({method})"),
        },
        _ => "unknown".to_owned(),
    };
    let alike = reading.clustered.map_or_else(
        || ["unknown".to_owned(), "unknown".to_owned()],
        |c| [format!("{} to {}", points(c.low), points(c.high)), format!("{:.4}", c.p)],
    );
    let [range, p_alike] = alike;
    vec![name.to_owned(), difference, range, odds, p, p_alike]
}

fn print_strata(found: &Comparison, by: &str, reading: &str, strata: &Stratified) -> Result<(), CliError> {
    line("")?;
    if found.has_unresolved() {
        line(&format!("Unresolved as {reading}:"))?;
    }
    let rows = strata.strata.iter().map(|s| {
        let of = |t: embertally_core::rates::Tally| format!("{} of {}", t.failures, t.shots);
        vec![
            s.name.clone().unwrap_or_else(|| "none".to_owned()),
            of(s.first),
            of(s.second),
            if s.informative { String::new() } else { "says nothing".to_owned() },
        ]
    });
    line(&table(&[by, &found.first.name, &found.second.name, ""], &[1, 2], rows.collect()))?;
    if let Some(odds) = strata.odds_ratio {
        let interval = match (odds.low, odds.high) {
            (Some(low), high) => ratio(odds.value, low, high),
            _ => format!("{}, without an interval", odds.value.map_or("infinite".to_owned(), |v| format!("{v:.2}"))),
        };
        let ends = strata.clustered.and_then(|c| Some((c.low?, c.high?)));
        let alike = ends.map_or_else(String::new, |(low, high)| format!("; with volleys alike {low:.2} to {high:.2}"));
        line(&format!("Common odds ratio: {interval}{alike}."))?;
    }
    if let Some(test) = strata.test {
        let alike = strata.clustered.map_or_else(String::new, |c| format!("; with volleys alike p {:.4}", c.p));
        line(&format!("Cochran–Mantel–Haenszel: chi-square {:.2}, p {:.4}{alike}.", test.statistic, test.p))?;
    }
    if let Some(alike) = strata.homogeneity {
        let (statistic, p, degrees) = (alike.statistic, alike.p, alike.degrees);
        line(&format!("Breslow–Day with Tarone's correction: chi-square {statistic:.2} on {degrees}, p {p:.4}."))?;
    }
    Ok(())
}
