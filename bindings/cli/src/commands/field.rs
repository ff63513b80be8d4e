//! What the crew disagrees about, and what is still live on the field.

use embertally_core::facts::Moment;
use embertally_core::ledger::{Agreement, Dispute, Ledger, LiveReason, LiveShot, Observer, RegisterId, Subject};
use embertally_core::log::Label;
use embertally_stats::{cohen_kappa, fleiss_kappa};
use serde_json::{Value, json};

use super::Context;
use crate::args::LiveArgs;
use crate::error::CliError;
use crate::names::{name_of, observer_name, outing_of, short_fact, short_shot, short_volley};
use crate::output::{self, CAUTION, line, say, table};

/// Returns a subject's kind, its short id or name, and its whole id.
fn subject(ledger: &Ledger, subject: &Subject) -> (&'static str, String, String) {
    match subject {
        Subject::Shot(id) => ("shot", short_shot(*id), id.to_string()),
        Subject::Rulings(id) => ("rulings on shot", short_shot(*id), id.to_string()),
        Subject::Wired(id) => ("which shot it is", short_shot(*id), id.to_string()),
        Subject::Register(id) => ("register", name_of(ledger, *id), id.to_string()),
        Subject::Corrections(id) => ("corrections", short_fact(*id), id.to_string()),
        Subject::Matches(a, b) => {
            ("volleys", format!("{} and {}", short_volley(*a), short_volley(*b)), format!("{a} {b}"))
        }
    }
}

fn kappa_rows(ledger: &Ledger, agreement: &Agreement) -> Vec<Value> {
    let pair = |p: &embertally_core::ledger::PairTable| {
        let shots: u64 = p.table.iter().flatten().sum();
        let same: u64 = (0..p.table.len()).map(|i| p.table[i][i]).sum();
        let kappa = cohen_kappa(&p.table).ok();
        json!({
            "observers": [observer_name(ledger, p.first), observer_name(ledger, p.second)],
            "method": "Cohen", "shots": shots, "same": same,
            "kappa": kappa.map(|k| k.kappa), "standard_error": kappa.map(|k| k.standard_error),
        })
    };
    let many = |m: &embertally_core::ledger::ManyTable| {
        let kappa = fleiss_kappa(&m.rows).ok();
        json!({ "observers": m.observers, "method": "Fleiss", "shots": m.rows.len(), "kappa": kappa.map(|k| k.kappa) })
    };
    agreement.pairs.iter().map(pair).chain(agreement.many.iter().map(many)).collect()
}

pub(super) fn disputes(context: &Context) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let labels: Vec<Label> = session.log.labels()?.into_iter().filter(|l| !l.others.is_empty()).collect();
    if !context.json {
        return print_disputes(&ledger, &labels);
    }
    let dispute = |d: &Dispute| {
        let (kind, _, id) = subject(&ledger, &d.subject);
        let said = d.said.iter().map(|s| {
            json!({ "fact": s.fact.to_string(), "by": observer_name(&ledger, s.by), "says": s.says })
        });
        json!({ "about": kind, "id": id, "field": d.field, "said": said.collect::<Vec<_>>() })
    };
    let proposal = |p: &embertally_core::ledger::Proposal| {
        json!({ "first": p.first.to_string(), "second": p.second.to_string(), "reason": p.reason() })
    };
    let label = |l: &Label| {
        let texts: Vec<&String> = std::iter::once(&l.text).chain(&l.others).collect();
        json!({ "of": l.subject.to_string(), "field": l.field, "texts": texts })
    };
    output::json(&json!({
        "rows": ledger.disputes().iter().map(dispute).collect::<Vec<_>>(),
        "proposals": ledger.proposals().iter().map(proposal).collect::<Vec<_>>(),
        "labels": labels.iter().map(label).collect::<Vec<_>>(),
        "agreement": kappa_rows(&ledger, &ledger.agreement()),
    }))
}

fn who(ledger: &Ledger, by: Observer) -> String {
    observer_name(ledger, by)
}

/// Returns one line for each dispute: what about, which field, who says what.
pub(crate) fn dispute_lines(ledger: &Ledger) -> Vec<[String; 4]> {
    let of = |d: &Dispute| {
        let (kind, short, _) = subject(ledger, &d.subject);
        let said: Vec<String> = d
            .said
            .iter()
            .map(|s| if s.says.is_empty() { who(ledger, s.by) } else { format!("{}: {}", who(ledger, s.by), s.says) })
            .collect();
        [kind.to_owned(), short, d.field.to_owned(), said.join("; ")]
    };
    ledger.disputes().iter().map(of).collect()
}

/// Prints disputes, proposals and how well observers agree.
pub(crate) fn print_disputes(ledger: &Ledger, labels: &[Label]) -> Result<(), CliError> {
    let rows = dispute_lines(ledger);
    if rows.is_empty() && labels.is_empty() {
        line("Nobody disagrees.")?;
    } else {
        let labels = labels.iter().map(|l| {
            ["label".to_owned(), l.subject.to_string(), l.field.clone(), [vec![l.text.clone()], l.others.clone()].concat().join(" / ")]
        });
        let rows = rows.into_iter().chain(labels).map(Vec::from).collect();
        line(&table(&["about", "id", "field", "what is said"], &[], rows))?;
        say("Settle one with `embertally rule shot ID --ignition … --reason …`.");
    }
    let proposals = ledger.proposals();
    if !proposals.is_empty() {
        line("")?;
        line("Probably one real volley; nothing is joined until somebody says so:")?;
        let row = |p: &embertally_core::ledger::Proposal| {
            vec![short_volley(p.first), short_volley(p.second), p.reason().to_owned()]
        };
        line(&table(&["one", "the other", "why"], &[], proposals.iter().map(row).collect()))?;
        say("Answer with `embertally rule same ONE OTHER` or `embertally rule apart ONE OTHER`.");
    }
    let agreement = ledger.agreement();
    if !agreement.pairs.is_empty() {
        line("")?;
        let row = |p: &embertally_core::ledger::PairTable| {
            let shots: u64 = p.table.iter().flatten().sum();
            let same: u64 = (0..p.table.len()).map(|i| p.table[i][i]).sum();
            let kappa = cohen_kappa(&p.table).map_or_else(|_| "not defined".to_owned(), |k| format!("{:.2}", k.kappa));
            vec![who(ledger, p.first), who(ledger, p.second), format!("{same} of {shots}"), kappa]
        };
        let rows = agreement.pairs.iter().map(row).collect();
        line(&table(&["observer", "and", "said the same", "Cohen's kappa"], &[2, 3], rows))?;
        for many in &agreement.many {
            let kappa = fleiss_kappa(&many.rows).map_or_else(|_| "not defined".to_owned(), |k| format!("{:.2}", k.kappa));
            line(&format!("{} shots with {} observers each: Fleiss' kappa {kappa}.", many.rows.len(), many.observers))?;
        }
    }
    Ok(())
}

pub(super) fn live(context: &Context, args: &LiveArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let ledger = session.ledger()?;
    let outing = args.outing.as_deref().map(|name| outing_of(&session, &ledger, Some(name))).transpose()?;
    let mut live = ledger.live();
    live.retain(|l| outing.is_none_or(|o| o == l.shot.outing));
    if !context.json {
        return print_live(&ledger, &live);
    }
    let (unseen, rows): (Vec<_>, Vec<_>) = live.iter().partition(|l| l.reason == LiveReason::Unseen);
    output::json(&json!({
        "rows": rows.iter().map(|l| live_json(&ledger, l)).collect::<Vec<_>>(),
        "fuse_not_seen": unseen.iter().map(|l| live_json(&ledger, l)).collect::<Vec<_>>(),
        "caution": CAUTION,
    }))
}

fn wait_minutes(ledger: &Ledger, live: &LiveShot<'_>) -> Option<u16> {
    ledger.register().outings().get(live.shot.outing)?.value.wait_minutes
}

fn live_json(ledger: &Ledger, live: &LiveShot<'_>) -> Value {
    let shot = &live.shot;
    let module = shot.module.map(|m| name_of(ledger, RegisterId::Module(m)));
    json!({
        "shot": shot.id.to_string(),
        "outing": name_of(ledger, RegisterId::Outing(shot.outing)),
        "module": module, "channel": shot.channel, "position": shot.id.position,
        "lot": name_of(ledger, RegisterId::Lot(shot.lot)), "unit": shot.unit,
        "fuse": shot.fuse.map(|f| name_of(ledger, RegisterId::Fuse(f))),
        "why": live.reason.reason(),
        "fired_at": Moment { unix_ms: shot.unix_ms, offset_minutes: 0 }.to_string(),
        "wait_minutes": wait_minutes(ledger, live),
    })
}

/// Returns one row for each shot: where it is, what it is, why it is live.
pub(crate) fn live_rows(ledger: &Ledger, live: &[&LiveShot<'_>]) -> Vec<[String; 7]> {
    let row = |l: &&LiveShot<'_>| {
        let shot = &l.shot;
        let place = match (shot.module, shot.channel) {
            (Some(m), Some(c)) => format!("{} channel {c}", name_of(ledger, RegisterId::Module(m))),
            (Some(m), None) => name_of(ledger, RegisterId::Module(m)),
            (None, Some(c)) => format!("channel {c}"),
            (None, None) => String::new(),
        };
        [
            short_shot(shot.id),
            name_of(ledger, RegisterId::Outing(shot.outing)),
            place,
            shot.id.position.to_string(),
            match shot.unit {
                Some(unit) => format!("{} unit {unit}", name_of(ledger, RegisterId::Lot(shot.lot))),
                None => name_of(ledger, RegisterId::Lot(shot.lot)),
            },
            shot.fuse.map(|f| name_of(ledger, RegisterId::Fuse(f))).unwrap_or_default(),
            l.reason.reason().to_owned(),
        ]
    };
    live.iter().map(row).collect()
}

/// Prints the live list with its cautions.
pub(crate) fn print_live(ledger: &Ledger, live: &[LiveShot<'_>]) -> Result<(), CliError> {
    let (unseen, rows): (Vec<_>, Vec<_>) = live.iter().partition(|l| l.reason == LiveReason::Unseen);
    say(CAUTION);
    if rows.is_empty() {
        line("Nothing in this log is recorded as live. That is no proof that nothing is: look.")?;
    } else {
        let mut cells = live_rows(ledger, &rows);
        // By outing, and within it by where a person has to go.
        cells.sort_by(|a, b| (&a[1], &a[2]).cmp(&(&b[1], &b[2])));
        for same in cells.chunk_by(|a, b| a[1] == b[1]) {
            let Some([_, outing, ..]) = same.first() else { continue };
            let wait = rows.iter().find(|l| name_of(ledger, RegisterId::Outing(l.shot.outing)) == *outing);
            let wait = wait.and_then(|l| wait_minutes(ledger, l));
            let wait = wait.map_or_else(String::new, |w| format!("; its rules say to wait {w} min before approaching"));
            line(&format!("\n{outing}: {} live{wait}.", same.len()))?;
            let headers = ["shot", "where", "position", "what", "fuse", "why"];
            let without_outing =
                |[shot, _, place, position, what, fuse, why]: &[String; 7]| {
                    [shot, place, position, what, fuse, why].map(String::clone).to_vec()
                };
            line(&table(&headers, &[2], same.iter().map(without_outing).collect()))?;
        }
    }
    if !unseen.is_empty() {
        line(&format!("{} more fired, and nobody saw whether the fuse was lit.", unseen.len()))?;
    }
    Ok(())
}
