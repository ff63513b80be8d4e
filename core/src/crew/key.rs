//! A device's Ed25519 key (RFC 8032).

use std::fmt;

use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use thiserror::Error;

use crate::facts::{CrewId, DeviceId, KeyBytes, SignatureBytes};

/// Why bytes are no key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("these 32 bytes are no public key that anybody can sign with")]
pub struct KeyError;

/// The secret key of a device. It signs; it is never shown.
#[derive(Clone)]
pub struct DeviceKey(SigningKey);

impl fmt::Debug for DeviceKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("DeviceKey(secret)")
    }
}

impl DeviceKey {
    /// Makes the key from 32 secret random bytes, which must come from the system.
    #[must_use]
    pub fn from_seed(seed: &[u8; 32]) -> Self {
        Self(SigningKey::from_bytes(seed))
    }

    /// Returns the 32 secret bytes, for keeping.
    #[must_use]
    pub fn seed(&self) -> [u8; 32] {
        self.0.to_bytes()
    }

    /// Returns the public key.
    #[must_use]
    pub fn public(&self) -> KeyBytes {
        self.0.verifying_key().to_bytes()
    }

    /// Returns the id of the device that this key makes at a time.
    #[must_use]
    pub fn device(&self, unix_ms: i64) -> DeviceId {
        DeviceId::of_key(unix_ms, &self.public())
    }

    /// Returns the id of the crew that this key can found.
    #[must_use]
    pub fn crew(&self) -> CrewId {
        CrewId::founded_by(&self.public())
    }

    /// Signs bytes.
    #[must_use]
    pub fn sign(&self, bytes: &[u8]) -> SignatureBytes {
        self.0.sign(bytes).to_bytes()
    }
}

/// A public key, checked and ready to verify with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PublicKey(VerifyingKey);

impl PublicKey {
    /// Reads a public key.
    ///
    /// # Errors
    /// [`KeyError`]; also for the few keys for which anybody can make a signature (of small order).
    pub fn from_bytes(bytes: &KeyBytes) -> Result<Self, KeyError> {
        let key = VerifyingKey::from_bytes(bytes).map_err(|_| KeyError)?;
        if key.is_weak() { Err(KeyError) } else { Ok(Self(key)) }
    }

    /// Returns its bytes.
    #[must_use]
    pub fn to_bytes(&self) -> KeyBytes {
        self.0.to_bytes()
    }

    /// Tells whether a signature of bytes is this key's.
    ///
    /// The strict check of RFC 8032 §5.1.7, one signature at a time. Checking many in one equation would be quicker, and
    /// would let a signature that was made for it pass on one device and fail on another.
    #[must_use]
    pub fn verifies(&self, bytes: &[u8], signature: &SignatureBytes) -> bool {
        self.0.verify_strict(bytes, &Signature::from_bytes(signature)).is_ok()
    }
}
