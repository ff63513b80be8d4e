//! Forgetting a person's name, for good, and saying plainly what that does not reach.

use embertally_core::facts::{Fact, Forgotten, PersonId};
use embertally_core::store::{Store, Write};
use serde_json::json;

use super::Context;
use super::crew::as_chief;
use super::person::{Held, fact_of, held, speaks_of};
use crate::args::ForgetArgs;
use crate::error::CliError;
use crate::output::{self, counted, say};
use crate::session::Session;

/// What no command here reaches.
const ELSEWHERE: &[&str] = &[
    "Devices that have not met this one yet, directly or through the server: each drops the name when it does.",
    "Carry files and their pages, exports, reports and sheets that were handed out: delete them by hand. None of them can \
     bring the name back into a log.",
    "Backups of this device, of other devices and of the server: delete them by hand. A log that is restored from one \
     drops the name when it next meets the crew.",
    "What a disk keeps below the file system (copies a phone's flash makes, snapshots), and a PostgreSQL server's own \
     write-ahead log and free space until it reuses them.",
    "The person's id stays, since the evidence hangs on it. It is made from the name, so whoever guesses the name can \
     tell that it fits.",
];

/// How many mentions are shown; with --json all are.
const MOST_SHOWN: usize = 20;

pub(super) fn forget(context: &Context, args: &ForgetArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let person = PersonId::named(&args.name);
    if args.reason.as_deref().is_some_and(|reason| speaks_of(reason, &args.name)) {
        return Err(CliError::Usage("The reason holds the name; it stays in the log, so say it without.".to_owned()));
    }
    if session.log.roster()?.is_some() {
        as_chief(&mut session)?;
    }
    let held = held(&mut session, &args.name)?;
    held.refuse_unknown(&args.name)?;
    let before = session.log.is_forgotten(person)?;
    if !before && !args.yes {
        say(&format!(
            "What is to be forgotten is the name alone: {} on this person by id, and stay, as {}.",
            counted(held.facts.len(), "fact hangs", "facts hang"),
            Forgotten::called(person),
        ));
        tell(&held);
        return Err(CliError::refused(
            "E_NOT_CONFIRMED",
            "Nothing was done. A forgotten name cannot be brought back by anybody; say it again with --yes.",
        ));
    }
    let mut entry = (!before).then(|| {
        let mut entry = session.entry();
        entry.state(Fact::Forgotten(Forgotten { person, reason: args.reason.clone() }));
        entry
    });
    if let Some(entry) = &mut entry {
        session.write(entry)?;
    }
    let own = Some(person) == session.kept_observer()?;
    if own {
        session.log.store_mut().commit(&[Write::Keep { key: "observer".to_owned(), value: Vec::new() }])?;
    }
    let cleared = session.log.store().is_cleared()?;
    if context.json {
        return output::json(&json!({
            "saved": true, "already": before, "entry": entry.map(|e| e.id.to_string()), "person": person.to_string(),
            "called": Forgotten::called(person), "facts": held.facts.len(), "mentions": held.mentions_json(),
            "devices_named": held.devices, "file_cleared": cleared, "elsewhere": ELSEWHERE,
        }));
    }
    say(&format!(
        "{}: the name is forgotten. {} this person by id, and are shown as of {}.",
        if before { "It was saved before" } else { "Saved on this device" },
        counted(held.facts.len(), "fact names", "facts name"),
        Forgotten::called(person),
    ));
    if own {
        say("Nobody is set as this device's observer now: embertally crew observer NAME.");
    }
    tell_cleared(&session, cleared);
    tell(&held);
    Ok(())
}

fn tell_cleared(session: &Session, cleared: bool) {
    if cleared {
        say(&format!("No file in {} holds it any more.", session.folder().display()));
    } else {
        say(
            "Bytes of it may still lie in the file, since another program was reading it or the disk is full; they are \
             cleared away when the log is next opened.",
        );
    }
}

/// Says what stays, and what is elsewhere.
fn tell(held: &Held) {
    if !held.mentions.is_empty() {
        say(
            "These texts hold the name. They are evidence and stay; a correction or a withdrawal does not remove them:",
        );
        for mention in held.mentions.iter().take(MOST_SHOWN) {
            say(&format!("  {} {}: {}", mention.kind, fact_of(mention), output::capped(&mention.text, 80)));
        }
        if held.mentions.len() > MOST_SHOWN {
            say(&format!("  and {} more (--json shows all)", held.mentions.len() - MOST_SHOWN));
        }
    }
    say("Not reached from here:");
    ELSEWHERE.iter().for_each(|line| say(&format!("  {line}")));
}
