//! Whether one entry counts, and if not, why.

use thiserror::Error;

use super::acts::power;
use super::envelope::{Envelope, Place};
use super::roster::{How, Roster};
use crate::facts::{DeviceId, Entry, EntryId, Fact, Role};

/// Why an entry is kept apart: it is shown with this reason, and never counted.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum Apart {
    /// Nobody signed it, and no chief vouches for it.
    #[error("nobody signed it, and no chief vouches for it")]
    Unsigned,
    /// It was not written by the device that it names, or was altered, or stands where it was not written.
    #[error("its signature is not that of the device it names: it was altered, moved, or written by somebody else")]
    Forged,
    /// One device wrote it in another's name.
    #[error("device {signer} wrote it in the name of another")]
    Borrowed {
        /// The device that signed it.
        signer: DeviceId,
    },
    /// Its device never joined, as far as is known here.
    #[error("its device is no member of the crew, as far as is known here")]
    Stranger,
    /// Its device's invitation was used by another device too.
    #[error("its device's invitation was used by another device too; a chief has to say which one is meant")]
    InvitationSpent,
    /// Its device was shut out, and this was not known when it was.
    #[error("its device was shut out ({reason}), and this came after")]
    ShutOut {
        /// The chief's reason.
        reason: String,
    },
    /// Its device had left.
    #[error("its device had left the crew")]
    Left,
    /// The crew was not met yet, so nobody can be told from a stranger.
    #[error("the crew was not met yet, so its members are not known here")]
    NotMet,
    /// Its device may not state this.
    #[error("its device's part is {role}, which may not state {what}")]
    NotAllowed {
        /// The device's part.
        role: Role,
        /// What it may not state.
        what: &'static str,
    },
}

impl Apart {
    /// Returns the stable code of this reason, for programs.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Unsigned => "unsigned",
            Self::Forged => "forged",
            Self::Borrowed { .. } => "borrowed",
            Self::Stranger => "stranger",
            Self::InvitationSpent => "invitation_spent",
            Self::ShutOut { .. } => "shut_out",
            Self::Left => "left",
            Self::NotMet => "not_met",
            Self::NotAllowed { .. } => "not_allowed",
        }
    }
}

/// The least part that may state a fact; `None`: any device that joined.
fn least(own: DeviceId, fact: &Fact) -> (Option<Role>, &'static str) {
    match fact {
        Fact::Joining(_) | Fact::Leaving(_) => (None, ""),
        Fact::Device(device) if device.id == own => (None, ""),
        Fact::Founding(_) => (Some(Role::Chief), "the founding of a crew"),
        Fact::Invitation(_) => (Some(Role::Chief), "an invitation"),
        Fact::Standing(_) => (Some(Role::Chief), "what a device may do"),
        Fact::Seal(_) => (Some(Role::Chief), "an outing's seal"),
        Fact::Forgotten(_) => (Some(Role::Chief), "that a name is forgotten"),
        Fact::Vouching(_) => (Some(Role::Chief), "that entries nobody signed are good"),
        Fact::Person(_) | Fact::Device(_) => (Some(Role::Recorder), "who belongs to the crew"),
        Fact::IgniterType(_) | Fact::Lot(_) | Fact::Fuse(_) | Fact::Module(_) => (Some(Role::Recorder), "the register"),
        Fact::MadeSafe(_) => (Some(Role::Recorder), "that something is safe"),
        _ => (Some(Role::Recorder), "what was fired or seen"),
    }
}

impl Roster {
    /// Tells whether a device may state all that an entry says.
    pub(super) fn may_as(&self, device: DeviceId, entry: &Entry) -> Result<(), Apart> {
        let member = self.member(device).ok_or(Apart::Stranger)?;
        if member.how == How::InvitationSpent {
            return Err(Apart::InvitationSpent);
        }
        let known = match &member.lowered {
            None => true,
            Some(known) => known.contains(&entry.id),
        };
        let shut_out = || match member.left {
            true => Apart::Left,
            false => Apart::ShutOut { reason: member.reason.clone().unwrap_or_default() },
        };
        // What was written before its rights were taken is judged by what it might do then.
        let role = if known { member.most } else { member.role };
        let Some(role) = role else { return Err(shut_out()) };
        for stated in &entry.facts {
            let (least, what) = least(device, &stated.fact);
            if least.is_some_and(|least| power(Some(role)) < power(Some(least))) {
                return Err(Apart::NotAllowed { role, what });
            }
        }
        Ok(())
    }

    /// Judges an entry as it is stored at a home: the register (`None`), an outing, or a person's name.
    ///
    /// What a chief vouches for by its hash counts whoever wrote it; nobody's name can be borrowed so.
    ///
    /// `verified` says that its signature was found good before; nothing else is taken on trust.
    ///
    /// # Errors
    /// Why it does not count. Bytes that are no entry at all are a stranger's.
    pub fn judge(&self, home: Option<[u8; 16]>, id: EntryId, stored: &[u8], verified: bool) -> Result<Entry, Apart> {
        if !Envelope::is_signed(stored) {
            let entry = Entry::from_bytes(id, stored).map_err(|_| Apart::Forged)?;
            return if self.vouches_for(id, stored) { Ok(entry) } else { Err(Apart::Unsigned) };
        }
        let envelope = Envelope::read(stored).map_err(|_| Apart::Forged)?;
        let entry = Entry::from_bytes(id, envelope.payload()).map_err(|_| Apart::Forged)?;
        if !id.fits(envelope.payload()) {
            return Err(Apart::Forged);
        }
        let signer = envelope.signer().unwrap_or(entry.device);
        if signer != entry.device && !entry.device.is_name() {
            return Err(Apart::Borrowed { signer });
        }
        if self.vouches_for(id, envelope.payload()) {
            return Ok(entry);
        }
        // Looked at first: strangers' signatures are not worth the work.
        let key = self.member(signer).and_then(|_| self.key(signer)).ok_or(Apart::Stranger)?;
        if !verified && !envelope.is_signed_by(key, Place { home, entry: id }) {
            return Err(Apart::Forged);
        }
        self.may_as(signer, &entry).map(|()| entry)
    }
}
