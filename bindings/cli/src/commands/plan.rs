//! How many to test.

use embertally_core::plan::{ProofRequest, prove};
use embertally_stats::StatsError;

use super::Context;
use crate::args::{PlanAction, PlanArgs};
use crate::error::{CliError, sentence};
use crate::output::{json, line, percent};

/// What cannot be proved is refused; a number outside its limits is a wrong call.
fn plan_error(error: &StatsError) -> CliError {
    let text = sentence(&error.to_string());
    match error {
        StatsError::CannotBeProved { .. } | StatsError::MoreShotsThanLot { .. } => CliError::refused("E_PLAN", text),
        _ => CliError::Usage(text),
    }
}

pub(super) fn plan(context: &Context, args: &PlanArgs) -> Result<(), CliError> {
    let PlanAction::Prove { reliability, confidence, failures, lot_size } = args.action;
    let proof = prove(&ProofRequest { reliability, confidence, failures, lot_size }).map_err(|e| plan_error(&e))?;
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
