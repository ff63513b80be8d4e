//! A signed statement under a page: which device wrote it, and on which sealed outings it rests.

use base64::Engine;
use base64::engine::general_purpose::STANDARD_NO_PAD;
use coset::iana::Algorithm;
use coset::{CoseSign1, CoseSign1Builder, HeaderBuilder, TaggedCborSerializable};
use minicbor::{Decoder, Encoder};
use thiserror::Error;

use super::key::{DeviceKey, PublicKey};
use crate::facts::{CrewId, DeviceId, KeyBytes, Moment, OutingId, SignatureBytes};

const AAD: &[u8] = b"embertally page";
const HEAD: &str = "<!-- embertally page 1 ";
const TAIL: &str = " -->";
/// The most that a statement may take.
const MOST: usize = 1 << 20;

/// Why a page does not stand up.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum PaperError {
    /// It has no statement, or what stands there is none.
    #[error("the page ends with no statement of who wrote it: {what}")]
    NoStatement {
        /// What was found.
        what: String,
    },
    /// The page is not the one that was signed.
    #[error("the page was altered after it was written: its hash is not the signed one")]
    Altered,
    /// The statement is not signed by the key that it names.
    #[error("the statement's signature is not that of the device it names")]
    Forged,
}

/// What a device states of a page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Paper {
    /// The crew; `None`: the log was no crew's.
    pub crew: Option<CrewId>,
    /// The device that wrote the page.
    pub device: DeviceId,
    /// Its public key.
    pub key: KeyBytes,
    /// When, by its clock.
    pub written: Moment,
    /// The digests of the seals of the outings that it rests on.
    pub seals: Vec<(OutingId, [u8; 32])>,
}

fn none(what: impl ToString) -> PaperError {
    PaperError::NoStatement { what: what.to_string() }
}

impl Paper {
    fn to_bytes(&self, page: &[u8]) -> Vec<u8> {
        let mut e = Encoder::new(Vec::new());
        let written = (|| {
            e.array(6)?;
            match self.crew {
                Some(crew) => e.bytes(crew.as_bytes())?,
                None => e.null()?,
            };
            e.bytes(self.device.as_bytes())?.bytes(&self.key)?;
            e.array(2)?.i64(self.written.unix_ms)?.i16(self.written.offset_minutes)?;
            e.array(self.seals.len() as u64)?;
            for (outing, digest) in &self.seals {
                e.array(2)?.bytes(outing.as_bytes())?.bytes(digest)?;
            }
            e.bytes(blake3::hash(page).as_bytes())?;
            Ok::<(), minicbor::encode::Error<std::convert::Infallible>>(())
        })();
        debug_assert!(written.is_ok(), "writing to memory cannot fail");
        e.into_writer()
    }

    fn from_bytes(bytes: &[u8]) -> Result<(Self, [u8; 32]), minicbor::decode::Error> {
        let mut d = Decoder::new(bytes);
        let wrong = || minicbor::decode::Error::message("it has another shape");
        let fixed = |bytes: &[u8]| <[u8; 16]>::try_from(bytes).map_err(|_| wrong());
        let digest = |bytes: &[u8]| <[u8; 32]>::try_from(bytes).map_err(|_| wrong());
        if d.array()? != Some(6) {
            return Err(wrong());
        }
        let crew = if d.datatype()? == minicbor::data::Type::Null {
            d.null()?;
            None
        } else {
            Some(CrewId::from_bytes(fixed(d.bytes()?)?))
        };
        let (device, key) = (DeviceId::from_bytes(fixed(d.bytes()?)?), digest(d.bytes()?)?);
        if d.array()? != Some(2) {
            return Err(wrong());
        }
        let written = Moment { unix_ms: d.i64()?, offset_minutes: d.i16()? };
        let mut seals = Vec::new();
        for _ in 0..d.array()?.ok_or_else(wrong)? {
            if d.array()? != Some(2) {
                return Err(wrong());
            }
            seals.push((OutingId::from_bytes(fixed(d.bytes()?)?), digest(d.bytes()?)?));
        }
        Ok((Self { crew, device, key, written, seals }, digest(d.bytes()?)?))
    }

    /// Returns the page with a signed statement as its last line, a comment that no browser shows.
    #[must_use]
    pub fn under(&self, page: &str, key: &DeviceKey) -> String {
        let mut page = page.to_owned();
        if !page.ends_with('\n') {
            page.push('\n');
        }
        let signed = CoseSign1Builder::new()
            .protected(HeaderBuilder::new().algorithm(Algorithm::EdDSA).build())
            .payload(self.to_bytes(page.as_bytes()))
            .create_signature(AAD, |bytes| key.sign(bytes).to_vec())
            .build();
        if let Ok(bytes) = signed.to_tagged_vec() {
            page.push_str(&format!("{HEAD}{}{TAIL}\n", STANDARD_NO_PAD.encode(bytes)));
        }
        page
    }

    /// Reads the statement under a page and checks that the page and the statement are those that were signed. Whether the
    /// device is a member, and the seals those of the log, is for the caller to check.
    ///
    /// # Errors
    /// [`PaperError`].
    pub fn of(page: &str) -> Result<Self, PaperError> {
        let text = page.strip_suffix('\n').unwrap_or(page);
        let (body, line) = match text.rfind(HEAD) {
            Some(at) => text.split_at(at),
            None => return Err(none("its last line is something else")),
        };
        let code = line.strip_prefix(HEAD).and_then(|l| l.strip_suffix(TAIL)).filter(|code| code.len() <= MOST);
        let bytes = STANDARD_NO_PAD.decode(code.ok_or_else(|| none("there is more after it"))?).map_err(none)?;
        let cose = CoseSign1::from_tagged_slice(&bytes).map_err(none)?;
        let payload = cose.payload.as_deref().unwrap_or_default();
        let (paper, hash) = Self::from_bytes(payload).map_err(none)?;
        let key = PublicKey::from_bytes(&paper.key).map_err(|_| PaperError::Forged)?;
        let signature = SignatureBytes::try_from(cose.signature.as_slice()).map_err(|_| PaperError::Forged)?;
        if !paper.device.belongs_to(&paper.key) || !key.verifies(&cose.tbs_data(AAD), &signature) {
            return Err(PaperError::Forged);
        }
        if blake3::hash(body.as_bytes()).as_bytes() != &hash {
            return Err(PaperError::Altered);
        }
        Ok(paper)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_that_was_altered_is_told_from_one_that_was_not() {
        let key = DeviceKey::from_seed(&[3; 32]);
        let paper = Paper {
            crew: Some(key.crew()),
            device: key.device(5),
            key: key.public(),
            written: Moment { unix_ms: 9, offset_minutes: 60 },
            seals: vec![(OutingId::named("dry run"), [4; 32])],
        };
        let page = paper.under("<html><p>2 of 40 failed</p></html>", &key);
        assert_eq!(Paper::of(&page), Ok(paper.clone()));
        assert_eq!(Paper::of(&page.replace("2 of", "0 of")), Err(PaperError::Altered));
        assert!(matches!(Paper::of("<html></html>"), Err(PaperError::NoStatement { .. })));
        let other = DeviceKey::from_seed(&[4; 32]);
        assert_eq!(Paper::of(&paper.under("<html></html>", &other)), Err(PaperError::Forged));
        for at in 0..page.len() {
            let mut altered = page.clone().into_bytes();
            altered[at] ^= 1;
            if let Ok(altered) = String::from_utf8(altered) {
                assert!(Paper::of(&altered).is_err(), "byte {at}");
            }
        }
    }
}
