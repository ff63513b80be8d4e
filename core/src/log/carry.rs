//! Carry files: everything that one device knows, in one file, to hand over with no network.
//!
//! The file is a line of magic, a CBOR array (RFC 8949) `[[document id, saved document], …]`, and the BLAKE3 hash of
//! all before it. Saved documents are compressed already. A damaged file is refused whole.

use std::io;

use minicbor::{Decoder, Encoder};

use super::document::Document;
use super::error::LogError;
use super::open::{Absorbed, Log, unreadable};
use super::screen::{Allowance, screen};
use crate::facts::DocumentId;
use crate::store::Store;

/// The first bytes of every carry file.
pub const CARRY_MAGIC: &[u8] = b"embertally carry 1\n";

const HASH: usize = 32;

/// What one document may come to: 20 full parts of 5,000 entries, as 20 devices may bring that never met. What the
/// CRDT's reader would make of more could fill the memory.
const MOST_OF_A_DOCUMENT: Allowance = Allowance { inflated_bytes: 64 << 20, rows: 2_000_000, chunks: 100_000 };

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
                screen(bytes, &mut MOST_OF_A_DOCUMENT.clone()).map_err(|e| bad(format!("document {id}: {e}")))?;
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

#[cfg(test)]
mod tests {
    use std::io::Write as _;

    use flate2::Compression;
    use flate2::write::DeflateEncoder;
    use sha2::{Digest, Sha256};

    use super::*;
    use crate::facts::*;
    use crate::log::Home;
    use crate::store::MemoryStore;

    fn leb(mut n: usize) -> Vec<u8> {
        let mut out = Vec::new();
        while n > 0x7f {
            out.push((n & 0x7f) as u8 | 0x80);
            n >>= 7;
        }
        out.push(n as u8);
        out
    }

    /// A deflated change of zeros, with the checksum that the CRDT wants.
    fn bomb(inflated: usize) -> Vec<u8> {
        let zeros = vec![0; inflated];
        let hash = Sha256::new().chain_update([1]).chain_update(leb(inflated)).chain_update(&zeros).finalize();
        let mut deflate = DeflateEncoder::new(Vec::new(), Compression::best());
        deflate.write_all(&zeros).unwrap();
        let deflated = deflate.finish().unwrap();
        [&[0x85, 0x6f, 0x4a, 0x83], &hash[..4], &[2], &leb(deflated.len()), &deflated].concat()
    }

    fn carried(document: &[u8]) -> Vec<u8> {
        let mut cbor = Encoder::new(CARRY_MAGIC.to_vec());
        cbor.array(1).unwrap().array(2).unwrap().str(&Home::Register.part(1).to_string()).unwrap();
        cbor.bytes(document).unwrap();
        let mut file = cbor.into_writer();
        let hash = blake3::hash(&file);
        file.extend_from_slice(hash.as_bytes());
        file
    }

    #[test]
    fn a_carry_file_that_would_inflate_hugely_is_refused_before_it_does() {
        let mut log = Log::open(MemoryStore::default(), || 1);
        let mut whole = Vec::new();
        log.carry(&mut whole).unwrap();
        let file = carried(&bomb(80 << 20));
        assert!(file.len() < 100_000);
        let error = log.absorb(&file).unwrap_err();
        assert!(matches!(&error, LogError::BadCarry { what } if what.contains("inflates to more")), "{error}");
        // After an honest document in the same bytes too.
        let mut document = log.snapshot(Home::Register.part(1)).unwrap().save();
        assert!(log.absorb(&carried(&document)).is_ok());
        document.extend(bomb(80 << 20));
        let error = log.absorb(&carried(&document)).unwrap_err();
        assert!(matches!(&error, LogError::BadCarry { what } if what.contains("inflates to more")), "{error}");
        let mut after = Vec::new();
        log.carry(&mut after).unwrap();
        assert_eq!(whole, after);
    }

    #[test]
    fn twenty_full_parts_are_within_what_a_document_may_come_to() {
        let outing = OutingId::named("dry run");
        let mut log = Log::open(MemoryStore::default(), || 1);
        for n in 0..1_000_u64 {
            let id = EntryId::new(n as i64, &mut || n);
            let mut entry = Entry::new(id, DeviceId::named("phone"), Moment { unix_ms: n as i64, offset_minutes: 0 });
            let shot =
                |unit: u64| Shot { lot: LotId::named("A"), unit: Some(unit.to_string()), attempt: 1, fuse: None };
            entry.state_volley(Volley {
                outing,
                at: None,
                module: None,
                channel: None,
                label: None,
                wiring: Wiring::Series,
                leads: None,
                conditions: Conditions::default(),
                shots: (0..10).map(|m| shot(10 * n + m)).collect(),
            });
            log.write(Home::Outing(outing), &entry).unwrap();
        }
        let bytes = log.snapshot(Home::Outing(outing).part(1)).unwrap().save();
        let mut left = MOST_OF_A_DOCUMENT;
        screen(&bytes, &mut left).unwrap();
        // 1,000 entries here; a hundred times as many are 20 parts. About 17 rows and 160 bytes an entry.
        assert!((MOST_OF_A_DOCUMENT.rows - left.rows) * 100 < MOST_OF_A_DOCUMENT.rows, "{left:?}");
        let inflated = MOST_OF_A_DOCUMENT.inflated_bytes - left.inflated_bytes;
        assert!(inflated > 0 && inflated * 100 < MOST_OF_A_DOCUMENT.inflated_bytes, "{left:?}");
    }
}
