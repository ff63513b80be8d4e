//! The crew: founding it, letting devices in, who belongs to it, and what is kept apart.

use std::sync::Arc;

use embertally_core::crew::{How, Invite, Roster};
use embertally_core::facts::{
    self, Device, DeviceId, Fact, Founding, Held, Joining, Moment, RegisterId, Role, Standing, Vouching,
};
use embertally_core::ledger::Ledger;
use embertally_core::log::Home;

use crate::desk::{Desk, Result, SqliteLog, held};
use crate::error::{EmbertallyError, sentence};
use crate::register::name;
use crate::views::{Crew, InviteCode, KeptApart, Member};

const HOUR_MS: i64 = 3_600_000;
/// How many entries one vouching lists: what fits into one entry's bytes with room to spare.
const PER_VOUCHING: usize = 3_000;

fn locked() -> EmbertallyError {
    EmbertallyError::refused("E_KEY_LOCKED", "The key of this device is locked; give its passphrase.")
}

fn device_name(ledger: &Ledger, device: DeviceId) -> String {
    let id = device.to_string();
    let end = || id.get(id.len().saturating_sub(8)..).unwrap_or(&id).to_owned();
    ledger.register().name(RegisterId::Device(device)).map_or_else(end, str::to_owned)
}

fn standing(member: &embertally_core::crew::Member) -> String {
    match (&member.how, member.role, &member.reason) {
        (How::InvitationSpent, ..) => "invitation used twice: a chief has to confirm one".to_owned(),
        (_, None, Some(reason)) => format!("out: {reason}"),
        (_, None, None) => "out".to_owned(),
        (How::Founded, ..) => "founded the crew".to_owned(),
        (How::Invited, ..) => "joined, not confirmed yet".to_owned(),
        _ => "confirmed".to_owned(),
    }
}

impl Desk {
    fn as_chief(&self, log: &mut SqliteLog) -> Result<Arc<Roster>> {
        let Some(roster) = log.roster()? else {
            let text = match log.crew()? {
                Some(_) => {
                    "This device has joined a crew and has not met it yet: meet one of its devices or its server first."
                }
                None => "This log is no crew's yet: anybody's entries count in it. Found a crew, or join one.",
            };
            return Err(EmbertallyError::refused("E_NO_CREW", text));
        };
        match roster.role(self.device) {
            Some(Role::Chief) => Ok(roster),
            role => {
                let is = role.map_or_else(|| "out of the crew".to_owned(), |r| format!("a {r}'s"));
                let text = format!("This device is {is}; only a chief's may do that.");
                Err(EmbertallyError::refused("E_NOT_CHIEF", text))
            }
        }
    }

    pub(crate) fn found_crew(&self, called: &str) -> Result<()> {
        let (name, now) = (name(called)?, self.now()?);
        let mut log = self.log();
        let (key, crew) = log.key().map(|key| (key.public(), key.crew())).ok_or_else(locked)?;
        // Begun and not ended (a loss of power) may be done again.
        if log.crew()?.is_some_and(|known| known != crew) || log.roster()?.is_some() {
            return Err(EmbertallyError::refused("E_OTHER_CREW", "This log is a crew's already."));
        }
        let before: Vec<Held> = log.others_words()?;
        let mut founding = self.entry(&log, now);
        founding.state(Fact::Founding(Founding { key, name }));
        self.write(&mut log, &mut [(Home::Register, founding)])?;
        for part in before.chunks(PER_VOUCHING) {
            let mut entry = self.entry(&log, now);
            let reason = "written before the crew was founded".to_owned();
            entry.state(Fact::Vouching(Vouching { held: part.to_vec(), reason }));
            self.write(&mut log, &mut [(Home::Register, entry)])?;
        }
        log.set_crew(crew)?;
        self.recount();
        Ok(())
    }

    pub(crate) fn invite(&self, role: facts::Role, hours: u32) -> Result<InviteCode> {
        let now = self.now()?;
        let mut log = self.log();
        let roster = self.as_chief(&mut log)?;
        let until = Moment { unix_ms: now.unix_ms + i64::from(hours) * HOUR_MS, ..now };
        let invite = Invite::new(roster.crew(), role, until.unix_ms, &mut self.random.bits());
        let mut entry = self.entry(&log, now);
        entry.state(Fact::Invitation(invite.fact(roster.heads())));
        self.write(&mut log, &mut [(Home::Register, entry)])?;
        Ok(InviteCode { code: invite.to_text(), until: until.into() })
    }

    pub(crate) fn join_crew(&self, code: &str, called: Option<&str>) -> Result<()> {
        let invite = Invite::from_text(code).map_err(|e| EmbertallyError::refused("E_INVITATION", sentence(&e)))?;
        let (now, called) = (self.now()?, called.map(name).transpose()?);
        if now.unix_ms > invite.until_ms {
            let text = "This code has ended, or this device's clock is wrong. Ask a chief for a new one.";
            return Err(EmbertallyError::refused("E_INVITATION_ENDED", text));
        }
        let mut log = self.log();
        if log.crew()?.is_some_and(|known| known != invite.crew) {
            let text = "This log is another crew's. Use a log of its own for this one.";
            return Err(EmbertallyError::refused("E_OTHER_CREW", text));
        }
        if log.members()?.is_some_and(|r| r.has_begun() && r.role(self.device).is_some()) {
            return Err(EmbertallyError::refused("E_MEMBER", "This device belongs to the crew already."));
        }
        let joining: Joining = invite.joining(log.key().ok_or_else(locked)?, Vec::new());
        let mut entry = self.entry(&log, now);
        entry.state(Fact::Joining(joining));
        if let Some(name) = called {
            entry.state(Fact::Device(Device { id: self.device, name }));
        }
        self.write(&mut log, &mut [(Home::Register, entry)])?;
        log.set_crew(invite.crew)?;
        self.recount();
        Ok(())
    }

    pub(crate) fn crew(&self) -> Result<Option<Crew>> {
        let Some(roster) = self.log().members()? else { return Ok(None) };
        self.read(|ledger| {
            let members = roster.members().map(|m| Member {
                device: m.device.to_string(),
                name: device_name(ledger, m.device),
                role: m.role.map(Into::into),
                standing: standing(m),
                is_this: m.device == self.device,
            });
            Some(Crew {
                id: roster.crew().to_string(),
                name: roster.name().to_owned(),
                members: members.collect(),
                open_invitations: roster.open_invitations().count() as u32,
            })
        })
    }

    pub(crate) fn confirm_member(&self, device: &str, role: Option<facts::Role>) -> Result<()> {
        let device: DeviceId = device.parse().map_err(|e| EmbertallyError::usage(&e))?;
        let now = self.now()?;
        let mut log = self.log();
        let roster = self.as_chief(&mut log)?;
        if roster.member(device).is_none() {
            return Err(EmbertallyError::refused("E_NOT_FOUND", "No device of the crew has that id."));
        }
        let invited = roster.invitation_of(device).map(|i| i.role);
        let role = role.or(roster.role(device)).or(invited).ok_or_else(|| EmbertallyError::Usage {
            reason: "Nothing says what this device may do; say its role.".to_owned(),
        })?;
        let (reason, after) = ("confirmed by a chief".to_owned(), roster.heads());
        let mut entry = self.entry(&log, now);
        let known = log.entries_of(device)?;
        entry.state(Fact::Standing(Standing { device, key: None, role: Some(role), reason, known, after }));
        self.write(&mut log, &mut [(Home::Register, entry)])?;
        self.recount();
        Ok(())
    }

    /// Confirms devices that joined by an invitation, on a chief's device, after logs met: from then on nobody else can
    /// use the same code. By this device's clock, whatever theirs showed.
    pub(crate) fn confirm_joinings(&self) -> Result<usize> {
        let now = self.now()?;
        let mut log = self.log();
        if log.key().is_none() {
            return Ok(0);
        }
        let Some(roster) = log.roster()?.filter(|r| r.role(self.device) == Some(Role::Chief)) else { return Ok(0) };
        let mut confirmed = 0;
        for member in roster.members().filter(|m| m.how == How::Invited && m.role.is_some()) {
            let device = member.device;
            // One whose code has ended since waits for a chief's own word.
            if roster.invitation_of(device).is_none_or(|i| i.until.unix_ms < now.unix_ms) {
                continue;
            }
            let (reason, after) = ("joined by invitation".to_owned(), roster.heads());
            let mut entry = self.entry(&log, now);
            let known = log.entries_of(device)?;
            let fact = Standing { device, key: None, role: member.role, reason, known, after };
            entry.state(Fact::Standing(fact));
            self.write(&mut log, &mut [(Home::Register, entry)])?;
            confirmed += 1;
        }
        if confirmed > 0 {
            self.recount();
        }
        Ok(confirmed)
    }

    pub(crate) fn apart(&self) -> Result<Vec<KeptApart>> {
        let apart = held(&self.health).apart.clone();
        self.read(|ledger| {
            let one = |a: &embertally_core::log::KeptApart| KeptApart {
                entry: a.entry.to_string(),
                device: a.device.map(|d| device_name(ledger, d)),
                shots: a.shots,
                code: a.why.code().to_owned(),
                why: sentence(&a.why),
            };
            apart.iter().map(one).collect()
        })
    }
}
