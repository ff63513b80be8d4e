//! A signed entry: COSE_Sign1 (RFC 9052) with EdDSA, tagged, its payload the entry's bytes.
//!
//! Signed beside the payload is where the entry stands (`external_aad`), so that nobody can put it under another id or
//! into another outing. One signed entry has one encoding.

use std::borrow::Cow;

use coset::iana::{Algorithm, EnumI64};
use coset::{CoseSign1, CoseSign1Builder, HeaderBuilder, RegisteredLabelWithPrivate, TaggedCborSerializable};
use minicbor::Encoder;
use minicbor::data::Tag;
use thiserror::Error;

use super::key::{DeviceKey, PublicKey};
use crate::facts::{DeviceId, Entry, EntryId, MAX_ENTRY_BYTES, SignatureBytes, WireError};

/// The first byte of a signed entry (tag 18); an unsigned one begins with a map.
const TAG: u8 = 0xd2;

/// The most that the envelope adds to the entry's own bytes.
const ROOM: usize = 160;

/// Why bytes are no signed entry.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum EnvelopeError {
    /// The bytes are no COSE_Sign1 as this program writes it.
    #[error("not a signed entry: {what}")]
    Malformed {
        /// What was wrong.
        what: String,
    },
    /// The payload is no entry.
    #[error(transparent)]
    Entry(#[from] WireError),
}

/// Where an entry stands. It is signed with it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// The id of the outing, or of the person whose name it is; `None`: the register.
    pub home: Option<[u8; 16]>,
    /// The entry's id.
    pub entry: EntryId,
}

impl Place {
    /// Returns the bytes that are signed beside the payload.
    fn to_bytes(self) -> Vec<u8> {
        let mut e = Encoder::new(Vec::with_capacity(64));
        let written = e.array(3).and_then(|e| e.str("embertally entry")).and_then(|e| match self.home {
            Some(home) => e.bytes(&home),
            None => e.null(),
        });
        debug_assert!(written.and_then(|e| e.bytes(self.entry.as_bytes())).is_ok(), "writing to memory cannot fail");
        e.into_writer()
    }
}

/// A signed entry, read but not verified.
#[derive(Debug, Clone)]
pub struct Envelope {
    cose: CoseSign1,
    signer: Option<DeviceId>,
    signature: SignatureBytes,
}

impl Envelope {
    /// Signs an entry's bytes. `signer` is told where it is not the device that the entry names (an import).
    ///
    /// # Errors
    /// [`EnvelopeError::Malformed`] if the library cannot write it.
    pub fn seal(
        key: &DeviceKey,
        place: Place,
        payload: Vec<u8>,
        signer: Option<DeviceId>,
    ) -> Result<Vec<u8>, EnvelopeError> {
        let header = HeaderBuilder::new().algorithm(Algorithm::EdDSA);
        let header = match signer {
            Some(device) => header.key_id(device.as_bytes().to_vec()),
            None => header,
        };
        CoseSign1Builder::new()
            .protected(header.build())
            .payload(payload)
            .create_signature(&place.to_bytes(), |bytes| key.sign(bytes).to_vec())
            .build()
            .to_tagged_vec()
            .map_err(|e| malformed(e.to_string()))
    }

    /// Tells whether stored bytes are those of a signed entry.
    #[must_use]
    pub fn is_signed(bytes: &[u8]) -> bool {
        bytes.first() == Some(&TAG)
    }

    /// Reads a signed entry.
    ///
    /// # Errors
    /// [`EnvelopeError::Malformed`], also for another encoding of the same thing.
    pub fn read(bytes: &[u8]) -> Result<Self, EnvelopeError> {
        if bytes.len() > MAX_ENTRY_BYTES + ROOM {
            return Err(malformed(format!("{} bytes are too many", bytes.len())));
        }
        let cose = CoseSign1::from_tagged_slice(bytes).map_err(|e| malformed(e.to_string()))?;
        if !is_as_written(&cose, bytes) {
            return Err(malformed("it is written in another way than devices write it"));
        }
        let header = &cose.protected.header;
        if header.alg != Some(RegisteredLabelWithPrivate::Assigned(Algorithm::EdDSA)) {
            return Err(malformed(format!("it is not signed by EdDSA ({})", Algorithm::EdDSA.to_i64())));
        }
        let signer = if header.key_id.is_empty() {
            None
        } else {
            let id = <[u8; 16]>::try_from(header.key_id.as_slice()).map_err(|_| malformed("no device signed it"))?;
            Some(DeviceId::from_bytes(id))
        };
        let wanted = match signer {
            Some(device) => HeaderBuilder::new().algorithm(Algorithm::EdDSA).key_id(device.as_bytes().to_vec()),
            None => HeaderBuilder::new().algorithm(Algorithm::EdDSA),
        };
        if *header != wanted.build() || !cose.unprotected.is_empty() || cose.payload.is_none() {
            return Err(malformed("its headers are not those of an entry"));
        }
        let signature = SignatureBytes::try_from(cose.signature.as_slice())
            .map_err(|_| malformed(format!("a signature of {} bytes", cose.signature.len())))?;
        Ok(Self { cose, signer, signature })
    }

    /// Returns the entry's own bytes.
    #[must_use]
    pub fn payload(&self) -> &[u8] {
        self.cose.payload.as_deref().unwrap_or_default()
    }

    /// Returns the device that signed, where it is not the one that the entry names.
    #[must_use]
    pub fn signer(&self) -> Option<DeviceId> {
        self.signer
    }

    /// Tells whether a key signed this, at this place.
    #[must_use]
    pub fn is_signed_by(&self, key: &PublicKey, place: Place) -> bool {
        key.verifies(&self.cose.tbs_data(&place.to_bytes()), &self.signature)
    }
}

/// Tells whether bytes are those that a device writes for this: one thing has one encoding.
fn is_as_written(cose: &CoseSign1, bytes: &[u8]) -> bool {
    let protected = cose.protected.original_data.as_deref().unwrap_or_default();
    let payload = cose.payload.as_deref().unwrap_or_default();
    let mut e = Encoder::new(Vec::with_capacity(bytes.len()));
    let head = e.tag(Tag::new(u64::from(TAG - 0xc0))).and_then(|e| e.array(4)).and_then(|e| e.bytes(protected));
    let written = head.and_then(|e| e.map(0)).and_then(|e| e.bytes(payload)).and_then(|e| e.bytes(&cose.signature));
    written.is_ok() && e.into_writer() == bytes
}

fn malformed(what: impl Into<String>) -> EnvelopeError {
    EnvelopeError::Malformed { what: what.into() }
}

/// Returns the entry's own bytes in stored ones, signed or not.
///
/// # Errors
/// [`EnvelopeError::Malformed`].
pub fn payload_of(stored: &[u8]) -> Result<Cow<'_, [u8]>, EnvelopeError> {
    if Envelope::is_signed(stored) {
        Ok(Cow::Owned(Envelope::read(stored)?.payload().to_vec()))
    } else {
        Ok(Cow::Borrowed(stored))
    }
}

/// Reads the entry in stored bytes, signed or not, without verifying anything.
///
/// # Errors
/// [`EnvelopeError`].
pub fn entry_in(id: EntryId, stored: &[u8]) -> Result<Entry, EnvelopeError> {
    Ok(Entry::from_bytes(id, &payload_of(stored)?)?)
}
