//! What the log holds about one person, as a table or as one JSON object to hand over.

use embertally_core::facts::{Entry, Fact, FactId, PersonId, RegisterId, Sighting, VolleyId, comparable_name};
use embertally_core::ledger::Ledger;
use serde_json::{Value, json};

use super::Context;
use crate::args::PersonArgs;
use crate::error::CliError;
use crate::names::{stated_name, unknown};
use crate::output::{self, Answer, counted, table};
use crate::session::{Session, readable};

/// A text that holds the person's name somewhere: it was typed freely and is part of the evidence.
pub(super) struct Mention {
    /// The fact, or `None` for a description that the crew goes on editing.
    pub(super) fact: Option<FactId>,
    pub(super) kind: &'static str,
    pub(super) text: String,
}

/// What the log holds about one person.
pub(super) struct Held {
    pub(super) ledger: Ledger,
    /// Facts that name them by their id, with where they stand.
    pub(super) facts: Vec<Value>,
    pub(super) mentions: Vec<Mention>,
    /// Names of devices that hold theirs.
    pub(super) devices: Vec<String>,
}

/// The word for a kind of fact.
fn kind_of(fact: &Fact) -> &'static str {
    match fact {
        Fact::IgniterType(_) => "type",
        Fact::Lot(_) => "lot",
        Fact::Fuse(_) => "fuse",
        Fact::Module(_) => "module",
        Fact::Person(_) => "person",
        Fact::Device(_) => "device",
        Fact::Outing(_) => "outing",
        Fact::Volley(_) => "volley",
        Fact::Sightings(_) => "sightings",
        Fact::Ruling(_) => "ruling",
        Fact::Match(_) => "match",
        Fact::MadeSafe(_) => "made-safe",
        Fact::Reading(_) => "reading",
        Fact::Withdrawal(_) => "withdrawal",
        Fact::BridgeReading(_) => "bridge-reading",
        Fact::Founding(_) => "founding",
        Fact::Invitation(_) => "invitation",
        Fact::Joining(_) => "joining",
        Fact::Standing(_) => "standing",
        Fact::Leaving(_) => "leaving",
        Fact::Seal(_) => "seal",
        Fact::Vouching(_) => "vouching",
        Fact::Forgotten(_) => "forgotten",
        Fact::Unknown { .. } => "unknown",
    }
}

fn seen(sighting: &Sighting) -> Value {
    let delay = sighting.delay.and_then(|delay| delay.checked_interval().ok());
    json!({
        "position": sighting.position, "ignition": sighting.ignition.word(), "transfer": sighting.transfer.word(),
        "delay_low_ms": delay.map(|d| d.low_ms()), "delay_high_ms": delay.map(|d| d.high_ms()),
        "strength": sighting.strength, "cause": sighting.cause.map(|c| c.word()), "note": sighting.note,
    })
}

/// What a fact says, in words and numbers.
fn said(fact: &Fact) -> Value {
    let volley = |id: VolleyId| id.to_string();
    match fact {
        Fact::Person(f) => json!({ "name": f.name, "role": f.role.word() }),
        Fact::Sightings(f) => {
            json!({ "volley": volley(f.volley), "seen": f.seen.iter().map(seen).collect::<Vec<_>>() })
        }
        Fact::Ruling(f) => json!({
            "shot": f.shot.to_string(), "ignition": f.ignition.map(|v| v.word()),
            "transfer": f.transfer.map(|v| v.word()), "cause": f.cause.map(|v| v.word()), "reason": f.reason,
        }),
        Fact::Match(f) => json!({ "first": volley(f.first), "second": volley(f.second), "same": f.same }),
        Fact::MadeSafe(f) => json!({
            "shots": f.shots.iter().map(ToString::to_string).collect::<Vec<_>>(),
            "at": f.at.map(|at| at.to_string()), "how": f.how,
        }),
        Fact::Forgotten(f) => json!({ "reason": f.reason }),
        other => json!({ "texts": other.texts() }),
    }
}

fn facts_of(entry: &Entry, person: PersonId) -> Vec<Value> {
    let own = |(_, stated): &(FactId, &embertally_core::facts::Stated)| stated.fact.people().contains(&person);
    let line = |(id, stated): (FactId, &embertally_core::facts::Stated)| {
        json!({
            "fact": id.to_string(), "kind": kind_of(&stated.fact), "device": entry.device.to_string(),
            "written": entry.written.to_string(), "when": readable(entry.written),
            "replaces": stated.replaces.map(|old| old.to_string()), "said": said(&stated.fact),
        })
    };
    entry.facts().filter(own).map(line).collect()
}

/// Whether a text holds a name as words of its own, whatever the case and the spacing.
pub(super) fn speaks_of(text: &str, name: &str) -> bool {
    let (text, name) = (comparable_name(text), comparable_name(name));
    let is_letter = |c: Option<char>| c.is_some_and(char::is_alphanumeric);
    text.match_indices(&name).any(|(at, found)| {
        let (before, after) = (text.get(..at), text.get(at + found.len()..));
        !is_letter(before.and_then(|t| t.chars().next_back())) && !is_letter(after.and_then(|t| t.chars().next()))
    })
}

/// Gathers what the log holds about a person.
pub(super) fn held(session: &mut Session, name: &str) -> Result<Held, CliError> {
    let person = PersonId::named(name);
    let (mut facts, mut mentions) = (Vec::new(), Vec::new());
    let ledger = session.ledger_and(|_, entry| {
        facts.extend(facts_of(entry, person));
        for (id, stated) in entry.facts() {
            if matches!(&stated.fact, Fact::Person(f) if f.id() == person) {
                continue;
            }
            for text in stated.fact.texts().into_iter().filter(|text| speaks_of(text, name)) {
                mentions.push(Mention { fact: Some(id), kind: kind_of(&stated.fact), text: text.to_owned() });
            }
        }
    })?;
    for label in session.log.labels()? {
        let texts = std::iter::once(label.text).chain(label.others);
        mentions.extend(texts.filter(|text| speaks_of(text, name)).map(|text| Mention {
            fact: None,
            kind: "description",
            text,
        }));
    }
    let devices = ledger.register().devices().iter().map(|(_, d)| d.value.name.clone());
    let devices = devices.filter(|device| speaks_of(device, name)).collect();
    Ok(Held { ledger, facts, mentions, devices })
}

impl Held {
    /// Refuses a name that nothing in the log is about.
    pub(super) fn refuse_unknown(&self, name: &str) -> Result<(), CliError> {
        let people = self.ledger.register().people();
        if people.get(PersonId::named(name)).is_some() || !self.facts.is_empty() {
            return Ok(());
        }
        let known = people.iter().map(|(_, p)| p.value.name.clone()).collect();
        Err(unknown("member of the crew", name, known, "embertally crew add"))
    }

    pub(super) fn mentions_json(&self) -> Vec<Value> {
        let line = |m: &Mention| json!({ "fact": m.fact.map(|f| f.to_string()), "kind": m.kind, "text": m.text });
        self.mentions.iter().map(line).collect()
    }
}

pub(super) fn person(context: &Context, args: &PersonArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let held = held(&mut session, &args.name)?;
    held.refuse_unknown(&args.name)?;
    let id = PersonId::named(&args.name);
    if context.json {
        let object = json!({
            "person": id.to_string(), "called": stated_name(&held.ledger, RegisterId::Person(id)),
            "forgotten": session.log.is_forgotten(id)?, "facts": held.facts, "mentions": held.mentions_json(),
            "devices_named": held.devices,
        });
        return output::json(&Answer::new(object, session.problems()));
    }
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let facts = held.facts.iter().map(|f| vec![text(&f["when"]), text(&f["kind"]), text(&f["fact"])]);
    let mention = |m: &Mention| vec![String::new(), format!("{}: {}", m.kind, m.text), fact_of(m)];
    let rows = facts.chain(held.mentions.iter().map(mention)).collect();
    output::line(&table(&["when", "what", "fact"], &[], rows))?;
    output::say(&format!(
        "{} name this person, {} the name. With --json it is all there, to be handed over.",
        counted(held.facts.len(), "fact", "facts"),
        counted(held.mentions.len(), "free text holds", "free texts hold"),
    ));
    Ok(())
}

/// Shows where a mention stands.
pub(super) fn fact_of(mention: &Mention) -> String {
    mention.fact.map_or_else(String::new, |fact| fact.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_found_as_words_and_not_inside_others() {
        assert!(speaks_of("seen by  ada, and wet", "Ada"));
        assert!(speaks_of("Ada's phone", "ada"));
        assert!(!speaks_of("Adam saw it", "Ada"));
        assert!(!speaks_of("", "Ada"));
        assert!(speaks_of("Wilhelmina  Quast", "wilhelmina quast"));
    }
}
