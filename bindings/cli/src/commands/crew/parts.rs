//! What a device may do: confirm, change, shut out, leave.

use embertally_core::crew::{Apart, How, Roster};
use embertally_core::facts::{DeviceId, EntryId, Fact, Leaving, Role, Standing, Vouching};
use embertally_core::ledger::Ledger;
use embertally_core::log::{Home, KeptApart};
use serde_json::json;

use super::super::Context;
use super::super::rates::parsed;
use super::join::as_chief;
use super::{device_name, roster_of};
use crate::error::CliError;
use crate::output::{self, counted, say};
use crate::session::Session;

/// How many known entries one standing lists: what fits into one entry's bytes with room to spare.
const PER_STANDING: usize = 6_000;

/// Finds a device of the crew by its name or the end of its id.
fn find(roster: &Roster, ledger: &Ledger, text: &str) -> Result<DeviceId, CliError> {
    let typed = text.trim().to_lowercase();
    let fits = |device: &DeviceId| {
        device_name(ledger, *device).to_lowercase() == typed
            || (typed.len() >= 4 && device.to_string().ends_with(&typed))
    };
    let found: Vec<DeviceId> = roster.members().map(|m| m.device).filter(fits).collect();
    match found.as_slice() {
        [one] => Ok(*one),
        [] => Err(CliError::refused(
            "E_NOT_FOUND",
            format!("No device of the crew is called {text:?}, or has an id that ends so: embertally crew shows them."),
        )),
        several => {
            let ids: Vec<String> = several.iter().map(ToString::to_string).collect();
            let text = format!("{text:?} may be any of: {}. Use the end of the id.", ids.join(", "));
            Err(CliError::refused("E_AMBIGUOUS", text))
        }
    }
}

fn done(context: &Context, device: DeviceId, role: Option<Role>, known: usize, said: &str) -> Result<(), CliError> {
    if context.json {
        return output::json(&json!({
            "saved": true, "device": device.to_string(), "role": role.map(Role::word), "known": known,
        }));
    }
    say(said);
    Ok(())
}

fn write(
    session: &mut Session,
    roster: &Roster,
    device: DeviceId,
    role: Option<Role>,
    reason: &str,
    known: &[EntryId],
) -> Result<(), CliError> {
    let parts: Vec<&[EntryId]> = if known.is_empty() { vec![&[]] } else { known.chunks(PER_STANDING).collect() };
    // All parts or none: half of what was known would take the other half back.
    let mut entries = Vec::new();
    for part in parts {
        let mut entry = session.entry();
        let (known, after) = (part.to_vec(), roster.heads());
        entry.state(Fact::Standing(Standing { device, key: None, role, reason: reason.to_owned(), known, after }));
        entries.push((Home::Register, entry));
    }
    session.write_all(&mut entries)?;
    Ok(())
}

pub(super) fn confirm(context: &Context, device: &str, role: Option<&str>) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let roster = as_chief(&mut session)?;
    let ledger = session.register_ledger(None)?;
    let device = find(&roster, &ledger, device)?;
    let invited = roster.invitation_of(device).map(|i| i.role);
    let role = match role {
        Some(role) => parsed::<Role>(role)?,
        None => roster
            .role(device)
            .or(invited)
            .ok_or_else(|| CliError::Usage("Nothing says what this device may do; add --role.".to_owned()))?,
    };
    let known = session.log.entries_of(device)?;
    write(&mut session, &roster, device, Some(role), "confirmed by a chief", &known)?;
    let name = device_name(&ledger, device);
    let mut said = format!("Saved on this device: {name} belongs to the crew as {role}.");
    if roster.member(device).is_some_and(|m| m.how == How::InvitationSpent) {
        said.push_str(" Others who used its code stay out.");
    }
    done(context, device, Some(role), 0, &said)
}

pub(super) fn part(context: &Context, device: &str, role: Option<Role>, reason: &str) -> Result<(), CliError> {
    if reason.trim().is_empty() {
        return Err(CliError::Usage("This needs a reason: it is part of the record.".to_owned()));
    }
    let mut session = context.open_to_read()?;
    let roster = as_chief(&mut session)?;
    let ledger = session.register_ledger(None)?;
    let device = find(&roster, &ledger, device)?;
    let chiefs = roster.members().filter(|m| m.role == Some(Role::Chief) && m.device != device).count();
    if chiefs == 0 && role != Some(Role::Chief) {
        let text = "This is the only chief's device: nobody could let anybody in again. Make another one chief first.";
        return Err(CliError::refused("E_LAST_CHIEF", text));
    }
    let known = session.log.entries_of(device)?;
    write(&mut session, &roster, device, role, reason.trim(), &known)?;
    let name = device_name(&ledger, device);
    let entries = counted(known.len(), "entry", "entries");
    let said = match role {
        Some(role) => format!("Saved on this device: {name} is {role} from now on; {entries} of it known so far."),
        None => format!(
            "Saved on this device: {name} is shut out. {entries} of it known here go on counting; what comes to light \
             later never will. Meet the others and the server, so that they know it too, and look through what it has \
             cleared: embertally live --made-safe."
        ),
    };
    done(context, device, role, known.len(), &said)
}

/// Lets an entry count that is kept apart: a chief's word, by its hash, with a reason.
pub(super) fn vouch(context: &Context, entry: &str, reason: &str) -> Result<(), CliError> {
    if reason.trim().is_empty() {
        return Err(CliError::Usage("This needs a reason: it is part of the record.".to_owned()));
    }
    let mut session = context.open_to_read()?;
    as_chief(&mut session)?;
    session.log.replay(|_, _| ())?;
    let typed = entry.trim().to_lowercase();
    let fits = |a: &&KeptApart| typed.len() >= 4 && a.entry.to_string().ends_with(&typed);
    let found: Vec<KeptApart> = session.log.apart().iter().filter(fits).cloned().collect();
    let one = match found.as_slice() {
        [one] => one,
        [] => {
            let text = format!("Nothing that is kept apart has an id that ends with {entry:?}: embertally apart.");
            return Err(CliError::refused("E_NOT_FOUND", text));
        }
        _ => return Err(CliError::refused("E_AMBIGUOUS", format!("{entry:?} may be several; type more of the id."))),
    };
    if matches!(one.why, Apart::Forged | Apart::Borrowed { .. }) {
        let text = "Its signature is not its device's, so nobody can say who wrote it. State anew what is true of it.";
        return Err(CliError::refused("E_FORGED", text));
    }
    let held = session.log.held(one.document, one.entry)?;
    let mut stated = session.entry();
    stated.state(Fact::Vouching(Vouching { held: held.into_iter().collect(), reason: reason.trim().to_owned() }));
    session.write_to(Home::Register, &mut stated)?;
    if context.json {
        return output::json(&json!({ "saved": true, "entry": one.entry.to_string(), "shots": one.shots }));
    }
    say("Saved on this device: it counts from now on, by this chief's word.");
    Ok(())
}

pub(super) fn leave(context: &Context, reason: &str) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let roster = roster_of(&mut session)?;
    let own = session.device;
    if roster.role(own).is_none() {
        return Err(CliError::refused("E_NOT_MEMBER", "This device is out of the crew already."));
    }
    let chiefs = roster.members().filter(|m| m.role == Some(Role::Chief) && m.device != own).count();
    if chiefs == 0 && roster.role(own) == Some(Role::Chief) {
        let text = "This is the only chief's device: nobody could let anybody in again. Make another one chief first.";
        return Err(CliError::refused("E_LAST_CHIEF", text));
    }
    let mut entry = session.entry();
    let known = session.log.entries_of(own)?;
    if known.len() > PER_STANDING {
        let text = "This device has logged too much to leave by itself; a chief can let it go: embertally crew out.";
        return Err(CliError::refused("E_TOO_MANY", text));
    }
    entry.state(Fact::Leaving(Leaving { reason: reason.trim().to_owned(), known, after: roster.heads() }));
    session.write_to(Home::Register, &mut entry)?;
    done(context, own, None, 0, "Saved on this device: it has left the crew. What it logged goes on counting.")
}
