//! Founding a crew, and letting devices in.

use embertally_core::crew::{How, Invite, Roster};
use embertally_core::facts::{Device, Fact, Founding, Held, Invitation, Moment, Role, Standing, Vouching};
use embertally_core::log::Home;
use serde_json::json;

use super::super::Context;
use super::super::meeting::show_code;
use super::super::rates::parsed;
use super::super::sync::{may_meet, secret, server};
use super::{device_name, invited, roster_of};
use crate::error::CliError;
use crate::names::name_given;
use crate::output::{self, counted, say};
use crate::session::{Session, now, readable, system_bits};

const HOUR_MS: i64 = 3_600_000;
/// How many entries one vouching lists: what fits into one entry's bytes with room to spare.
const PER_VOUCHING: usize = 3_000;

fn locked() -> CliError {
    CliError::refused("E_KEY_LOCKED", "The key of this device is locked; give its passphrase.")
}

pub(super) fn found(context: &Context, name: &str, anew: bool) -> Result<(), CliError> {
    let name = name_given(name)?;
    let mut session = context.open()?;
    let (key, crew) = session.log.key().map(|key| (key.public(), key.crew())).ok_or_else(locked)?;
    // Begun and not ended (a loss of power) may be done again. Where a crew's last chief is lost, another is founded anew.
    if !anew && session.log.crew()?.is_some_and(|known| known != crew) || session.log.roster()?.is_some() {
        let text = "This log is a crew's already: embertally crew shows it. If none of its chiefs is left, --anew founds \
                    another on what counts in this log now; every other device then has to join that one.";
        return Err(CliError::refused("E_OTHER_CREW", text));
    }
    let before: Vec<Held> = session.log.others_words()?;
    let mut entry = session.entry();
    entry.state(Fact::Founding(Founding { key, name: name.clone() }));
    session.write(&mut entry)?;
    for part in before.chunks(PER_VOUCHING) {
        let mut entry = session.entry();
        let reason = "written before the crew was founded".to_owned();
        entry.state(Fact::Vouching(Vouching { held: part.to_vec(), reason }));
        session.write(&mut entry)?;
    }
    session.log.set_crew(crew)?;
    if context.json {
        return output::json(&json!({ "saved": true, "crew": crew.to_string(), "vouched": before.len() }));
    }
    say(&format!("Saved on this device: crew {name} ({crew}); this device is its first chief's."));
    if !before.is_empty() {
        say(&format!("It vouches for {} that others wrote before.", counted(before.len(), "entry", "entries")));
    }
    say("From now on only what members wrote counts. Let the others in with `embertally crew invite`. Keep a copy of \
         this device's key (device.key in the log's folder) where nobody else gets at it.");
    Ok(())
}

/// Refuses what only a chief may do.
pub(crate) fn as_chief(session: &mut Session) -> Result<std::sync::Arc<Roster>, CliError> {
    let roster = roster_of(session)?;
    match roster.role(session.device) {
        Some(Role::Chief) => Ok(roster),
        role => {
            let is = role.map_or_else(|| "out of the crew".to_owned(), |r| format!("a {r}'s"));
            Err(CliError::refused("E_NOT_CHIEF", format!("This device is {is}; only a chief's may do that.")))
        }
    }
}

pub(super) fn invite(context: &Context, role: &str, hours: u32) -> Result<(), CliError> {
    let role = parsed::<Role>(role)?;
    let mut session = context.open_to_read()?;
    let roster = as_chief(&mut session)?;
    let until = now().unix_ms + i64::from(hours) * HOUR_MS;
    let invite = Invite::new(roster.crew(), role, until, &mut system_bits);
    let mut entry = session.entry();
    entry.state(Fact::Invitation(invite.fact(roster.heads())));
    session.write(&mut entry)?;
    let (code, text) = (invite.to_text(), invited::whole(&session, &invite)?);
    let has_server = server(&session)?.is_some();
    let until = Moment { unix_ms: until, ..now() };
    if context.json {
        return output::json(&json!({
            "code": code, "invitation": text, "role": role.word(), "until": until.to_string(),
        }));
    }
    say(&format!(
        "For one device, as {role}, until {}. Whoever has the code may join: show it, do not send it where others read.",
        readable(until)
    ));
    say("On the other device: embertally crew join TEXT. It needs no network; it counts with everybody once they met.");
    if has_server {
        say("Run embertally sync here before the other device does: the server must have heard of this.");
    }
    show_code(&text)?;
    output::line(&text)
}

pub(super) fn join(context: &Context, code: &str, device: Option<&str>) -> Result<(), CliError> {
    let text = secret(code)?;
    let invited = invited::read(&text)?;
    let invite = &invited.invite;
    if now().unix_ms > invite.until_ms {
        let text = "This code has ended, or this device's clock is wrong. Ask a chief for a new one.";
        return Err(CliError::refused("E_INVITATION_ENDED", text));
    }
    let name = device.map(name_given).transpose()?;
    let mut session = context.open()?;
    if session.log.crew()?.is_some_and(|known| known != invite.crew) {
        let text = "This log is another crew's. Use a log of its own for this one (--log DIR).";
        return Err(CliError::refused("E_OTHER_CREW", text));
    }
    if let Some(server) = &invited.server {
        may_meet(&session, server)?;
    }
    let own = session.device;
    if session.log.members()?.is_some_and(|r| r.has_begun() && r.role(own).is_some()) {
        return Err(CliError::refused("E_MEMBER", "This device belongs to the crew already."));
    }
    let joining = invite.joining(session.log.key().ok_or_else(locked)?, Vec::new());
    let mut entry = session.entry();
    entry.state(Fact::Joining(joining));
    if let Some(name) = name {
        entry.state(Fact::Device(Device { id: session.device, name }));
    }
    session.write(&mut entry)?;
    session.log.set_crew(invite.crew)?;
    invited.keep(&mut session)?;
    if context.json {
        let object = json!({ "saved": true, "crew": invite.crew.to_string(), "role": invite.role.word() });
        return output::json(&object);
    }
    say(&format!(
        "Saved on this device: it joins as {}. Log at once if you like; it counts with the others once you have met one \
         of them ({}).",
        invite.role,
        invited.ways()
    ));
    Ok(())
}

/// Ends invitations whose time is over by this chief's clock, so that nobody joins by one later with a clock set back.
fn end_invitations(session: &mut Session, roster: &Roster) -> Result<(), CliError> {
    let over: Vec<_> = roster.open_invitations().filter(|i| i.until.unix_ms < now().unix_ms).cloned().collect();
    if over.is_empty() {
        return Ok(());
    }
    let mut entry = session.entry();
    for invitation in over {
        let until = Moment { unix_ms: 0, offset_minutes: 0 };
        entry.state(Fact::Invitation(Invitation { until, after: roster.heads(), ..invitation }));
    }
    session.write_to(Home::Register, &mut entry)?;
    Ok(())
}

/// Confirms devices that joined by an invitation, on a chief's device, after logs met: from then on nobody else can use
/// the same code. By this device's clock, whatever theirs showed.
/// Returns how many.
pub(crate) fn confirm_joinings(session: &mut Session) -> Result<usize, CliError> {
    if session.log.key().is_none() {
        return Ok(0);
    }
    let Some(roster) = session.log.roster()? else { return Ok(0) };
    if roster.role(session.device) != Some(Role::Chief) {
        return Ok(0);
    }
    end_invitations(session, &roster)?;
    let joined: Vec<_> =
        roster.members().filter(|m| m.how == How::Invited && m.role.is_some()).map(|m| (m.device, m.role)).collect();
    if joined.is_empty() {
        return Ok(0);
    }
    let mut confirmed = 0;
    let ledger = session.register_ledger(None)?;
    for (device, role) in joined {
        let name = device_name(&ledger, device);
        let known = session.log.entries_of(device)?;
        let ended = roster.invitation_of(device).is_none_or(|i| i.until.unix_ms < now().unix_ms);
        if ended {
            say(&format!(
                "{name} joined by a code that has ended since. If it is one of yours: embertally crew confirm {name}."
            ));
            continue;
        }
        let mut entry = session.entry();
        let reason = "joined by invitation".to_owned();
        let after = roster.heads();
        entry.state(Fact::Standing(Standing { device, key: None, role, reason, known, after }));
        session.write_to(Home::Register, &mut entry)?;
        say(&format!("{name} joined the crew as {}.", role.map_or("", Role::word)));
        confirmed += 1;
    }
    Ok(confirmed)
}
