//! Threshold tests: at what level does a type fire, and at which level to try the next?

use std::path::PathBuf;

use clap::{Args, Subcommand};
use embertally_stats::{
    DOptimalGuess, LevelLimits, Link, ThresholdError, Trials, dixon_mood, fit_threshold, next_d_optimal, next_langlie,
    next_up_down,
};
use serde_json::json;

use super::Context;
use super::string::CURRENT_CAUTION;
use crate::error::{CliError, file_error, sentence};
use crate::output::{self, line, percent, say, table};

#[derive(Debug, Args)]
pub(crate) struct ThresholdArgs {
    #[command(subcommand)]
    action: ThresholdAction,
}

#[derive(Debug, Args)]
struct Shots {
    /// Shots in order, such as '9x 11x 12.75f': the level, then f for fired or x for failed (negative ones after `--`)
    #[arg(value_delimiter = ' ', value_name = "SHOT")]
    shots: Vec<String>,
    /// A file of lines `level,fired,tried` instead
    #[arg(long, conflicts_with = "shots")]
    file: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum ThresholdAction {
    /// Fit mean and spread, and the all-fire and no-fire levels
    Fit {
        #[command(flatten)]
        shots: Shots,
        /// probit or logit
        #[arg(long, default_value = "probit")]
        link: String,
        /// Share that fires at the all-fire level
        #[arg(long, default_value_t = 0.999)]
        all_fire: f64,
        /// Share that fires at the no-fire level
        #[arg(long, default_value_t = 0.001)]
        no_fire: f64,
        /// Confidence of either, one-sided
        #[arg(long, default_value_t = 0.95)]
        confidence: f64,
        /// Step of an up-and-down test: adds the estimators of Dixon & Mood
        #[arg(long)]
        step: Option<f64>,
    },
    /// Say at which level to try the next one
    Next {
        #[command(flatten)]
        shots: Shots,
        /// up-down, langlie or d-optimal
        #[arg(long)]
        plan: String,
        /// Step of an up-and-down test
        #[arg(long)]
        step: Option<f64>,
        /// Lower limit (langlie), or a guess at or below the mean (d-optimal)
        #[arg(long, allow_hyphen_values = true)]
        low: Option<f64>,
        /// Upper limit, or a guess at or above the mean
        #[arg(long, allow_hyphen_values = true)]
        high: Option<f64>,
        /// Guess of the spread (d-optimal)
        #[arg(long)]
        spread: Option<f64>,
    },
}

fn threshold_error(error: &ThresholdError) -> CliError {
    let text = sentence(&error.to_string());
    match error {
        ThresholdError::NoOverlap { .. }
        | ThresholdError::OneOutcome { .. }
        | ThresholdError::NotRising
        | ThresholdError::NotFound => CliError::refused("E_NO_ESTIMATE", text),
        _ => CliError::Usage(text),
    }
}

fn read(shots: &Shots) -> Result<Vec<Trials>, CliError> {
    if let Some(path) = &shots.file {
        let text = std::fs::read_to_string(path).map_err(|e| file_error("read", path, &e))?;
        let mut all = Vec::new();
        for (n, row) in text.lines().enumerate().filter(|(_, row)| !row.trim().is_empty()) {
            let fields: Vec<&str> = row.split(',').map(str::trim).collect();
            let read = match fields.as_slice() {
                [level, fired, tried] => {
                    level.parse().ok().zip(fired.parse().ok()).zip(tried.parse().ok()).map(|((l, f), t)| (l, f, t))
                }
                _ => None,
            };
            match read {
                Some((level, fired, tried)) => all.push(Trials { level, fired, tried }),
                None if n == 0 && fields.first() == Some(&"level") => {}
                None => {
                    let text = format!("Line {} of {} is not level,fired,tried.", n + 1, path.display());
                    return Err(CliError::refused("E_BAD_ROWS", text));
                }
            }
        }
        return Ok(all);
    }
    let one = |text: &&String| {
        let usage = || CliError::Usage(format!("{text:?} is not a shot: the level, then f or x, such as 12.75f."));
        let last = text.chars().last().map(|c| c.to_ascii_lowercase());
        let fired = match last {
            Some('f') => true,
            Some('x') => false,
            _ => return Err(usage()),
        };
        let level = text.get(..text.len() - 1).and_then(|l| l.parse::<f64>().ok()).ok_or_else(usage)?;
        Ok(Trials::one(level, fired))
    };
    shots.shots.iter().filter(|s| !s.is_empty()).collect::<Vec<_>>().iter().map(one).collect()
}

pub(super) fn threshold(context: &Context, args: &ThresholdArgs) -> Result<(), CliError> {
    match &args.action {
        ThresholdAction::Fit { shots, link, all_fire, no_fire, confidence, step } => {
            let link =
                Link::ALL.iter().copied().find(|l| l.word() == link).ok_or_else(|| {
                    CliError::Usage(format!("{link:?} is not a known curve; use one of: probit, logit."))
                })?;
            fit(context, &read(shots)?, link, [*all_fire, *no_fire], *confidence, *step)
        }
        ThresholdAction::Next { shots, plan, step, low, high, spread } => {
            next(context, &read(shots)?, plan, *step, (*low, *high), *spread)
        }
    }
}

fn fit(
    context: &Context,
    trials: &[Trials],
    link: Link,
    [all_fire, no_fire]: [f64; 2],
    confidence: f64,
    step: Option<f64>,
) -> Result<(), CliError> {
    let fail = |e| threshold_error(&e);
    let simple = step.map(|step| dixon_mood(step, trials)).transpose().map_err(fail)?;
    let found = fit_threshold(link, trials).map_err(fail)?;
    let all = found.level(all_fire, confidence).map_err(fail)?;
    let none = found.level(no_fire, confidence).map_err(fail)?;
    if context.json {
        let level = |l: &LevelLimits| {
            json!({
                "share": l.share, "level": l.level, "low": l.low, "high": l.high,
                "delta_low": l.delta_low, "delta_high": l.delta_high,
            })
        };
        return output::json(&json!({
            "link": link.word(),
            "shots": trials.iter().map(|t| t.tried).sum::<u64>(),
            "fired": trials.iter().map(|t| t.fired).sum::<u64>(),
            "mean": found.mean,
            "mean_error": found.mean_error,
            "spread": found.spread,
            "spread_error": found.spread_error,
            "log_likelihood": found.log_likelihood,
            "confidence": confidence,
            "all_fire": level(&all),
            "no_fire": level(&none),
            "dixon_mood": simple.map(|s| json!({
                "mean": s.mean, "spread": s.spread, "mean_error": s.mean_error, "m": s.m,
                "uses": if s.uses_fires { "fires" } else { "failures" }, "used": s.used,
            })),
            "caution": CURRENT_CAUTION,
        }));
    }
    line(&format!("Half fire at {:.4} ± {:.4} (standard error).", found.mean, found.mean_error))?;
    line(&format!("Spread ({link}): {:.4} ± {:.4}.", found.spread, found.spread_error))?;
    let end = |e: Option<f64>| e.map_or_else(|| "no limit".to_owned(), |e| format!("{e:.4}"));
    let row = |name: &str, l: &LevelLimits, limit: Option<f64>| {
        vec![name.to_owned(), percent(l.share), format!("{:.4}", l.level), end(limit)]
    };
    let limit = format!("limit at {}", percent(confidence));
    line(&table(
        &["level", "share that fires", "best value", &limit],
        &[2, 3],
        vec![row("all-fire", &all, all.high), row("no-fire", &none, none.low)],
    ))?;
    if none.low.is_some_and(|low| low <= 0.0) || none.level <= 0.0 {
        line("A no-fire level at or below 0 says only that these shots do not reach there.")?;
    }
    if let Some(s) = simple {
        let spread = s.spread.map_or_else(|| "not told (M is 0.3 or less)".to_owned(), |v| format!("{v:.4}"));
        let of = if s.uses_fires { "fires" } else { "failures" };
        line(&format!("Dixon & Mood, from {} {of}: mean {:.4}, spread {spread}.", s.used, s.mean))?;
    }
    say(
        "All-fire: at least the share shown fires there, with the confidence shown (0.999 at 95 % as in 14 CFR 417, appendix D, \
         unless you ask otherwise); limits by likelihood ratio. Both levels rest on the shape of the curve far from the shots.",
    );
    say(&format!("\n{CURRENT_CAUTION}"));
    Ok(())
}

fn next(
    context: &Context,
    trials: &[Trials],
    plan: &str,
    step: Option<f64>,
    (low, high): (Option<f64>, Option<f64>),
    spread: Option<f64>,
) -> Result<(), CliError> {
    let fail = |e| threshold_error(&e);
    let need = |value: Option<f64>, name: &str| {
        value.ok_or_else(|| CliError::Usage(format!("The plan {plan} takes --{name}.")))
    };
    if trials.iter().any(|t| t.tried != 1) {
        return Err(CliError::Usage("A next level takes the shots one by one, in order.".to_owned()));
    }
    let shots: Vec<(f64, bool)> = trials.iter().map(|t| (t.level, t.fired == 1)).collect();
    let (level, phase) = match plan {
        "up-down" => (next_up_down(need(step, "step")?, &shots).map_err(fail)?, None),
        "langlie" => (next_langlie(need(low, "low")?, need(high, "high")?, &shots).map_err(fail)?, None),
        "d-optimal" => {
            let guess =
                DOptimalGuess { low: need(low, "low")?, high: need(high, "high")?, spread: need(spread, "spread")? };
            let next = next_d_optimal(&guess, &shots).map_err(fail)?;
            (next.level, Some(next.phase.words()))
        }
        _ => {
            let text = format!("{plan:?} is not a known plan; use one of: up-down, langlie, d-optimal.");
            return Err(CliError::Usage(text));
        }
    };
    if context.json {
        let answer =
            json!({ "plan": plan, "shots": shots.len(), "level": level, "phase": phase, "caution": CURRENT_CAUTION });
        return output::json(&answer);
    }
    line(&format!("Try the next one at {level:.4}{}.", phase.map_or_else(String::new, |p| format!(" ({p})"))))?;
    if level <= 0.0 {
        say("That is at or below 0: the step or the guess does not fit this type.");
    }
    say(&format!("\n{CURRENT_CAUTION}"));
    Ok(())
}
