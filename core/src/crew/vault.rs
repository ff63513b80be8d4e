//! A device's key at rest: plain for a file that only its owner can read, or locked by a passphrase.
//!
//! Locked by XChaCha20-Poly1305 (RFC 8439 and draft-irtf-cfrg-xchacha) under a key from Argon2id (RFC 9106, its second
//! recommended option: 64 MiB, three passes, four lanes). Salt and nonce are handed in.

use argon2::{Algorithm, Argon2, Params, Version};
use chacha20poly1305::aead::{Aead, KeyInit};
use chacha20poly1305::{Key, XChaCha20Poly1305, XNonce};
use minicbor::{Decoder, Encoder};
use thiserror::Error;

use super::key::DeviceKey;
use crate::facts::DeviceId;

const MAGIC: &str = "embertally key 1";
const MEMORY_KIB: u32 = 64 << 10;
const PASSES: u32 = 3;
const LANES: u32 = 4;
/// The most that a file may ask for, so that an altered one cannot fill the memory.
const MOST_KIB: u32 = 1 << 20;
const MOST_PASSES: u32 = 64;

/// Why a key could not be had.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum VaultError {
    /// The bytes are no kept key.
    #[error("this is not a kept key: {what}")]
    Malformed {
        /// What was wrong.
        what: String,
    },
    /// A passphrase is needed.
    #[error("the key of this device is locked; its passphrase is needed")]
    Locked,
    /// The passphrase is not the one it was locked with, or the file was altered.
    #[error("this is not the passphrase of this device's key")]
    WrongPassphrase,
    /// The key is not that of the device named beside it.
    #[error("the key does not belong to the device named beside it")]
    WrongDevice,
}

/// A device's key as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SealedKey {
    /// The device.
    pub device: DeviceId,
    kept: Kept,
}

#[derive(Clone, PartialEq, Eq)]
enum Kept {
    Plain([u8; 32]),
    Locked { salt: [u8; 16], nonce: [u8; 24], memory_kib: u32, passes: u32, lanes: u32, box_: Vec<u8> },
}

impl std::fmt::Debug for Kept {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(if matches!(self, Self::Plain(_)) { "Plain(secret)" } else { "Locked" })
    }
}

fn malformed(what: impl ToString) -> VaultError {
    VaultError::Malformed { what: what.to_string() }
}

fn cipher(
    passphrase: &str,
    salt: &[u8; 16],
    memory_kib: u32,
    passes: u32,
    lanes: u32,
) -> Result<XChaCha20Poly1305, VaultError> {
    let params = Params::new(memory_kib, passes, lanes, Some(32)).map_err(malformed)?;
    let mut key = [0; 32];
    let argon = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
    argon.hash_password_into(passphrase.as_bytes(), salt, &mut key).map_err(malformed)?;
    Ok(XChaCha20Poly1305::new(&Key::from(key)))
}

impl SealedKey {
    /// Keeps a key as it is, for a place that only its owner can read.
    #[must_use]
    pub fn plain(device: DeviceId, key: &DeviceKey) -> Self {
        Self { device, kept: Kept::Plain(key.seed()) }
    }

    /// Locks a key by a passphrase; salt and nonce must be fresh random bytes.
    ///
    /// # Errors
    /// [`VaultError::Malformed`] for a passphrase longer than the derivation takes.
    pub fn locked(
        device: DeviceId,
        key: &DeviceKey,
        passphrase: &str,
        salt: [u8; 16],
        nonce: [u8; 24],
    ) -> Result<Self, VaultError> {
        let cipher = cipher(passphrase, &salt, MEMORY_KIB, PASSES, LANES)?;
        let box_ = cipher.encrypt(&XNonce::from(nonce), key.seed().as_slice()).map_err(malformed)?;
        let kept = Kept::Locked { salt, nonce, memory_kib: MEMORY_KIB, passes: PASSES, lanes: LANES, box_ };
        Ok(Self { device, kept })
    }

    /// Tells whether a passphrase is needed.
    #[must_use]
    pub fn is_locked(&self) -> bool {
        matches!(self.kept, Kept::Locked { .. })
    }

    /// Returns the key.
    ///
    /// # Errors
    /// A [`VaultError`]; [`VaultError::Locked`] if it is locked and no passphrase is given.
    pub fn open(&self, passphrase: Option<&str>) -> Result<DeviceKey, VaultError> {
        let seed = match &self.kept {
            Kept::Plain(seed) => *seed,
            Kept::Locked { salt, nonce, memory_kib, passes, lanes, box_ } => {
                let passphrase = passphrase.ok_or(VaultError::Locked)?;
                let cipher = cipher(passphrase, salt, *memory_kib, *passes, *lanes)?;
                let seed =
                    cipher.decrypt(&XNonce::from(*nonce), box_.as_slice()).map_err(|_| VaultError::WrongPassphrase)?;
                seed.try_into().map_err(|_| VaultError::WrongPassphrase)?
            }
        };
        let key = DeviceKey::from_seed(&seed);
        if self.device.belongs_to(&key.public()) { Ok(key) } else { Err(VaultError::WrongDevice) }
    }

    /// Writes it for keeping.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut e = Encoder::new(Vec::new());
        let head = e.array(3).and_then(|e| e.str(MAGIC)).and_then(|e| e.bytes(self.device.as_bytes()));
        let written = head.and_then(|e| match &self.kept {
            Kept::Plain(seed) => e.bytes(seed),
            Kept::Locked { salt, nonce, memory_kib, passes, lanes, box_ } => {
                e.array(6)?.bytes(salt)?.bytes(nonce)?.u32(*memory_kib)?.u32(*passes)?.u32(*lanes)?.bytes(box_)
            }
        });
        debug_assert!(written.is_ok(), "writing to memory cannot fail");
        e.into_writer()
    }

    /// Reads what [`SealedKey::to_bytes`] wrote.
    ///
    /// # Errors
    /// [`VaultError::Malformed`].
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, VaultError> {
        let mut d = Decoder::new(bytes);
        let array = |d: &mut Decoder<'_>, n: u64| match d.array().map_err(malformed)? {
            Some(found) if found == n => Ok(()),
            _ => Err(malformed("it has another shape")),
        };
        array(&mut d, 3)?;
        if d.str().map_err(malformed)? != MAGIC {
            return Err(malformed("it does not begin as one"));
        }
        let device = DeviceId::from_bytes(fixed(d.bytes().map_err(malformed)?)?);
        let kept = if d.datatype().map_err(malformed)? == minicbor::data::Type::Bytes {
            Kept::Plain(fixed(d.bytes().map_err(malformed)?)?)
        } else {
            array(&mut d, 6)?;
            let salt = fixed(d.bytes().map_err(malformed)?)?;
            let nonce = fixed(d.bytes().map_err(malformed)?)?;
            let mut number = || d.u32().map_err(malformed);
            let (memory_kib, passes, lanes) = (number()?, number()?, number()?);
            if memory_kib > MOST_KIB || passes > MOST_PASSES || lanes > 16 {
                return Err(malformed("it asks for more work than a key is worth"));
            }
            Kept::Locked { salt, nonce, memory_kib, passes, lanes, box_: d.bytes().map_err(malformed)?.to_vec() }
        };
        if d.position() != bytes.len() {
            return Err(malformed("there is more after its end"));
        }
        Ok(Self { device, kept })
    }
}

fn fixed<const N: usize>(bytes: &[u8]) -> Result<[u8; N], VaultError> {
    bytes.try_into().map_err(|_| malformed(format!("{N} bytes were expected, {} found", bytes.len())))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kept_key_opens_with_its_passphrase_alone() {
        let key = DeviceKey::from_seed(&[5; 32]);
        let device = key.device(1_000);
        let plain = SealedKey::from_bytes(&SealedKey::plain(device, &key).to_bytes()).unwrap();
        assert_eq!(plain.open(None).unwrap().seed(), key.seed());
        let locked = SealedKey::locked(device, &key, "wet field", [1; 16], [2; 24]).unwrap();
        let bytes = locked.to_bytes();
        assert!(!bytes.windows(32).any(|w| w == [5; 32]), "the secret does not stand in it");
        let read = SealedKey::from_bytes(&bytes).unwrap();
        assert_eq!(read.open(Some("wet field")).unwrap().seed(), key.seed());
        assert_eq!(read.open(Some("dry field")).unwrap_err(), VaultError::WrongPassphrase);
        assert_eq!(read.open(None).unwrap_err(), VaultError::Locked);
        let other = SealedKey { device: DeviceKey::from_seed(&[6; 32]).device(1_000), ..plain };
        assert_eq!(other.open(None).unwrap_err(), VaultError::WrongDevice);
        assert!(SealedKey::from_bytes(&bytes[..bytes.len() - 1]).is_err());
        assert!(SealedKey::from_bytes(b"").is_err());
    }
}
