//! The code that lets one device into a crew: shown as text or as a QR code, valid for a short time and for one device.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use minicbor::Encoder;
use thiserror::Error;

use super::key::{DeviceKey, PublicKey};
use crate::facts::{CrewId, FactId, Invitation, Joining, KeyBytes, Moment, RandomBits, Role};

const SECRET: usize = 16;
const CHECK: usize = 3;
/// Version, crew, secret, role, end in milliseconds since 1970 (48 bits), check.
const LENGTH: usize = 1 + 16 + SECRET + 1 + 6 + CHECK;
const VERSION: u8 = 1;

/// Why a text is no code of an invitation.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum InviteError {
    /// The text is not one, or was cut or mistyped.
    #[error("this is not a whole code of an invitation; copy or scan it again")]
    NotACode,
    /// A newer program made it.
    #[error("a newer program made this code (version {0}); bring this one up to date")]
    TooNew(u8),
}

/// A code as it is shown: whoever has it may join, once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invite {
    /// The crew.
    pub crew: CrewId,
    /// The part that the new device will have.
    pub role: Role,
    /// Until when, in milliseconds since 1970.
    pub until_ms: i64,
    secret: [u8; SECRET],
}

impl Invite {
    /// Makes a code from 128 secret random bits.
    #[must_use]
    pub fn new(crew: CrewId, role: Role, until_ms: i64, random: &mut dyn RandomBits) -> Self {
        let mut secret = [0; SECRET];
        let (words, _) = secret.as_chunks_mut::<8>();
        words.iter_mut().for_each(|word| *word = random.next_u64().to_be_bytes());
        Self { crew, role, until_ms, secret }
    }

    fn key(&self) -> DeviceKey {
        DeviceKey::from_seed(&blake3::derive_key("embertally 2026-11 key of an invitation", &self.secret))
    }

    /// Returns the fact by which a chief lets in whoever has this code.
    #[must_use]
    pub fn fact(&self, after: Vec<FactId>) -> Invitation {
        let until = Moment { unix_ms: self.until_ms, offset_minutes: 0 };
        Invitation { key: self.key().public(), role: self.role, until, after }
    }

    /// Returns the public key of the invitation.
    #[must_use]
    pub fn public(&self) -> KeyBytes {
        self.key().public()
    }

    /// Returns the fact by which a device joins.
    #[must_use]
    pub fn joining(&self, device: &DeviceKey, after: Vec<FactId>) -> Joining {
        let (key, invitation) = (device.public(), self.key());
        let proof = invitation.sign(&claim(self.crew, &key));
        Joining { key, invitation: invitation.public(), proof, after }
    }

    /// Writes the code as a text for links, QR codes and messages.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut bytes = vec![VERSION];
        bytes.extend_from_slice(self.crew.as_bytes());
        bytes.extend_from_slice(&self.secret);
        bytes.push(self.role.number());
        let until = u64::try_from(self.until_ms).unwrap_or(0).to_be_bytes();
        bytes.extend_from_slice(until.get(2..).unwrap_or_default());
        let check = blake3::hash(&bytes);
        bytes.extend_from_slice(check.as_bytes().get(..CHECK).unwrap_or_default());
        URL_SAFE_NO_PAD.encode(bytes)
    }

    /// Reads a code.
    ///
    /// # Errors
    /// [`InviteError`].
    pub fn from_text(text: &str) -> Result<Self, InviteError> {
        let bytes = URL_SAFE_NO_PAD.decode(text.trim()).map_err(|_| InviteError::NotACode)?;
        match bytes.first() {
            Some(&VERSION) if bytes.len() == LENGTH => {}
            Some(&newer) if newer > VERSION && bytes.len() > CHECK => return Err(InviteError::TooNew(newer)),
            _ => return Err(InviteError::NotACode),
        }
        let (body, check) = bytes.split_at_checked(LENGTH - CHECK).ok_or(InviteError::NotACode)?;
        if !blake3::hash(body).as_bytes().starts_with(check) {
            return Err(InviteError::NotACode);
        }
        let parts = || {
            let (crew, rest) = body.get(1..)?.split_first_chunk::<16>()?;
            let (secret, rest) = rest.split_first_chunk::<SECRET>()?;
            let (role, rest) = rest.split_first()?;
            let until = rest.iter().fold(0_i64, |sum, byte| (sum << 8) | i64::from(*byte));
            let role = Role::from_number(u64::from(*role))?;
            Some(Self { crew: CrewId::from_bytes(*crew), role, until_ms: until, secret: *secret })
        };
        parts().ok_or(InviteError::NotACode)
    }
}

/// What the holder of an invitation signs.
fn claim(crew: CrewId, device: &KeyBytes) -> Vec<u8> {
    let mut e = Encoder::new(Vec::with_capacity(80));
    let written = e.array(3).and_then(|e| e.str("embertally join"));
    let written = written.and_then(|e| e.bytes(crew.as_bytes())).and_then(|e| e.bytes(device));
    debug_assert!(written.is_ok(), "writing to memory cannot fail");
    e.into_writer()
}

/// Tells whether a joining was made by somebody who had the code of its invitation.
#[must_use]
pub(super) fn is_proven(crew: CrewId, joining: &Joining) -> bool {
    PublicKey::from_bytes(&joining.invitation).is_ok_and(|key| key.verifies(&claim(crew, &joining.key), &joining.proof))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_reads_back_and_a_mistyped_one_does_not() {
        let crew = DeviceKey::from_seed(&[1; 32]).crew();
        let mut n = 7_u64;
        let invite = Invite::new(crew, Role::Recorder, 1_800_000_000_123, &mut || {
            n += 1;
            n
        });
        let text = invite.to_text();
        assert_eq!(text.len(), 58);
        assert_eq!(Invite::from_text(&text).unwrap(), invite);
        for at in 0..text.len() {
            let mut wrong = text.clone().into_bytes();
            wrong[at] = if wrong[at] == b'A' { b'B' } else { b'A' };
            let wrong = String::from_utf8(wrong).unwrap();
            assert!(Invite::from_text(&wrong).is_err(), "letter {at}");
        }
        assert_eq!(Invite::from_text(&text[..40]), Err(InviteError::NotACode));
        let device = DeviceKey::from_seed(&[2; 32]);
        let joining = invite.joining(&device, Vec::new());
        assert!(is_proven(crew, &joining));
        assert!(!is_proven(crew, &Joining { key: [3; 32], ..joining.clone() }), "for another device");
        assert!(!is_proven(DeviceKey::from_seed(&[4; 32]).crew(), &joining), "for another crew");
    }
}
