//! A trend along the age of lots or the weather.

use embertally_core::rates::{TrendFound, TrendReading, TrendRequest, trend as find_trend};

use super::Context;
use super::rates::rates_error;
use crate::error::CliError;
use crate::output::{Answer, CAUTION, json, line, say, table};

/// The most lines that scores are shown in one by one.
const MOST_LINES: usize = 40;

pub(super) fn trend(context: &Context, request: &TrendRequest) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let found = find_trend(&ledger, request).map_err(|e| rates_error(&e))?;
    if context.json {
        return json(&Answer::new(found, session.problems()));
    }
    print_trend(&found)
}

fn test(reading: &TrendReading, unit: &str) -> String {
    match (reading.z, reading.p, reading.slope) {
        (Some(z), Some(p), Some(slope)) => {
            let points = format!("{:+.2} points for 1 {unit} more", 100.0 * slope).replace('-', "−");
            let alike = reading.p_clustered.unwrap_or(p);
            format!("z {z:.2}, p {p:.4} (with volleys alike {alike:.4}); {points} (Cochran–Armitage).")
        }
        _ => format!("nothing can be said: {}.", reading.refusal.as_deref().unwrap_or("no shots")),
    }
}

fn print_trend(found: &TrendFound) -> Result<(), CliError> {
    say(&format!("{} along {}, in {}.", found.measure, found.trend, found.unit));
    let open = found.groups.iter().any(|g| g.unresolved > 0);
    if found.groups.len() <= MOST_LINES && !found.groups.is_empty() {
        let rows = found.groups.iter().map(|g| {
            let failed = format!("{} of {}", g.failures, g.shots - g.unresolved);
            let unresolved = if g.unresolved == 0 { String::new() } else { g.unresolved.to_string() };
            vec![format!("{}", (g.score * 100.0).round() / 100.0), failed, unresolved]
        });
        line(&table(&[found.trend, "failed", if open { "unresolved" } else { "" }], &[0, 1, 2], rows.collect()))?;
    }
    line(&format!("Test: {}", test(&found.if_circuit, found.unit)))?;
    if open {
        line(&format!("With every unresolved shot as a failure: {}", test(&found.if_igniter, found.unit)))?;
    }
    line(&found.sentence)?;
    if found.left_out > 0 {
        say(&format!("Left out: {} of which the log does not say the {}.", found.left_out, found.trend));
    }
    say(
        "Shots of one volley are alike: the p-value with volleys alike divides the counts at each score by their design effect.",
    );
    say(&format!("\n{CAUTION}"));
    Ok(())
}
