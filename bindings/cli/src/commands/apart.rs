//! What is kept apart: entries that do not count, and why.

use embertally_core::log::KeptApart;
use serde_json::{Value, json};

use super::Context;
use super::crew::device_name;
use crate::error::{CliError, sentence};
use crate::names::short_fact;
use crate::output::{self, Answer, CAUTION, counted, say, table};
use crate::session::readable;

fn object(apart: &KeptApart, name: Option<String>) -> Value {
    json!({
        "entry": apart.entry.to_string(), "document": apart.document.to_string(),
        "device": apart.device.map(|d| d.to_string()), "device_name": name,
        "written": apart.written.map(|m| m.to_string()), "shots": apart.shots,
        "code": apart.why.code(), "why": apart.why.to_string(),
    })
}

pub(super) fn apart(context: &Context) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    // Read quietly: what is kept apart is the answer here.
    let mut ledger = embertally_core::ledger::Ledger::new();
    session.log.replay(|_, entry| ledger.add(&entry))?;
    ledger.settle();
    let name = |apart: &KeptApart| apart.device.map(|d| device_name(&ledger, d));
    let all = session.log.apart();
    if context.json {
        let rows: Vec<Value> = all.iter().map(|a| object(a, name(a))).collect();
        return output::json(&Answer::new(json!({ "rows": rows }), session.problems()));
    }
    if all.is_empty() {
        return output::line(if session.log.crew()?.is_some() {
            "Nothing is kept apart."
        } else {
            "Nothing is kept apart: this log is no crew's, and anybody's entries count in it."
        });
    }
    let rows = all.iter().map(|a| {
        let id = short_fact(embertally_core::facts::FactId { entry: a.entry, place: 0 });
        let written = a.written.map(readable).unwrap_or_default();
        vec![id, name(a).unwrap_or_default(), written, a.shots.to_string(), sentence(&a.why.to_string())]
    });
    output::line(&table(&["entry", "device", "written", "shots", "why"], &[3], rows.collect()))?;
    let shots: u64 = all.iter().map(|a| a.shots).sum();
    if shots > 0 {
        let shots = counted(usize::try_from(shots).unwrap_or(usize::MAX), "shot", "shots");
        say(&format!("They tell of {shots}. None counts in any rate, and none is on the live list. {CAUTION}"));
    }
    Ok(())
}
