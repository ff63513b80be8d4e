//! How a device proves to a server, or to anybody who asks, that it holds a member's key.

use minicbor::Encoder;

use super::invite::{Invite, is_proven};
use super::key::{DeviceKey, PublicKey};
use super::roster::Roster;
use crate::facts::{CrewId, DeviceId, Joining, KeyBytes, Role, SignatureBytes};

/// A device's answer to a challenge. It holds for this challenge, at this place, alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Visit {
    /// The device.
    pub device: DeviceId,
    /// Its public key.
    pub key: KeyBytes,
    /// The signature of the challenge by this key.
    pub signature: SignatureBytes,
    /// The invitation's public key and the proof that the device holds its code, for a device that the other side does
    /// not know yet.
    pub invited: Option<(KeyBytes, SignatureBytes)>,
}

/// What is signed: where (the server's name for the crew, and its certificate's fingerprint or what else it is known
/// by), and the challenge, which must be fresh and used once.
fn claim(place: &str, challenge: &[u8]) -> Vec<u8> {
    let mut e = Encoder::new(Vec::with_capacity(96 + place.len()));
    let written = e.array(3).and_then(|e| e.str("embertally visit"));
    let written = written.and_then(|e| e.str(place)).and_then(|e| e.bytes(challenge));
    debug_assert!(written.is_ok(), "writing to memory cannot fail");
    e.into_writer()
}

impl Visit {
    /// Answers a challenge; `invite` is the code by which the device joined, while nobody else knows that it did.
    #[must_use]
    pub fn new(key: &DeviceKey, device: DeviceId, place: &str, challenge: &[u8], invite: Option<&Invite>) -> Self {
        let invited = invite.map(|invite| invite.joining(key, Vec::new())).map(|j| (j.invitation, j.proof));
        Self { device, key: key.public(), signature: key.sign(&claim(place, challenge)), invited }
    }

    /// Returns the text for a place: a server's name for the crew, and what the server is known by: `pin` and its
    /// certificate's fingerprint in hexadecimal digits, or `web` and the address at which its certificate holds.
    #[must_use]
    pub fn place(crew: &[u8; 16], known_by: &str) -> String {
        let crew: String = crew.iter().map(|b| format!("{b:02x}")).collect();
        format!("{crew} {known_by}")
    }

    /// Tells whether the device's own key answered this challenge at this place. Who the device is, this does not say.
    #[must_use]
    pub fn is_signed(&self, place: &str, challenge: &[u8]) -> bool {
        let verifies = |key: PublicKey| key.verifies(&claim(place, challenge), &self.signature);
        self.device.belongs_to(&self.key) && PublicKey::from_bytes(&self.key).is_ok_and(verifies)
    }

    /// Returns what the device may do; `None`: it is not let in.
    ///
    /// A member may do what its role allows. A device that is not known yet may do what its invitation allows, if that is
    /// in effect at `now_ms`, unused, and the device holds its code. Before the founding has come, the founder alone is
    /// let in: the crew's id follows from its key.
    #[must_use]
    pub fn role(&self, roster: &Roster, place: &str, challenge: &[u8], now_ms: i64) -> Option<Role> {
        if !self.is_signed(place, challenge) {
            return None;
        }
        if roster.member(self.device).is_some() {
            return roster.role(self.device);
        }
        if !roster.has_begun() && CrewId::founded_by(&self.key) == roster.crew() {
            return Some(Role::Chief);
        }
        let (invitation, proof) = self.invited?;
        let (known, used) = roster.invitation(&invitation)?;
        let joining = Joining { key: self.key, invitation, proof, after: Vec::new() };
        let good = !used && now_ms <= known.until.unix_ms && is_proven(roster.crew(), &joining);
        good.then_some(known.role)
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{HOUR, Phone, crew, roster};
    use super::*;

    #[test]
    fn members_and_the_invited_are_let_in_and_nobody_else() {
        let (crew, mut chief, recorder, mut register) = crew();
        let (invite, invitation) = chief.invite(crew, Role::Reader, roster(crew, &register).heads());
        register.push(invitation);
        let roster = roster(crew, &register);
        let (here, now) = ("crew at a server", [7; 32]);
        let visit = |phone: &Phone, invite| Visit::new(&phone.key, phone.device, here, &now, invite);
        assert_eq!(visit(&recorder, None).role(&roster, here, &now, 5), Some(Role::Recorder));
        let new = Phone::new(9);
        assert_eq!(visit(&new, None).role(&roster, here, &now, 5), None);
        let invited = visit(&new, Some(&invite));
        assert_eq!(invited.role(&roster, here, &now, 5), Some(Role::Reader));
        assert_eq!(invited.role(&roster, here, &now, HOUR + 1), None, "the invitation has ended");
        // Replayed, at another place, by another device.
        let good = visit(&recorder, None);
        assert_eq!(good.role(&roster, here, &[8; 32], 5), None);
        assert_eq!(good.role(&roster, "another server", &now, 5), None);
        assert_eq!(Visit { device: chief.device, ..good.clone() }.role(&roster, here, &now, 5), None);
        assert_eq!(Visit { key: chief.key.public(), ..good.clone() }.role(&roster, here, &now, 5), None);
        // Where nothing of the crew has come yet, its founder can bring it.
        let empty = super::super::tests::roster(crew, &[]);
        assert_eq!(visit(&chief, None).role(&empty, here, &now, 5), Some(Role::Chief));
        assert_eq!(good.role(&empty, here, &now, 5), None);
    }
}
