//! Carry files: everything that one device knows, in one file, to hand over with no network.
//!
//! The file is a line of magic, a CBOR array (RFC 8949) `[[document id, saved document], …]`, and the BLAKE3 hash of
//! all before it. Saved documents are compressed already. A damaged file is refused whole.

use std::io;

use minicbor::{Decoder, Encoder};

use super::document::Document;
use super::error::LogError;
use super::open::{Absorbed, Log, unreadable};
use crate::facts::DocumentId;
use crate::store::Store;

/// The first bytes of every carry file.
pub const CARRY_MAGIC: &[u8] = b"embertally carry 1\n";

const HASH: usize = 32;

/// What a carry file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Carried {
    /// How many documents.
    pub documents: usize,
    /// How many entries in them.
    pub entries: usize,
    /// How many bytes the file has.
    pub bytes: usize,
}

fn bad(what: impl Into<String>) -> LogError {
    LogError::BadCarry { what: what.into() }
}

impl<S: Store> Log<S> {
    /// Writes everything that this log holds as one carry file.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`], [`LogError::Output`].
    pub fn carry(&mut self, out: &mut dyn io::Write) -> Result<Carried, LogError> {
        let listed = self.list()?;
        let mut carried = Carried { documents: listed.len(), ..Carried::default() };
        let mut cbor = Encoder::new(CARRY_MAGIC.to_vec());
        let write_error = |_| LogError::Internal { what: "writing to memory failed".to_owned() };
        cbor.array(listed.len() as u64).map_err(write_error)?;
        for line in listed {
            let document = self.snapshot(line.document)?;
            carried.entries += document.len();
            cbor.array(2).and_then(|e| e.str(&line.document.to_string())).map_err(write_error)?;
            cbor.bytes(&document.save()).map_err(write_error)?;
        }
        let mut file = cbor.into_writer();
        let hash = blake3::hash(&file);
        file.extend_from_slice(hash.as_bytes());
        carried.bytes = file.len();
        let failed = |e: io::Error| LogError::Output { reason: e.to_string() };
        out.write_all(&file).and_then(|()| out.flush()).map_err(failed)?;
        Ok(carried)
    }

    /// Takes in a carry file: all of it, durably, or nothing. Taking in the same file again changes nothing.
    ///
    /// # Errors
    /// [`LogError::BadCarry`] and any other [`LogError`]; nothing was taken in then.
    pub fn absorb(&mut self, file: &[u8]) -> Result<Absorbed, LogError> {
        let incoming = documents(file)?
            .into_iter()
            .map(|(id, bytes)| {
                let actor = self.new_actor();
                Ok((id, Document::load(bytes, actor).map_err(|e| unreadable(id, e))?))
            })
            .collect::<Result<Vec<_>, LogError>>()?;
        self.absorb_documents(incoming)
    }
}

/// Checks a carry file and returns its documents.
fn documents(file: &[u8]) -> Result<Vec<(DocumentId, &[u8])>, LogError> {
    if !file.starts_with(CARRY_MAGIC) {
        return Err(bad("byte 0: it does not begin as one"));
    }
    let end = file.len().checked_sub(HASH).filter(|end| *end >= CARRY_MAGIC.len());
    let (body, hash) = end.and_then(|end| file.split_at_checked(end)).ok_or_else(|| bad("it is cut off"))?;
    if blake3::hash(body).as_bytes() != hash {
        return Err(bad("its contents do not match its hash; ask for it again"));
    }
    let mut cbor = Decoder::new(body);
    cbor.set_position(CARRY_MAGIC.len());
    let malformed = |e: minicbor::decode::Error| bad(e.to_string());
    let count = cbor.array().map_err(malformed)?.ok_or_else(|| bad("its list has no length"))?;
    let mut found = Vec::new();
    for _ in 0..count {
        if cbor.array().map_err(malformed)? != Some(2) {
            return Err(bad(format!("byte {}: not a document", cbor.position())));
        }
        let id: DocumentId = cbor.str().map_err(malformed)?.parse().map_err(|e| bad(format!("{e}")))?;
        found.push((id, cbor.bytes().map_err(malformed)?));
    }
    if cbor.position() != body.len() {
        return Err(bad(format!("byte {}: there is more than its list says", cbor.position())));
    }
    Ok(found)
}
