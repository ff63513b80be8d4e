//! Checking every signature and seal: of this log, of a carry file, or of a report. Nothing is sent anywhere.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;

use embertally_core::crew::{Paper, SealFault};
use embertally_core::facts::{CrewId, DeviceId, EntryHash, EntryId, Fact, Moment, OutingId};
use embertally_core::ledger::Ledger;
use embertally_core::log::{CARRY_MAGIC, Log};
use embertally_core::store::{MemoryStore, Store};
use serde_json::{Value, json};

use super::Context;
use super::crew::device_name;
use crate::args::VerifyArgs;
use crate::error::{CliError, file_error, sentence};
use crate::output::{self, counted, line, say};
use crate::session::{readable, system_bits};

/// What a log came to.
struct Checked {
    crew: Option<CrewId>,
    name: String,
    counted: usize,
    apart: BTreeMap<&'static str, usize>,
    problems: Vec<String>,
    seals: Vec<SealChecked>,
}

struct SealChecked {
    outing: OutingId,
    name: String,
    entries: usize,
    digest: String,
    faults: Vec<String>,
    after: usize,
}

impl Checked {
    /// Returns the first thing that does not fit.
    fn first(&self) -> Option<String> {
        let broken = self.seals.iter().find_map(|s| Some(format!("outing {}: {}", s.name, s.faults.first()?)));
        broken.or_else(|| self.problems.first().cloned())
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Says what became of a sealed entry: who wrote it and when, as far as that is still known.
fn fault(fault: SealFault, known: &BTreeMap<EntryId, (DeviceId, Moment)>, ledger: &Ledger) -> String {
    let of = |entry: EntryId| match known.get(&entry) {
        Some((device, at)) => format!("{entry} by {} of {}", device_name(ledger, *device), readable(*at)),
        None => entry.to_string(),
    };
    match fault {
        SealFault::Missing(entry) => format!("sealed entry {} is missing, or does not count any more", of(entry)),
        SealFault::Altered(entry) => format!("sealed entry {} says something else than when it was sealed", of(entry)),
        _ => "the seal's own list of entries is not whole".to_owned(),
    }
}

fn check<S: Store>(log: &mut Log<S>) -> Result<Checked, CliError> {
    let roster = log.roster()?;
    let (mut ledger, mut counted) = (Ledger::new(), 0);
    let mut entries: BTreeMap<EntryId, (DeviceId, Moment)> = BTreeMap::new();
    let mut outings: BTreeSet<OutingId> = BTreeSet::new();
    log.replay_distrusting(|document, entry| {
        counted += 1;
        entries.insert(entry.id, (entry.device, entry.written));
        if let embertally_core::facts::DocumentId::Outing { outing, .. } = document
            && entry.facts.iter().any(|s| matches!(s.fact, Fact::Seal(_)))
        {
            outings.insert(outing);
        }
        ledger.add(&entry);
    })?;
    ledger.settle();
    let mut apart = BTreeMap::new();
    log.apart().iter().for_each(|a| *apart.entry(a.why.code()).or_insert(0) += 1);
    let problems = log.problems().iter().map(output::problem).collect();
    let mut seals = Vec::new();
    for outing in outings {
        let now: BTreeMap<EntryId, EntryHash> = log.held_in(outing)?;
        for seal in log.seals(outing)? {
            seals.push(SealChecked {
                outing,
                name: crate::names::name_of(&ledger, embertally_core::facts::RegisterId::Outing(outing)),
                entries: seal.len(),
                digest: hex(&seal.digest()),
                faults: seal.faults(&now).into_iter().map(|f| fault(f, &entries, &ledger)).collect(),
                after: now.keys().filter(|entry| !seal.holds(**entry)).count(),
            });
        }
    }
    let name = roster.as_ref().map(|r| r.name().to_owned()).unwrap_or_default();
    Ok(Checked { crew: roster.map(|r| r.crew()), name, counted, apart, problems, seals })
}

fn as_json(checked: &Checked, what: &str) -> Value {
    let seals: Vec<Value> = checked
        .seals
        .iter()
        .map(|s| {
            json!({
                "outing": s.outing.to_string(), "name": s.name, "entries": s.entries, "digest": s.digest,
                "faults": s.faults, "after": s.after,
            })
        })
        .collect();
    json!({
        "checked": what, "fits": checked.first().is_none(), "first": checked.first(),
        "crew": checked.crew.map(|c| c.to_string()), "counted": checked.counted, "apart": checked.apart,
        "problems": checked.problems, "seals": seals,
    })
}

fn tell(context: &Context, checked: &Checked, what: &str) -> Result<(), CliError> {
    if context.json {
        output::json(&as_json(checked, what))?;
    } else {
        match checked.crew {
            Some(crew) => line(&format!(
                "Crew {} ({crew}): {} signed by members or vouched for by a chief, and every signature fits.",
                checked.name,
                counted(checked.counted, "entry", "entries")
            ))?,
            None => line(&format!(
                "{} is no crew's, or its crew is not known here: {} in it, whose signatures nobody can check.",
                sentence(what).trim_end_matches('.'),
                counted(checked.counted, "entry", "entries")
            ))?,
        }
        for seal in &checked.seals {
            let state = match seal.faults.as_slice() {
                [] => "as it was sealed".to_owned(),
                faults => format!("does not fit its seal ({})", counted(faults.len(), "fault", "faults")),
            };
            let after = if seal.after > 0 { format!("; {} after the seal", seal.after) } else { String::new() };
            line(&format!("Outing {}: {} sealed, {state}{after}. Seal {}.", seal.name, seal.entries, seal.digest))?;
        }
        if checked.seals.is_empty() && checked.crew.is_some() {
            line("No outing is sealed.")?;
        }
        for (code, count) in &checked.apart {
            line(&format!("Kept apart, and not counted ({code}): {count}."))?;
        }
        checked.problems.iter().try_for_each(|p| line(p))?;
    }
    match checked.first() {
        None => Ok(()),
        Some(first) => {
            Err(CliError::refused("E_VERIFY", sentence(&format!("the first thing that does not fit: {first}"))))
        }
    }
}

pub(super) fn verify(context: &Context, args: &VerifyArgs) -> Result<(), CliError> {
    let Some(path) = &args.file else {
        let mut session = context.open_to_read()?;
        let checked = check(&mut session.log)?;
        wanted(args, &checked)?;
        return tell(context, &checked, "this log");
    };
    let bytes = fs::read(path).map_err(|e| file_error("read", path, &e))?;
    let crew = args
        .crew
        .as_deref()
        .map(|text| text.parse::<CrewId>().map_err(|e| CliError::Usage(sentence(&e.to_string()))))
        .transpose()?;
    if bytes.starts_with(CARRY_MAGIC) {
        return carried(context, args, &bytes, crew);
    }
    match std::str::from_utf8(&bytes) {
        Ok(page) => report(context, page, crew),
        Err(_) => Err(CliError::refused("E_VERIFY_FILE", "This is neither a carry file nor a report.")),
    }
}

fn crew_here(context: &Context) -> Result<Option<CrewId>, CliError> {
    if context.has_log()? { Ok(context.open_to_read()?.log.crew()?) } else { Ok(None) }
}

/// Refuses what lacks the seal that was asked for: a file cut before it looks whole otherwise.
fn wanted(args: &VerifyArgs, checked: &Checked) -> Result<(), CliError> {
    let Some(wanted) = &args.seal else { return Ok(()) };
    let wanted = wanted.trim().to_lowercase();
    if wanted.len() >= 8 && checked.seals.iter().any(|s| s.digest.starts_with(&wanted)) {
        return Ok(());
    }
    Err(CliError::refused("E_VERIFY", format!("No outing here has the seal {wanted}.")))
}

fn carried(context: &Context, args: &VerifyArgs, bytes: &[u8], crew: Option<CrewId>) -> Result<(), CliError> {
    let crew = match crew {
        Some(crew) => Some(crew),
        None => crew_here(context)?,
    };
    let mut log = Log::open(MemoryStore::default(), system_bits);
    log.absorb(bytes)?;
    if let Some(crew) = crew {
        log.set_crew(crew)?;
        if log.roster()?.is_none() {
            let text = format!("The file holds nothing of crew {crew}: its founding is not in it.");
            return Err(CliError::refused("E_VERIFY", text));
        }
    } else if !context.json {
        say("No crew is known here to check it by; name one with --crew ID.");
    }
    let checked = check(&mut log)?;
    wanted(args, &checked)?;
    tell(context, &checked, "the carry file")
}

fn report(context: &Context, page: &str, crew: Option<CrewId>) -> Result<(), CliError> {
    let refuse = |text: String| CliError::refused("E_VERIFY", sentence(&text));
    let paper = Paper::of(page).map_err(|e| refuse(e.to_string()))?;
    let mut session = context.open_to_read()?;
    if let Some(crew) = crew.or(session.log.crew()?)
        && paper.crew != Some(crew)
    {
        return Err(refuse("the report is of another crew, or of a log without one".to_owned()));
    }
    let roster = session.log.roster()?;
    let ledger = session.register_ledger(None)?;
    let name = device_name(&ledger, paper.device);
    if let Some(roster) = &roster
        && roster.role(paper.device).is_none()
    {
        return Err(refuse(format!("the report was written by {name}, which is no member of the crew now")));
    }
    for (outing, digest) in &paper.seals {
        let seals = session.log.seals(*outing)?;
        if !seals.iter().any(|s| s.digest() == *digest) {
            let outing = crate::names::name_of(&ledger, embertally_core::facts::RegisterId::Outing(*outing));
            return Err(refuse(format!("the report rests on a seal of outing {outing} that is not in this log")));
        }
    }
    if context.json {
        let seals: Vec<Value> =
            paper.seals.iter().map(|(o, d)| json!({ "outing": o.to_string(), "digest": hex(d) })).collect();
        return output::json(&json!({
            "checked": "report", "fits": true, "device": paper.device.to_string(), "device_name": name,
            "written": paper.written.to_string(), "crew": paper.crew.map(|c| c.to_string()), "seals": seals,
        }));
    }
    line(&format!("The report is as {name} wrote it on {}.", readable(paper.written)))?;
    let known =
        if roster.is_some() { "a member of this crew" } else { "signed by the device it names; no crew is known here" };
    line(&format!("Its writer: {known}. It rests on {} of this log.", counted(paper.seals.len(), "seal", "seals")))
}
