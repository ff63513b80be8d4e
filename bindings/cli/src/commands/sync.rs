//! Meeting the crew's server.

use std::io::Read;

use embertally_core::store::{Store, Write};
use embertally_link::{Courier, Invitation, Pass, Until};
use serde_json::json;

use super::Context;
use super::crew::confirm_joinings;
use super::meeting::{Effects, Teller, refused, stop_at_signal, summary};
use crate::args::SyncArgs;
use crate::error::{CliError, sentence};
use crate::output::{self, say};
use crate::session::Session;

/// Under which name the invitation is kept with the log.
const KEPT: &str = "link/invitation";
/// The longest secret that is read from standard input, in bytes.
const LONGEST: u64 = 4096;

/// Returns a secret as given, or read from standard input: what stands on a command line is seen by every user of a
/// machine, and kept in the shell's history.
pub(super) fn secret(given: &str) -> Result<String, CliError> {
    if given != "-" {
        return Ok(given.to_owned());
    }
    let mut text = String::new();
    std::io::stdin()
        .lock()
        .take(LONGEST)
        .read_to_string(&mut text)
        .map_err(|e| CliError::refused("E_FILE", format!("Cannot read standard input: {e}.")))?;
    Ok(text.trim().to_owned())
}

/// Returns a text that is kept with the log; one that was forgotten is empty.
pub(super) fn kept(session: &Session, key: &str) -> Result<Option<String>, CliError> {
    let bytes = session.log.store().kept(key)?.filter(|bytes| !bytes.is_empty());
    Ok(bytes.map(|bytes| String::from_utf8_lossy(&bytes).into_owned()))
}

pub(super) fn keep(session: &mut Session, key: &str, text: &str) -> Result<(), CliError> {
    let write = Write::Keep { key: key.to_owned(), value: text.as_bytes().to_vec() };
    session.log.store_mut().commit(&[write])?;
    Ok(())
}

/// Reads an invitation that was given or kept.
pub(super) fn parsed(text: &str) -> Result<Invitation, CliError> {
    text.parse().map_err(|e| CliError::refused("E_INVITATION", sentence(&format!("{e}"))))
}

fn invitation(context: &Context, args: &SyncArgs) -> Result<(Session, Invitation), CliError> {
    let Some(given) = &args.invitation else {
        let session = context.open_to_read()?;
        let kept = kept(&session, KEPT)?.ok_or_else(|| {
            let text = "No invitation is kept with this log. Ask whoever runs the crew's server for one, and give it \
                        once: embertally sync INVITATION.";
            CliError::refused("E_NO_INVITATION", text)
        })?;
        return Ok((session, parsed(&kept)?));
    };
    // A text that is none must not leave an empty log behind.
    let text = secret(given)?;
    let invitation = parsed(&text)?;
    let mut session = context.open()?;
    if matches!(invitation.pass, Pass::Join(_)) && session.log.crew()?.is_none() {
        let text =
            "This invitation lets a device into a crew. Join it first, with the same text: embertally crew join.";
        return Err(CliError::refused("E_NO_CREW", text));
    }
    may_meet(&session, &invitation)?;
    keep(&mut session, KEPT, &invitation.reveal())?;
    Ok((session, invitation))
}

/// Returns the way to the server that is kept with the log.
pub(super) fn server(session: &Session) -> Result<Option<Invitation>, CliError> {
    Ok(kept(session, KEPT)?.and_then(|text| text.parse().ok()))
}

/// Keeps the way to a server with the log.
pub(super) fn keep_server(session: &mut Session, invitation: &Invitation) -> Result<(), CliError> {
    keep(session, KEPT, &invitation.reveal())
}

/// Refuses to let another crew's server meet this log.
pub(super) fn may_meet(session: &Session, invitation: &Invitation) -> Result<(), CliError> {
    if server(session)?.is_some_and(|other| other.crew != invitation.crew) {
        let text = "This log belongs to another crew. Two crews' logs that have met cannot be parted again: use a log \
                    of its own for this one (--log DIR), or, if you are sure, embertally sync --forget first.";
        return Err(CliError::refused("E_OTHER_CREW", text));
    }
    Ok(())
}

/// From now on this device comes as a member: what let it in the first time is not needed any more.
fn comes_by_key(session: &mut Session, mut invitation: Invitation) -> Result<Invitation, CliError> {
    if invitation.pass != Pass::Member {
        invitation.pass = Pass::Member;
        keep_server(session, &invitation)?;
    }
    Ok(invitation)
}

fn forget(context: &Context) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let had = kept(&session, KEPT)?.is_some();
    if had {
        keep(&mut session, KEPT, "")?;
    }
    if context.json {
        return output::json(&json!({ "forgotten": had }));
    }
    say(if had { "The invitation is forgotten. The log is as it was." } else { "There was no invitation to forget." });
    Ok(())
}

pub(super) fn sync(context: &Context, args: &SyncArgs) -> Result<(), CliError> {
    if args.forget {
        return forget(context);
    }
    let (mut session, mut invitation) = invitation(context, args)?;
    let before = session.ledger()?;
    let mut courier = Courier::new(session.device).map_err(|e| refused(&e))?;
    stop_at_signal(&courier)?;
    let (until, watched) = if args.watch { (Until::Stopped, Some(session.ledger()?)) } else { (Until::Met, None) };
    let mut teller = Teller::new(context.json, watched);
    let mut met = courier.sync(&mut session.log, &invitation, until, &mut |log, note| teller.tell(log, note));
    if met.as_ref().is_ok_and(|outcome| outcome.by_key) {
        invitation = comes_by_key(&mut session, invitation)?;
    }
    if met.is_ok() && confirm_joinings(&mut session)? > 0 && !args.watch {
        // Those who joined wait for this word.
        met = courier.sync(&mut session.log, &invitation, until, &mut |log, note| teller.tell(log, note));
    }
    let after = session.ledger()?;
    let effects = Effects::between(&before, &after);
    let outcome = met.map_err(|e| {
        let came = after.volleys().count().saturating_sub(before.volleys().count());
        if came > 0 {
            say(&format!("Saved on this device before it ended: {came} more volleys."));
        }
        refused(&e)
    })?;
    if args.watch {
        // Everything was told as it happened.
        return Ok(());
    }
    if outcome.stopped {
        let text = "Stopped before all had come and gone. What had come is saved on this device; run it again for the \
                    rest.";
        return Err(CliError::refused("E_STOPPED", text));
    }
    let sent = if outcome.tally.reads_only {
        "This device is let in for reading: what is logged here is not sent."
    } else {
        "Sent: all that is logged here is on the server's disk."
    };
    summary(context.json, &outcome.tally, &effects, sent)
}
