//! The crew: its members, their devices, and what each device may do.

mod invited;
mod join;
mod parts;

use embertally_core::crew::{How, Member, Roster};
use embertally_core::facts::{Device, DeviceId, Fact, Person, PersonId, Role};
use embertally_core::ledger::Ledger;
use serde_json::{Value, json};

pub(super) use join::{as_chief, confirm_joinings};

use super::Context;
use super::rates::parsed;
use super::register::{ledger, list, state};
use crate::args::{CrewAction, CrewArgs};
use crate::error::CliError;
use crate::keys;
use crate::names::{name_given, unknown};
use crate::output::{self, say};
use crate::session::Session;

pub(super) fn crew(context: &Context, args: CrewArgs) -> Result<(), CliError> {
    match args.action {
        None => show(context),
        Some(CrewAction::Found { name, anew }) => join::found(context, &name, anew),
        Some(CrewAction::Invite { role, hours }) => join::invite(context, &role, hours),
        Some(CrewAction::Join { code, device }) => join::join(context, &code, device.as_deref()),
        Some(CrewAction::Confirm { device, role }) => parts::confirm(context, &device, role.as_deref()),
        Some(CrewAction::Part { device, role, reason }) => {
            parts::part(context, &device, Some(parsed::<Role>(&role)?), &reason)
        }
        Some(CrewAction::Out { device, reason }) => parts::part(context, &device, None, &reason),
        Some(CrewAction::Vouch { entry, reason }) => parts::vouch(context, &entry, &reason),
        Some(CrewAction::Leave { reason }) => parts::leave(context, &reason),
        Some(CrewAction::Lock { off }) => lock(context, off),
        Some(CrewAction::Add { name, role }) => add(context, &name, role.as_deref()),
        Some(CrewAction::Device { name }) => device(context, &name),
        Some(CrewAction::Observer { name }) => observer(context, &name),
    }
}

/// Returns what the crew calls a device, or the end of its id.
pub(super) fn device_name(ledger: &Ledger, device: DeviceId) -> String {
    ledger.register().devices().get(device).map_or_else(|| short(device), |d| d.value.name.clone())
}

/// Shows a device by the end of its id.
pub(super) fn short(device: DeviceId) -> String {
    let id = device.to_string();
    id.get(id.len().saturating_sub(8)..).unwrap_or(&id).to_owned()
}

/// Returns the crew's members, or refuses where this is no crew's log.
pub(super) fn roster_of(session: &mut Session) -> Result<std::sync::Arc<Roster>, CliError> {
    if let Some(roster) = session.log.roster()? {
        return Ok(roster);
    }
    let text = if session.log.crew()?.is_some() {
        "This device has joined a crew and has not met it yet: meet one of its devices or its server first."
    } else {
        "This log is no crew's yet: anybody's entries count in it. Found one with `embertally crew found NAME`, or join \
         one with `embertally crew join CODE`."
    };
    Err(CliError::refused("E_NO_CREW", text))
}

fn standing(member: &Member) -> String {
    match (&member.how, member.role, &member.reason) {
        (How::InvitationSpent, ..) => "invitation used twice: a chief has to confirm one".to_owned(),
        (_, None, Some(reason)) => format!("out: {reason}"),
        (_, None, None) => "out".to_owned(),
        (How::Founded, ..) => "founded the crew".to_owned(),
        (How::Invited, ..) => "joined, not confirmed yet".to_owned(),
        _ => "confirmed".to_owned(),
    }
}

fn show(context: &Context) -> Result<(), CliError> {
    let (mut session, ledger) = ledger(context, None::<&()>)?;
    let (own, register) = (session.device, ledger.register());
    let roster = session.log.members()?.filter(|r| r.has_begun());
    let people = register
        .people()
        .iter()
        .map(|(_, p)| vec![json!("member"), json!(p.value.name), json!(p.value.role.word()), Value::Null, Value::Null]);
    let forgotten = register
        .forgotten()
        .map(|(_, called)| vec![json!("member"), json!(called), Value::Null, json!("name forgotten"), Value::Null]);
    let mut rows: Vec<Vec<Value>> = people.chain(forgotten).collect();
    let mut devices: Vec<DeviceId> = register.devices().iter().map(|(id, _)| id).collect();
    if let Some(roster) = &roster {
        devices.extend(roster.members().map(|m| m.device));
    }
    devices.sort_unstable();
    devices.dedup();
    for device in devices {
        let member = roster.as_ref().and_then(|r| r.member(device));
        let role = member.and_then(|m| m.role).map_or(Value::Null, |r| json!(r.word()));
        let here = (device == own).then(|| "this device".to_owned());
        let stands = match (&roster, member) {
            (None, _) => None,
            (Some(_), Some(member)) => Some(standing(member)),
            (Some(_), None) => Some("no member".to_owned()),
        };
        let note: Vec<String> = here.into_iter().chain(stands).collect();
        let note = if note.is_empty() { Value::Null } else { json!(note.join(", ")) };
        rows.push(vec![json!("device"), json!(device_name(&ledger, device)), role, note, json!(short(device))]);
    }
    if let Some(roster) = roster.filter(|_| !context.json) {
        let open = roster.open_invitations().count();
        let open = if open > 0 { format!(" Codes that nobody has used: {open}.") } else { String::new() };
        say(&format!("Crew {} ({}).{open}", roster.name(), roster.crew()));
    }
    list(context, &["what", "name", "role", "note", "id"], &[], rows)
}

fn add(context: &Context, name: &str, role: Option<&str>) -> Result<(), CliError> {
    let (mut session, ledger) = ledger(context, Some(&()))?;
    let name = name_given(name)?;
    let known = ledger.register().people().get(PersonId::named(&name));
    let role = role.map(parsed::<Role>).transpose()?;
    let role = role.or(known.map(|k| k.value.role)).unwrap_or(Role::Recorder);
    let person = Person { name, role };
    let said = format!("{} is {} of the crew", person.name, person.role);
    state(context, &mut session, known, Fact::Person(person), &said)
}

fn device(context: &Context, name: &str) -> Result<(), CliError> {
    let (mut session, ledger) = ledger(context, Some(&()))?;
    let device = Device { id: session.device, name: name_given(name)? };
    let said = format!("this device is called {}", device.name);
    state(context, &mut session, ledger.register().devices().get(device.id), Fact::Device(device), &said)
}

fn observer(context: &Context, name: &str) -> Result<(), CliError> {
    let (mut session, ledger) = ledger(context, Some(&()))?;
    let id = PersonId::named(name);
    let Some(person) = ledger.register().people().get(id) else {
        let known = ledger.register().people().iter().map(|(_, p)| p.value.name.clone()).collect();
        return Err(unknown("member of the crew", name, known, "embertally crew add"));
    };
    session.set_observer(id)?;
    say(&format!("{} observes with this device from now on.", person.value.name));
    if context.json { output::json(&json!({ "saved": true })) } else { Ok(()) }
}

/// Locks this device's key by a passphrase, or unlocks it for good.
fn lock(context: &Context, off: bool) -> Result<(), CliError> {
    let session = context.open()?;
    let Some(key) = session.log.key() else {
        return Err(CliError::refused("E_KEY_LOCKED", "The key is locked; its passphrase is needed to change that."));
    };
    let new = if off {
        None
    } else {
        let given = std::env::var("EMBERTALLY_NEW_PASSPHRASE").ok().filter(|p| !p.is_empty());
        let text = given.or_else(|| keys::asked("New passphrase: ")).filter(|p| !p.is_empty()).ok_or_else(|| {
            let text = "No new passphrase was given. Run this at a terminal, or put it into EMBERTALLY_NEW_PASSPHRASE.";
            CliError::Usage(text.to_owned())
        })?;
        Some(text)
    };
    keys::relock(session.folder(), new.as_deref(), key, session.device)?;
    say(if off {
        "The key of this device opens without a passphrase from now on."
    } else {
        "The key of this device is locked. Reading works without its passphrase; writing asks for it. Without it the key \
         is lost, and a chief has to let this device in anew."
    });
    if context.json { output::json(&json!({ "locked": !off })) } else { Ok(()) }
}
