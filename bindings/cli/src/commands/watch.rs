//! One lot as its shots come in.

use clap::Args;
use embertally_core::facts::Moment;
use embertally_core::ledger::Measure;
use embertally_core::rates::{Decision, Watch, WatchRequest, Watched, watch as watch_lot};

use super::Context;
use super::rates::{filter, parsed, rates_error};
use crate::error::CliError;
use crate::output::{Answer, CAUTION, json, line, percent, say};
use crate::session::{now, readable};

#[derive(Debug, Args)]
pub(crate) struct WatchArgs {
    /// The lot
    #[arg(long)]
    lot: String,
    /// Failure rate at which the lot should be accepted
    #[arg(long, default_value_t = 0.01, value_name = "RATE")]
    good: f64,
    /// Failure rate at which it should be rejected
    #[arg(long, default_value_t = 0.10, value_name = "RATE")]
    bad: f64,
    /// Risk of rejecting a good lot
    #[arg(long, default_value_t = 0.05, value_name = "P")]
    alpha: f64,
    /// Risk of accepting a bad lot
    #[arg(long, default_value_t = 0.10, value_name = "P")]
    beta: f64,
    /// Shots of a good lot between two false alarms that it went bad, on average
    #[arg(long, default_value_t = 1000.0, value_name = "SHOTS")]
    alarm_every: f64,
    /// ignition, slow, transfer or end-to-end
    #[arg(long, default_value = "ignition")]
    measure: String,
    /// Only shots of this group, such as fuse=cord (again for more)
    #[arg(long = "where", value_name = "KEY=VALUE")]
    only: Vec<String>,
}

pub(super) fn watch(context: &Context, args: &WatchArgs) -> Result<(), CliError> {
    let request = WatchRequest {
        lot: args.lot.clone(),
        measure: parsed::<Measure>(&args.measure)?,
        good: args.good,
        bad: args.bad,
        alpha: args.alpha,
        beta: args.beta,
        run: args.alarm_every,
        only: filter(&args.only)?,
    };
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let found = watch_lot(&ledger, &request).map_err(|e| rates_error(&e))?;
    if context.json {
        return json(&Answer::new(found, session.problems()));
    }
    print_watch(&found)
}

fn when(unix_ms: Option<i64>) -> String {
    let read = |unix_ms| readable(Moment { unix_ms, offset_minutes: now().offset_minutes });
    unix_ms.map_or_else(|| "at a time that is not known".to_owned(), read)
}

fn plural(n: u64, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

/// What the sequential test says in one reading.
fn verdict(found: &Watch, watched: &Watched) -> String {
    let at = watched
        .decided
        .map_or_else(String::new, |d| format!(" at shot {} ({} failed), {}", d.shots, d.failures, when(d.unix_ms)));
    match watched.decision {
        Decision::Accept => format!(
            "accept{at}: the shots speak for a rate of {} or less, against {}.",
            percent(found.good),
            percent(found.bad)
        ),
        Decision::Reject => format!(
            "reject{at}: the shots speak for a rate of {} or more, against {}.",
            percent(found.bad),
            percent(found.good)
        ),
        Decision::GoOn => format!(
            "go on: {} failed of {}. At the least {} without a failure to accept, or {} in a row to reject.",
            watched.failures,
            watched.shots,
            plural(watched.clean_shots_to_accept.unwrap_or(0), "more shot"),
            plural(watched.failures_to_reject.unwrap_or(0), "more failure"),
        ),
    }
}

fn alarm(found: &Watch, watched: &Watched) -> String {
    let sum = watched.sum;
    let stands = format!("the sum stands at {} of {} (highest {})", sum.value, found.sum_limit, sum.highest);
    match (sum.first_alarm, sum.signals) {
        (Some(first), true) => format!("{stands}: an alarm since shot {}, {}.", first.shot, when(first.unix_ms)),
        (Some(first), false) => {
            format!("{stands}; there was an alarm at shot {}, {}.", first.shot, when(first.unix_ms))
        }
        (None, _) => format!("{stands}: no alarm."),
    }
}

fn print_watch(found: &Watch) -> Result<(), CliError> {
    say(&format!(
        "{}, {}: good {}, bad {}; a good lot is rejected with risk {}, a bad one accepted with risk {}.",
        found.lot,
        found.measure,
        percent(found.good),
        percent(found.bad),
        percent(found.alpha),
        percent(found.beta),
    ));
    let unresolved = match found.unresolved {
        0 => String::new(),
        n => format!(", {n} unresolved and not fed in"),
    };
    line(&format!("{} in order of time, {} failed{unresolved}.", plural(found.shots, "shot"), found.failures))?;
    line(&format!("Test: {}", verdict(found, &found.if_circuit)))?;
    line(&format!("Going bad: {}", alarm(found, &found.if_circuit)))?;
    if found.unresolved > 0 {
        line("With every unresolved shot as a failure of the igniter:")?;
        line(&format!("  Test: {}", verdict(found, &found.if_igniter)))?;
        line(&format!("  Going bad: {}", alarm(found, &found.if_igniter)))?;
        if found.if_circuit.decision != found.if_igniter.decision {
            line("The two readings differ: settle the unresolved shots before you rely on either.")?;
        }
    }
    say(&format!(
        "A decision takes about {:.0} shots of a good lot, {:.0} of a bad one. A failure adds {} to the sum, a good shot \
         takes 1 off; false alarms come once in {:.0} shots, a bad lot is noticed after {:.0}.",
        found.average_shots_if_good,
        found.average_shots_if_bad,
        found.sum_weight - 1,
        found.sum_run_if_good,
        found.sum_run_if_bad,
    ));
    say("The risks hold for shots taken as they came, each by itself: not for shots picked out afterwards.");
    say(&format!("\n{CAUTION}"));
    Ok(())
}
