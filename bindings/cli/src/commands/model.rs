//! Which of lot, fuse, weather, age and wiring failures go with.

use clap::Args;
use embertally_core::ledger::Measure;
use embertally_core::rates::{
    Coefficient, Model, ModelError, ModelReading, ModelRequest, Predicted, Term, VolleyCorrelation, model as fit_model,
};

use super::Context;
use super::rates::{filter, parsed, parts, rates_error};
use crate::error::{CliError, sentence};
use crate::output::{Answer, CAUTION, json, line, percent, say, table};

#[derive(Debug, Args)]
pub(crate) struct ModelArgs {
    /// Terms: lot, fuse, type, module, outing, wiring, wet, temperature, humidity, wind, age (of the lot)
    #[arg(long, value_delimiter = ',', default_value = "lot,fuse,wet,temperature")]
    terms: Vec<String>,
    /// Predict for this, such as lot=KB-104 or temperature=5 (again for more); other terms are taken at their reference
    #[arg(long = "for", value_name = "TERM=VALUE")]
    at: Vec<String>,
    /// ignition, slow, transfer or end-to-end
    #[arg(long, default_value = "ignition")]
    measure: String,
    /// Confidence of the intervals
    #[arg(long, default_value_t = 0.95)]
    level: f64,
    /// Only shots of this group, such as fuse=cord (again for more)
    #[arg(long = "where", value_name = "KEY=VALUE")]
    only: Vec<String>,
}

fn model_error(error: &ModelError) -> CliError {
    match error {
        ModelError::Rates(error) => rates_error(error),
        ModelError::Twice(_) | ModelError::NotATerm(_) | ModelError::NoNumber { .. } => {
            CliError::Usage(sentence(&error.to_string()))
        }
        ModelError::Fit(embertally_stats::FirthError::BadConfidence { .. }) => {
            CliError::Usage(sentence(&error.to_string()))
        }
        ModelError::NoSuchKind { .. } => CliError::refused("E_NO_SUCH_NAME", sentence(&error.to_string())),
        ModelError::Fit(_) => CliError::refused("E_NO_MODEL", sentence(&error.to_string())),
    }
}

pub(super) fn model(context: &Context, args: &ModelArgs) -> Result<(), CliError> {
    let at = args.at.iter().map(|text| {
        let (term, value) = text
            .split_once('=')
            .ok_or_else(|| CliError::Usage(format!("--for {text:?} is not TERM=VALUE, such as lot=KB-104.")))?;
        Ok::<_, CliError>((parsed::<Term>(term)?, value.trim().to_owned()))
    });
    let request = ModelRequest {
        measure: parsed::<Measure>(&args.measure)?,
        terms: parts(&args.terms, parsed::<Term>)?,
        level: args.level,
        only: filter(&args.only)?,
        at: at.collect::<Result<_, _>>()?,
    };
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let found = fit_model(&ledger, &request).map_err(|e| model_error(&e))?;
    if context.json {
        return json(&Answer::new(found, session.problems()));
    }
    print_model(&found)
}

/// An odds ratio with two digits after the point, or as many as it takes.
pub(super) fn odds(value: f64) -> String {
    match value {
        0.0 => "0".to_owned(),
        v if v < 0.01 => format!("{v:.4}"),
        v if v > 9999.0 => "over 9999".to_owned(),
        v if v >= 1000.0 => format!("{v:.0}"),
        v => format!("{v:.2}"),
    }
}

fn row(c: &Coefficient) -> Vec<String> {
    let bound = |end: Option<f64>| end.map_or_else(|| "no bound".to_owned(), odds);
    vec![
        c.term.to_owned(),
        c.kind.clone().or_else(|| c.per.as_ref().map(|per| format!("{per} more"))).unwrap_or_default(),
        odds(c.odds_ratio),
        format!("{} to {}", bound(c.low_clustered), bound(c.high_clustered)),
        c.p_clustered.map_or_else(|| "unknown".to_owned(), |p| format!("{p:.4}")),
        format!("{} to {}", bound(c.low), bound(c.high)),
        c.p.map_or_else(|| "unknown".to_owned(), |p| format!("{p:.4}")),
    ]
}

fn expected(p: &Predicted) -> String {
    format!("{} ({} to {})", percent(p.rate), percent(p.low_clustered), percent(p.high_clustered))
}

fn print_reading(reading: &ModelReading) -> Result<(), CliError> {
    line(&format!(
        "{} of {} failed; at the reference {} are to be expected.",
        reading.failures,
        reading.shots,
        expected(&reading.at_reference)
    ))?;
    if !reading.coefficients.is_empty() {
        let rows = reading.coefficients.iter().map(row).collect();
        line(&table(
            &["term", "against the reference", "odds ratio", "interval", "p", "if independent", "p"],
            &[2, 4, 6],
            rows,
        ))?;
    }
    for test in reading.tests.iter().filter(|test| test.degrees > 1) {
        line(&format!("{} as a whole: p {:.4} ({} coefficients).", test.term, test.p_clustered, test.degrees))?;
    }
    if let Some(prediction) = &reading.prediction {
        line(&format!("Expected there: {}.", expected(prediction)))?;
    }
    Ok(())
}

/// Says what is taken of shots of one volley.
fn alike(volleys: &VolleyCorrelation, effect: f64) -> String {
    match volleys.basis {
        "singles" => "No volley has two shots that count, so shots are taken as independent.".to_owned(),
        "estimated" => format!(
            "Shots of one volley are alike, so {effect:.1} shots count as one: intervals and p are widened by that, beside \
             them as if shots were independent. No method for this model with clusters is established; the profile is \
             lowered by the design effect."
        ),
        _ => format!(
            "Too few volleys tell how alike their shots are, so each counts as about one shot ({effect:.1} shots as one): \
             intervals and p are widened by that, beside them as if shots were independent."
        ),
    }
}

fn print_model(found: &Model) -> Result<(), CliError> {
    let list = |all: &[embertally_core::rates::Reference]| {
        all.iter().map(|r| format!("{} {}", r.term, r.at)).collect::<Vec<_>>().join(", ")
    };
    say(&format!("{}; {} intervals; logistic regression with Firth's penalty.", found.measure, percent(found.level)));
    if !found.references.is_empty() {
        line(&format!("Reference: {}.", list(&found.references)))?;
    }
    if !found.predicted_for.is_empty() {
        line(&format!("Predicted for: {}.", list(&found.predicted_for)))?;
    }
    line("")?;
    if found.unresolved == 0 {
        print_reading(&found.if_circuit)?;
    } else {
        line(&format!("With {} unresolved as the circuit's, left out:", found.unresolved))?;
        print_reading(&found.if_circuit)?;
        line("")?;
        line("With them as the igniter's, failures:")?;
        print_reading(&found.if_igniter)?;
    }
    if found.left_out > 0 {
        say(&format!("Left out: {} of which the log does not say all of the terms.", found.left_out));
    }
    for what in &found.redundant {
        say(&format!("Left out of the model: {what}; the other terms say it already."));
    }
    say(&alike(&found.volleys, found.design_effect));
    say(
        "What failures go with need not be why. Predictions are drawn a little towards one half, so small rates come out too \
         high.",
    );
    say(&format!("\n{CAUTION}"));
    Ok(())
}
