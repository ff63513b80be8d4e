//! How many to test.

use embertally_core::ledger::Measure;
use embertally_core::plan::{
    OperatingCharacteristic, PowerRequest, ProofRequest, Proved, Record, TablePlan, designed_plan,
    operating_characteristic, prove, record, table_plan, tell_apart,
};
use embertally_core::rates::{Group, RatesRequest, rates};
use embertally_stats::{Inspection, InspectionLevel, PowerTest, SamplingError, StatsError};
use serde::Serialize;

use super::Context;
use super::rates::{filter, parsed, rates_error};
use crate::args::{PlanAction, PlanArgs};
use crate::error::{CliError, sentence};
use crate::output::{Answer, CAUTION, json, line, percent, say, table};

/// What cannot be proved is refused; a number outside its limits is a wrong call.
fn plan_error(error: &StatsError) -> CliError {
    let text = sentence(&error.to_string());
    match error {
        StatsError::CannotBeProved { .. } | StatsError::MoreShotsThanLot { .. } => CliError::refused("E_PLAN", text),
        _ => CliError::Usage(text),
    }
}

fn sampling_error(error: &SamplingError) -> CliError {
    match error {
        SamplingError::Stats(error) => plan_error(error),
        SamplingError::NoPlan { .. } => CliError::refused("E_PLAN", sentence(&error.to_string())),
        other => CliError::Usage(sentence(&other.to_string())),
    }
}

pub(super) fn plan(context: &Context, args: &PlanArgs) -> Result<(), CliError> {
    match &args.action {
        PlanAction::Prove { reliability, confidence, failures, lot_size } => {
            let (failures, lot_size) = (*failures, *lot_size);
            print_proof(
                context,
                &ProofRequest { reliability: *reliability, confidence: *confidence, failures, lot_size },
            )
        }
        PlanAction::Record { lot, reliability, confidence, lot_size, measure, only } => {
            print_record(context, lot, [*reliability, *confidence], *lot_size, measure, only)
        }
        PlanAction::Sample { lot_size, aql, level, inspection } => {
            let (level, inspection) = (parsed::<InspectionLevel>(level)?, parsed::<Inspection>(inspection)?);
            let found = table_plan(*lot_size, *aql, level, inspection).map_err(|e| sampling_error(&e))?;
            answer(context, &found, || print_table_plan(&found))
        }
        PlanAction::Oc { shots, accept, lot_size } => {
            let found = operating_characteristic(*shots, *accept, *lot_size).map_err(|e| sampling_error(&e))?;
            answer(context, &found, || {
                line(&format!("Fire {}; accept with at most {} failed.", found.shots, found.accept))?;
                print_curve(&found)
            })
        }
        PlanAction::Design { good, bad, alpha, beta, lot_size } => {
            let found = designed_plan(*good, *alpha, *bad, *beta, *lot_size).map_err(|e| sampling_error(&e))?;
            answer(context, &found, || {
                let plan = &found.characteristic;
                line(&format!(
                    "Fire {}; accept with at most {} failed: a rate of {} is rejected with risk {} at most, one of {} \
                     accepted with {} at most.",
                    plan.shots,
                    plan.accept,
                    percent(found.good),
                    percent(found.alpha),
                    percent(found.bad),
                    percent(found.beta),
                ))?;
                print_curve(plan)
            })
        }
        PlanAction::Power { first, second, power, shots, alpha, test } => {
            let shots = match shots.as_slice() {
                [] => None,
                [one] => Some([*one, *one]),
                [one, two] => Some([*one, *two]),
                _ => return Err(CliError::Usage("--shots takes one number, or two with a comma.".to_owned())),
            };
            let test = parsed::<PowerTest>(test)?;
            let request = PowerRequest { rates: [*first, *second], shots, wanted: *power, alpha: *alpha, test };
            let found = tell_apart(&request).map_err(|e| sampling_error(&e))?;
            answer(context, &found, || {
                line(&format!(
                    "{} and {} shots tell a rate of {} from one of {} with probability {} ({}, two-sided, level {}).",
                    found.shots_first,
                    found.shots_second,
                    percent(found.first),
                    percent(found.second),
                    percent(found.power),
                    found.test,
                    percent(found.alpha),
                ))
            })
        }
    }
}

fn answer<T: Serialize>(
    context: &Context,
    found: &T,
    print: impl FnOnce() -> Result<(), CliError>,
) -> Result<(), CliError> {
    if context.json {
        return json(found);
    }
    print()?;
    say("Shots are taken as independent and as a fair sample of the lot; a plan is not a permission.");
    Ok(())
}

fn print_proof(context: &Context, request: &ProofRequest) -> Result<(), CliError> {
    let proof = prove(request).map_err(|e| plan_error(&e))?;
    if context.json {
        return json(&proof);
    }
    let allowed = match proof.failures {
        0 => "none of them failing".to_owned(),
        1 => "at most 1 of them failing".to_owned(),
        n => format!("at most {n} of them failing"),
    };
    let shots = proof.shots;
    line(&format!(
        "{shots} shots, {allowed}, prove a reliability of at least {} with {} confidence ({}).",
        percent(proof.reliability),
        percent(proof.confidence),
        proof.rule,
    ))?;
    if let (Some(lot), Some(left), Some(bad)) = (proof.lot_size, proof.left, proof.too_many_bad) {
        line(&format!("Of the lot of {lot}, {left} are left to use; {bad} bad ones in it would be too many."))?;
    }
    Ok(())
}

/// The JSON object of `plan record`.
#[derive(Serialize)]
struct JsonRecord<'a> {
    lot: &'a str,
    measure: &'static str,
    #[serde(flatten)]
    record: Record,
}

fn print_record(
    context: &Context,
    lot: &str,
    [reliability, confidence]: [f64; 2],
    lot_size: Option<u64>,
    measure: &str,
    only: &[String],
) -> Result<(), CliError> {
    let measure = parsed::<Measure>(measure)?;
    let mut only = filter(only)?;
    only.push((Group::Lot, lot.to_owned()));
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let request = RatesRequest { by: Vec::new(), measure, only, ..RatesRequest::default() };
    let found = rates(&ledger, &request).map_err(|e| rates_error(&e))?;
    let rate = found.rows.first().map(|row| row.rate);
    let rate =
        rate.ok_or_else(|| CliError::refused("E_NO_SHOTS", format!("No shot of {lot} counts for {measure}.")))?;
    let record = record(&rate, reliability, confidence, lot_size).map_err(|e| plan_error(&e))?;
    if context.json {
        return json(&Answer::new(JsonRecord { lot: lot.trim(), measure: measure.word(), record }, session.problems()));
    }
    let wanted = format!("{} with {} confidence", percent(reliability), percent(confidence));
    let read = |proved: &Proved| {
        let more = match proved.clean_shots_needed {
            Some(0) => "proved".to_owned(),
            Some(1) => "not proved; 1 more shot without a failure would prove it".to_owned(),
            Some(n) => format!("not proved; {n} more shots without a failure would prove it"),
            None => "not proved, and no number of shots that is left proves it".to_owned(),
        };
        let bad = proved.most_bad.map_or_else(String::new, |n| format!(" The lot had {n} bad ones at most."));
        format!(
            "{} of {} failed: a reliability of {} is shown with {} confidence. {wanted}: {more}.{bad}",
            proved.failures,
            proved.shots,
            percent(reliability),
            percent(proved.confidence),
        )
    };
    line(&read(&record.if_circuit))?;
    if record.unresolved > 0 {
        line(&format!("With the {} unresolved as the igniter's: {}", record.unresolved, read(&record.if_igniter)))?;
    }
    say(&format!("\n{CAUTION}"));
    Ok(())
}

fn print_table_plan(found: &TablePlan) -> Result<(), CliError> {
    let arrow = if found.letter == found.plan_letter {
        String::new()
    } else {
        format!(" (an arrow leads to {})", found.plan_letter)
    };
    line(&format!(
        "Lot of {}, level {}, {}: letter {}{arrow}. Fire {}; accept with at most {} failed, reject from {} on.",
        found.lot_size, found.level, found.inspection, found.letter, found.shots, found.accept, found.reject,
    ))?;
    if found.reject > found.accept + 1 {
        line("Between the two the lot is accepted, and normal inspection comes back for the next.")?;
    }
    say(found.source);
    match (&found.operating_characteristic, found.accepts_at_aql) {
        (Some(curve), Some(at_aql)) => {
            line(&format!("A supply at the AQL itself is accepted with {}.", percent(at_aql)))?;
            print_curve(curve)
        }
        _ => line("That is the whole lot or more: none would be left. Choose a lower level or a larger AQL."),
    }
}

/// How wide the curve is drawn, in characters.
const CURVE_WIDTH: usize = 40;

fn print_curve(found: &OperatingCharacteristic) -> Result<(), CliError> {
    line(&format!(
        "Accepted with 95 %: a rate of {}; with 50 %: {}; with 10 %: {}.",
        percent(found.rate_accepted_with_95),
        percent(found.rate_accepted_with_50),
        percent(found.rate_accepted_with_10),
    ))?;
    let step = (found.curve.len() / 12).max(1);
    let rows = found.curve.iter().step_by(step).map(|point| {
        // A probability is at most 1, so the bar is at most its width.
        let bar = "#".repeat((point.accepts.clamp(0.0, 1.0) * CURVE_WIDTH as f64).round() as usize);
        let bad = point.bad.map_or_else(String::new, |n| n.to_string());
        vec![percent(point.rate), bad, percent(point.accepts), bar]
    });
    line(&table(&["failure rate", "bad in lot", "accepted", ""], &[0, 1, 2], rows.collect()))?;
    if let (Some(lot), Some(left)) = (found.lot_size, found.left) {
        line(&format!("Of the lot of {lot}, {left} are left to use ({}).", found.rule))?;
    }
    Ok(())
}
