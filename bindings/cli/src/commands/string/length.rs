//! What the log has proved of string lengths.

use clap::Args;
use embertally_core::circuit::{longest_string, proven_lengths};
use embertally_core::facts::{ModuleId, RegisterId, TypeId, WiringKind};
use embertally_core::ledger::Ledger;
use embertally_core::rates::{StringKind, strings_by_kind};
use serde_json::json;

use super::super::Context;
use super::fire::stated_group;
use super::why::source_of;
use super::{CURRENT_CAUTION, circuit_error};
use crate::error::CliError;
use crate::names::{name_of, stated_name};
use crate::output::{self, Answer, line, percent, say, table};

#[derive(Debug, Args)]
pub(super) struct LengthArgs {
    /// Only this firing module
    #[arg(long)]
    module: Option<String>,
    /// Only this igniter type
    #[arg(long = "type", value_name = "TYPE")]
    igniter_type: Option<String>,
    /// Share of strings that must fire whole
    #[arg(long, default_value_t = 0.95)]
    reliability: f64,
    /// Confidence, one-sided
    #[arg(long, default_value_t = 0.95)]
    confidence: f64,
}

/// Returns the longest string that fires whole by reckoning, and its chance, from what module and type state, with leads of
/// no resistance; `None` for other wirings and where something is not stated or cannot be.
fn reckoned(ledger: &Ledger, kind: &StringKind, reliability: f64) -> Option<(u32, f64)> {
    if kind.wiring != WiringKind::Series {
        return None;
    }
    let source = source_of(&ledger.register().modules().get(kind.module)?.value)?.checked().ok()?;
    let of = &ledger.register().types().get(kind.igniter_type)?.value;
    longest_string(&stated_group(of)?, &source, source.ohm, of.bridge_resistance?.as_f64(), reliability).ok()?
}

pub(super) fn length(context: &Context, args: &LengthArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let module = args.module.as_deref().map(ModuleId::named);
    let igniter_type = args.igniter_type.as_deref().map(TypeId::named);
    let (mut rows, mut objects, mut by_figures) = (Vec::new(), Vec::new(), Vec::new());
    for (kind, tried) in strings_by_kind(&ledger) {
        if module.is_some_and(|m| m != kind.module) || igniter_type.is_some_and(|t| t != kind.igniter_type) {
            continue;
        }
        let proof = proven_lengths(&tried, args.reliability, args.confidence).map_err(|e| circuit_error(&e))?;
        let reckoned = reckoned(&ledger, &kind, args.reliability);
        let (module, kind_of) = (RegisterId::Module(kind.module), RegisterId::Type(kind.igniter_type));
        if let Some((length, chance)) = reckoned {
            by_figures.push(format!(
                "By the figures stated of {} and {}, leads left out, a series string of up to {length} fires whole with a \
                 chance of at least {} ({}). Reckoning is no proof.",
                name_of(&ledger, kind_of),
                name_of(&ledger, module),
                percent(args.reliability),
                percent(chance)
            ));
        }
        for l in &proof.lengths {
            rows.push(vec![
                name_of(&ledger, module),
                name_of(&ledger, kind_of),
                kind.wiring.to_string(),
                l.tried.length.to_string(),
                format!("{} of {}", l.tried.whole, l.tried.tried),
                percent(l.isotonic),
                format!("{} to {}", percent(l.low), percent(l.high)),
                match l.more_needed {
                    Some(0) => "proved".to_owned(),
                    Some(n) => n.to_string(),
                    None => "over a million".to_owned(),
                },
            ]);
        }
        objects.push(json!({
            "module": stated_name(&ledger, module),
            "type": stated_name(&ledger, kind_of),
            "wiring": kind.wiring.word(),
            "longest_proved": proof.longest,
            "reckoned": reckoned.map(|(length, chance)| json!({ "length": length, "chance": chance })),
            "strings_for_a_new_length": proof.needed_anew,
            "lengths": proof.lengths.iter().map(|l| json!({
                "length": l.tried.length,
                "tried": l.tried.tried,
                "whole": l.tried.whole,
                "isotonic": l.isotonic,
                "low": l.low,
                "high": l.high,
                "more_needed": l.more_needed,
            })).collect::<Vec<_>>(),
        }));
    }
    if context.json {
        let answer = json!({
            "reliability": args.reliability,
            "confidence": args.confidence,
            "rows": objects,
            "caution": CURRENT_CAUTION,
        });
        return output::json(&Answer::new(answer, session.problems()));
    }
    if rows.is_empty() {
        line("The log holds no string of which module, type and outcome are known.")?;
    } else {
        let heads = ["module", "type", "wiring", "length", "whole", "isotonic", "limits", "more needed"];
        line(&table(&heads, &[3, 4, 5], rows))?;
        for sentence in by_figures {
            line(&sentence)?;
        }
        say(&format!(
            "A length is proved if at least {} of its strings fire whole, with {} confidence; each limit holds by itself. \
             Longer strings speak for shorter ones. Nothing is carried from one module, type or wiring to another.",
            percent(args.reliability),
            percent(args.confidence)
        ));
    }
    say(&format!("\n{CURRENT_CAUTION}"));
    Ok(())
}
