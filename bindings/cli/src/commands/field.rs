//! What the crew disagrees about, and what is still live on the field.

use std::collections::{BTreeSet, HashSet};

use embertally_core::facts::{DocumentId, Fact, FactId, MadeSafe, Moment, RegisterId, ShotId};
use embertally_core::ledger::{Agreement, Dispute, Ledger, LiveReason, LiveShot, Observer, ShotView, Subject};
use embertally_core::log::Label;
use embertally_stats::{cohen_kappa, fleiss_kappa};
use serde_json::{Value, json};

use super::Context;
use crate::args::LiveArgs;
use crate::error::CliError;
use crate::names::{name_of, observer_id, observer_name, outing_of, short_fact, short_shot, short_volley, stated_name};
use crate::output::{self, Answer, CAUTION, capped, clean, line, say, table};
use crate::session::{Session, readable};

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

/// Returns an observer's name exactly as it was stated, for programs.
fn stated(ledger: &Ledger, observer: Observer) -> String {
    stated_name(ledger, observer_id(observer))
}

fn kappa_rows(ledger: &Ledger, agreement: &Agreement) -> Vec<Value> {
    let pair = |p: &embertally_core::ledger::PairTable| {
        let shots: u64 = p.table.iter().flatten().sum();
        let same: u64 = (0..p.table.len()).map(|i| p.table[i][i]).sum();
        let kappa = cohen_kappa(&p.table).ok();
        json!({
            "observers": [stated(ledger, p.first), stated(ledger, p.second)],
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
        let said =
            d.said.iter().map(|s| json!({ "fact": s.fact.to_string(), "by": stated(&ledger, s.by), "says": s.says }));
        json!({ "about": kind, "id": id, "field": d.field, "said": said.collect::<Vec<_>>() })
    };
    let proposal = |p: &embertally_core::ledger::Proposal| json!({ "first": p.first.to_string(), "second": p.second.to_string(), "reason": p.reason() });
    let label = |l: &Label| {
        let texts: Vec<&String> = std::iter::once(&l.text).chain(&l.others).collect();
        json!({ "of": l.subject.to_string(), "field": l.field, "texts": texts })
    };
    let answer = json!({
        "rows": ledger.disputes().iter().map(dispute).collect::<Vec<_>>(),
        "proposals": ledger.proposals().iter().map(proposal).collect::<Vec<_>>(),
        "labels": labels.iter().map(label).collect::<Vec<_>>(),
        "agreement": kappa_rows(&ledger, &ledger.agreement()),
    });
    output::json(&Answer::new(answer, session.problems()))
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
            [
                "label".to_owned(),
                name_of(ledger, l.subject),
                l.field.clone(),
                [vec![l.text.clone()], l.others.clone()].concat().join(" / "),
            ]
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
            let kappa =
                fleiss_kappa(&many.rows).map_or_else(|_| "not defined".to_owned(), |k| format!("{:.2}", k.kappa));
            line(&format!("{} shots with {} observers each: Fleiss' kappa {kappa}.", many.rows.len(), many.observers))?;
        }
    }
    Ok(())
}

pub(super) fn live(context: &Context, args: &LiveArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let (ledger, mut safe) = ledger_and_made_safe(&mut session)?;
    let outing = args.outing.as_deref().map(|name| outing_of(&session, &ledger, Some(name))).transpose()?;
    let mut live = ledger.live();
    live.retain(|l| outing.is_none_or(|o| o == l.shot.outing));
    safe.retain(|s| outing.is_none_or(|o| ledger.finding(s.shot).is_some_and(|shot| shot.outing == o)));
    let problems = session.problems();
    // What does not count may lie on the field all the same.
    let apart = session.log.apart().iter().filter(|a| a.shots > 0);
    let (entries, shots) = apart.fold((0_usize, 0), |(entries, shots), a| (entries + 1, shots + a.shots));
    if !context.json {
        if shots > 0 {
            line(&format!(
                "KEPT APART, AND PERHAPS LIVE: {} with {shots} shots, none of which counts: embertally apart.",
                output::counted(entries, "entry", "entries"),
            ))?;
        }
        // Who reads the list from a pipe or a printer does not see standard error.
        if !problems.is_empty() {
            line(&format!("THIS LIST IS INCOMPLETE: {}", problems.join(" ")))?;
        }
        return if args.made_safe { print_made_safe(&ledger, &safe) } else { print_live(&ledger, &live) };
    }
    let (unseen, rows): (Vec<_>, Vec<_>) = live.iter().partition(|l| l.reason == LiveReason::Unseen);
    let answer = json!({
        "rows": rows.iter().map(|l| live_json(&ledger, l)).collect::<Vec<_>>(),
        "fuse_not_seen": unseen.iter().map(|l| live_json(&ledger, l)).collect::<Vec<_>>(),
        "made_safe": safe.iter().filter_map(|s| made_safe_json(&ledger, s)).collect::<Vec<_>>(),
        "kept_apart": { "entries": entries, "shots": shots },
        "caution": CAUTION,
    });
    output::json(&Answer::new(answer, problems))
}

/// One statement in effect that one real shot was made safe.
pub(super) struct SafeShot {
    pub(super) shot: ShotId,
    pub(super) fact: FactId,
    pub(super) document: DocumentId,
    said: MadeSafe,
}

/// Reads the log, and what was made safe in it, by shot.
pub(super) fn ledger_and_made_safe(session: &mut Session) -> Result<(Ledger, Vec<SafeShot>), CliError> {
    let mut said = Vec::new();
    let ledger = session.ledger_and(|document, entry| {
        for (id, stated) in entry.facts() {
            if let Fact::MadeSafe(safe) = &stated.fact {
                said.push((document, id, safe.clone()));
            }
        }
    })?;
    let aside: HashSet<FactId> = ledger.set_aside().into_iter().map(|a| a.id).collect();
    let mut shots = Vec::new();
    for (document, fact, said) in said.into_iter().filter(|(_, id, _)| !aside.contains(id)) {
        // Two slots of a statement may be one real shot.
        let real: BTreeSet<ShotId> = said.shots.iter().filter_map(|s| Some(ledger.finding(*s)?.id)).collect();
        shots.extend(real.into_iter().map(|shot| SafeShot { shot, fact, document, said: said.clone() }));
    }
    shots.sort_by_key(|s| (s.shot, s.fact));
    Ok((ledger, shots))
}

fn made_safe_json(ledger: &Ledger, safe: &SafeShot) -> Option<Value> {
    let mut row = shot_json(ledger, &ledger.finding(safe.shot)?);
    row["fact"] = json!(safe.fact.to_string());
    row["by"] = json!(safe.said.by.map(|p| stated_name(ledger, RegisterId::Person(p))));
    row["at"] = json!(safe.said.at.map(|at| at.to_string()));
    row["how"] = json!(safe.said.how);
    Some(row)
}

fn print_made_safe(ledger: &Ledger, safe: &[SafeShot]) -> Result<(), CliError> {
    if safe.is_empty() {
        return line("Nothing in this log is recorded as made safe.");
    }
    let row = |s: &SafeShot| {
        let [shot, outing, place, position, what, _] = shot_cells(ledger, &ledger.finding(s.shot)?);
        let by = s.said.by.map(|p| name_of(ledger, RegisterId::Person(p))).unwrap_or_default();
        let at = s.said.at.map(readable).unwrap_or_default();
        Some(vec![shot, outing, place, position, what, by, at, s.said.how.clone().unwrap_or_default()])
    };
    let headers = ["shot", "outing", "where", "position", "what", "by", "when", "how"];
    line(&table(&headers, &[3], safe.iter().filter_map(row).collect()))?;
    say("One that was not: `embertally safe --undo SHOT`.");
    Ok(())
}

fn wait_minutes(ledger: &Ledger, live: &LiveShot<'_>) -> Option<u16> {
    ledger.register().outings().get(live.shot.outing)?.value.wait_minutes
}

/// Returns where a shot is and what it is, with the names as they were stated.
fn shot_json(ledger: &Ledger, shot: &ShotView<'_>) -> Value {
    let module = shot.module.map(|m| stated_name(ledger, RegisterId::Module(m)));
    json!({
        "shot": shot.id.to_string(),
        "outing": stated_name(ledger, RegisterId::Outing(shot.outing)),
        "module": module, "channel": shot.channel, "position": shot.id.position,
        "lot": stated_name(ledger, RegisterId::Lot(shot.lot)), "unit": shot.unit,
        "fuse": shot.fuse.map(|f| stated_name(ledger, RegisterId::Fuse(f))),
        "fired_at": shot.stated_at().map(|unix_ms| Moment { unix_ms, offset_minutes: 0 }.to_string()),
    })
}

fn live_json(ledger: &Ledger, live: &LiveShot<'_>) -> Value {
    let mut row = shot_json(ledger, &live.shot);
    row["why"] = json!(live.reason.reason());
    row["wait_minutes"] = json!(wait_minutes(ledger, live));
    row
}

/// Returns which shot it is, its outing, where it is, its position, what it is, its fuse.
pub(super) fn shot_cells(ledger: &Ledger, shot: &ShotView<'_>) -> [String; 6] {
    let place = match (shot.module, shot.channel) {
        (Some(m), Some(c)) => format!("{} channel {c}", short_name(ledger, RegisterId::Module(m))),
        (Some(m), None) => short_name(ledger, RegisterId::Module(m)),
        (None, Some(c)) => format!("channel {c}"),
        (None, None) => String::new(),
    };
    let lot = short_name(ledger, RegisterId::Lot(shot.lot));
    [
        short_shot(shot.id),
        name_of(ledger, RegisterId::Outing(shot.outing)),
        place,
        shot.id.position.to_string(),
        match shot.unit {
            Some(unit) => format!("{lot} unit {}", clean(unit)),
            None => lot,
        },
        shot.fuse.map(|f| name_of(ledger, RegisterId::Fuse(f))).unwrap_or_default(),
    ]
}

/// A name before a number in one cell: a long one must not push the number out of it.
fn short_name(ledger: &Ledger, id: RegisterId) -> String {
    capped(&name_of(ledger, id), 36)
}

/// Returns one row for each shot: where it is, what it is, why it is live.
pub(crate) fn live_rows(ledger: &Ledger, live: &[&LiveShot<'_>]) -> Vec<[String; 7]> {
    let row = |l: &&LiveShot<'_>| {
        let [shot, outing, place, position, what, fuse] = shot_cells(ledger, &l.shot);
        [shot, outing, place, position, what, fuse, l.reason.reason().to_owned()]
    };
    live.iter().map(row).collect()
}

/// Prints the live list with its cautions.
pub(crate) fn print_live(ledger: &Ledger, live: &[LiveShot<'_>]) -> Result<(), CliError> {
    let (unseen, rows): (Vec<_>, Vec<_>) = live.iter().partition(|l| l.reason == LiveReason::Unseen);
    say(CAUTION);
    if rows.is_empty() {
        line(match unseen.is_empty() {
            true => "Nothing in this log is recorded as live. That is no proof that nothing is: look.",
            false => "Nothing is recorded as failed or not lit. That is no proof that nothing is live: look.",
        })?;
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
            let without_outing = |[shot, _, place, position, what, fuse, why]: &[String; 7]| {
                [shot, place, position, what, fuse, why].map(String::clone).to_vec()
            };
            line(&table(&headers, &[2], same.iter().map(without_outing).collect()))?;
        }
    }
    if !unseen.is_empty() {
        line(&format!("\nFired, and nobody saw whether the fuse was lit: {}.", unseen.len()))?;
        let mut cells: Vec<_> = unseen.iter().map(|l| shot_cells(ledger, &l.shot)).collect();
        cells.sort_by(|a, b| (&a[1], &a[2]).cmp(&(&b[1], &b[2])));
        let headers = ["shot", "outing", "where", "position", "what", "fuse"];
        line(&table(&headers, &[3], cells.into_iter().map(Vec::from).collect()))?;
    }
    Ok(())
}
