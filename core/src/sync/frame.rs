//! The frames of a conversation, and their bytes.
//!
//! A frame is one CBOR array (RFC 8949) that begins with its kind. Frames of kinds from 16 on that are not known here
//! are skipped, so that later versions can add to the conversation without breaking it.

use minicbor::{Decoder, Encoder};

use super::refusal::Refusal;
use crate::facts::{DeviceId, DocumentId, OutingId, PersonId};

/// The name of the conversation, as a WebSocket subprotocol (RFC 6455).
pub const PROTOCOL: &str = "embertally-sync-1";

/// The version in the first frame.
pub(super) const VERSION: u64 = 1;

/// Parts of a document are numbered by the log one after another, so no honest one comes near this.
const MOST_PARTS: u32 = 10_000;

/// What stands behind the id in the name of a person's document.
const PERSON: u8 = 1;

/// How many groups documents are put into, so that only groups that differ need to be listed.
pub(super) const BUCKETS: usize = 16;

/// A short hash of what a document, or a group of documents, holds.
pub(super) type Short = [u8; 8];

/// One document in an outline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OutlineItem {
    /// The document.
    pub document: DocumentId,
    /// A hash of what it holds.
    pub state: [u8; 8],
    /// Its latest entry's time, in milliseconds since 1970; only to choose what comes first.
    pub last_ms: i64,
}

/// One frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Frame {
    /// The opening side's first word.
    Hello {
        /// The version it speaks.
        version: u64,
        /// Its device.
        device: DeviceId,
        /// Its clock, in milliseconds since 1970.
        clock_ms: i64,
        /// A hash of each group of its documents.
        buckets: Vec<Short>,
    },
    /// The answering side's first word: what it holds in the groups that differ.
    Outline {
        /// Its device.
        device: DeviceId,
        /// Its clock, in milliseconds since 1970.
        clock_ms: i64,
        /// Whether the opening side may write here.
        may_write: bool,
        /// Which groups differ, as bits.
        differing: u16,
        /// Its documents in those groups.
        documents: Vec<OutlineItem>,
        /// Whether more of the list follows in another such frame.
        more: bool,
    },
    /// One message about one document.
    Document {
        /// The document.
        document: DocumentId,
        /// The CRDT's message.
        message: Vec<u8>,
    },
    /// A piece of a frame that is too large for one; the pieces come one after another with nothing between.
    Piece {
        /// Whether it is the last one.
        last: bool,
        /// Its bytes.
        bytes: Vec<u8>,
    },
    /// A document that was dropped for good on the sender's side: it says nothing about it and takes nothing in.
    Gone {
        /// The document.
        document: DocumentId,
    },
    /// The last word: why the conversation ends.
    Refuse(Refusal),
    /// Of a kind that is not known here, and may be skipped.
    Unknown(u64),
}

type Encoding = Encoder<Vec<u8>>;
type Written = Result<(), minicbor::encode::Error<std::convert::Infallible>>;

impl Frame {
    /// Returns the frame's bytes.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut out = Encoder::new(Vec::new());
        // Writing to memory cannot fail.
        let _ = self.write(&mut out);
        out.into_writer()
    }

    fn write(&self, out: &mut Encoding) -> Written {
        match self {
            Self::Hello { version, device, clock_ms, buckets } => {
                out.array(5)?.u8(0)?.u64(*version)?.bytes(device.as_bytes())?.i64(*clock_ms)?;
                out.bytes(&buckets.concat())?;
            }
            Self::Outline { device, clock_ms, may_write, differing, documents, more } => {
                out.array(7)?.u8(1)?.bytes(device.as_bytes())?.i64(*clock_ms)?.bool(*may_write)?;
                out.u16(*differing)?.bool(*more)?.array(documents.len() as u64)?;
                for item in documents {
                    out.array(3)?;
                    write_document(out, &item.document)?;
                    out.bytes(&item.state)?.i64(item.last_ms)?;
                }
            }
            Self::Document { document, message } => {
                out.array(3)?.u8(2)?;
                write_document(out, document)?;
                out.bytes(message)?;
            }
            Self::Piece { last, bytes } => {
                out.array(3)?.u8(3)?.bool(*last)?.bytes(bytes)?;
            }
            Self::Refuse(refusal) => {
                out.array(3)?.u8(4)?.str(refusal.code())?.str(&words(refusal))?;
            }
            Self::Gone { document } => {
                out.array(2)?.u8(16)?;
                write_document(out, document)?;
            }
            Self::Unknown(kind) => {
                out.array(1)?.u64(*kind)?;
            }
        }
        Ok(())
    }

    /// Reads a frame. Nothing is allocated but copies of what is there.
    ///
    /// # Errors
    /// [`Refusal::Grammar`] with what was wrong and at which byte.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, Refusal> {
        let mut from = Decoder::new(bytes);
        let frame = read(&mut from).map_err(|what| grammar(format!("byte {}: {what}", from.position())))?;
        if !matches!(frame, Self::Unknown(_)) && from.position() != bytes.len() {
            return Err(grammar(format!("byte {}: there is more than the frame says", from.position())));
        }
        Ok(frame)
    }
}

pub(super) fn grammar(what: impl Into<String>) -> Refusal {
    Refusal::Grammar { what: what.into() }
}

/// The part of a refusal that its code does not say.
fn words(refusal: &Refusal) -> String {
    match refusal {
        Refusal::Version { .. } | Refusal::TooLarge { .. } | Refusal::Contents { .. } => refusal.to_string(),
        Refusal::Grammar { what }
        | Refusal::NotAllowed { what }
        | Refusal::Store { what }
        | Refusal::Closing { what } => what.clone(),
    }
}

fn write_document(out: &mut Encoding, document: &DocumentId) -> Written {
    match document {
        DocumentId::Register { part } => out.array(1)?.u32(*part)?,
        DocumentId::Outing { outing, part } => out.array(2)?.u32(*part)?.bytes(outing.as_bytes())?,
        DocumentId::Person { person, part } => out.array(3)?.u32(*part)?.bytes(person.as_bytes())?.u8(PERSON)?,
    };
    Ok(())
}

fn array(from: &mut Decoder<'_>) -> Result<u64, String> {
    from.array().map_err(|e| e.to_string())?.ok_or_else(|| "a list without a length".to_owned())
}

fn fixed<const N: usize>(from: &mut Decoder<'_>) -> Result<[u8; N], String> {
    from.bytes().map_err(|e| e.to_string())?.try_into().map_err(|_| format!("{N} bytes wanted"))
}

fn read_document(from: &mut Decoder<'_>) -> Result<DocumentId, String> {
    let length = array(from)?;
    let part = from.u32().map_err(|e| e.to_string())?;
    if !(1..=MOST_PARTS).contains(&part) {
        return Err(format!("part {part} of a document"));
    }
    match length {
        1 => Ok(DocumentId::Register { part }),
        2 => Ok(DocumentId::Outing { outing: OutingId::from_bytes(fixed(from)?), part }),
        3 => {
            let id = fixed(from)?;
            match from.u8().map_err(|e| e.to_string())? {
                PERSON => Ok(DocumentId::Person { person: PersonId::from_bytes(id), part }),
                _ => Err("no name of a document".to_owned()),
            }
        }
        _ => Err("no name of a document".to_owned()),
    }
}

fn read(from: &mut Decoder<'_>) -> Result<Frame, String> {
    let length = array(from)?;
    let kind = from.u64().map_err(|e| e.to_string())?;
    let plain = |e: minicbor::decode::Error| e.to_string();
    match (kind, length) {
        (0, 5) => {
            let (version, device) = (from.u64().map_err(plain)?, DeviceId::from_bytes(fixed(from)?));
            let clock_ms = from.i64().map_err(plain)?;
            let (buckets, []) = from.bytes().map_err(plain)?.as_chunks::<8>() else {
                return Err("hashes of 8 bytes wanted".to_owned());
            };
            if buckets.len() != BUCKETS {
                return Err(format!("{BUCKETS} hashes wanted"));
            }
            Ok(Frame::Hello { version, device, clock_ms, buckets: buckets.to_vec() })
        }
        (1, 7) => {
            let device = DeviceId::from_bytes(fixed(from)?);
            let (clock_ms, may_write) = (from.i64().map_err(plain)?, from.bool().map_err(plain)?);
            let (differing, more) = (from.u16().map_err(plain)?, from.bool().map_err(plain)?);
            let count = array(from)?;
            let mut documents = Vec::new();
            for _ in 0..count {
                if array(from)? != 3 {
                    return Err("no item of an outline".to_owned());
                }
                let (document, state) = (read_document(from)?, fixed(from)?);
                documents.push(OutlineItem { document, state, last_ms: from.i64().map_err(plain)? });
            }
            Ok(Frame::Outline { device, clock_ms, may_write, differing, documents, more })
        }
        (2, 3) => {
            let document = read_document(from)?;
            Ok(Frame::Document { document, message: from.bytes().map_err(plain)?.to_vec() })
        }
        (3, 3) => Ok(Frame::Piece { last: from.bool().map_err(plain)?, bytes: from.bytes().map_err(plain)?.to_vec() }),
        (4, 3) => {
            let (code, what) = (from.str().map_err(plain)?, from.str().map_err(plain)?);
            // A peer's words are shown to a person: no more than a line of them.
            let what: String = what.chars().filter(|c| !c.is_control()).take(300).collect();
            Ok(Frame::Refuse(match code {
                "E_SYNC_NOT_ALLOWED" => Refusal::NotAllowed { what },
                "E_SYNC_STORE" => Refusal::Store { what },
                "E_SYNC_CLOSING" => Refusal::Closing { what },
                _ => Refusal::Grammar { what },
            }))
        }
        (16, 2) => Ok(Frame::Gone { document: read_document(from)? }),
        (kind, _) if kind >= 16 => Ok(Frame::Unknown(kind)),
        (kind, _) => Err(format!("a frame of kind {kind} with {length} fields")),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn documents() -> impl Strategy<Value = DocumentId> {
        let part = 1..=MOST_PARTS;
        prop_oneof![
            part.clone().prop_map(|part| DocumentId::Register { part }),
            (any::<[u8; 16]>(), part)
                .prop_map(|(id, part)| DocumentId::Outing { outing: OutingId::from_bytes(id), part }),
            (any::<[u8; 16]>(), 1..=MOST_PARTS)
                .prop_map(|(id, part)| DocumentId::Person { person: PersonId::from_bytes(id), part }),
        ]
    }

    fn frames() -> impl Strategy<Value = Frame> {
        let bytes = || prop::collection::vec(any::<u8>(), 0..300);
        let item = (documents(), any::<[u8; 8]>(), any::<i64>()).prop_map(|(document, state, last_ms)| OutlineItem {
            document,
            state,
            last_ms,
        });
        let device = || any::<[u8; 16]>().prop_map(DeviceId::from_bytes);
        prop_oneof![
            (any::<u64>(), device(), any::<i64>(), prop::collection::vec(any::<[u8; 8]>(), BUCKETS))
                .prop_map(|(version, device, clock_ms, buckets)| Frame::Hello { version, device, clock_ms, buckets }),
            (device(), any::<i64>(), any::<(bool, bool, u16)>(), prop::collection::vec(item, 0..20)).prop_map(
                |(device, clock_ms, (may_write, more, differing), documents)| {
                    Frame::Outline { device, clock_ms, may_write, differing, documents, more }
                }
            ),
            (documents(), bytes()).prop_map(|(document, message)| Frame::Document { document, message }),
            (any::<bool>(), bytes()).prop_map(|(last, bytes)| Frame::Piece { last, bytes }),
            "[a-z ]{0,40}".prop_map(|what| Frame::Refuse(Refusal::Store { what })),
            documents().prop_map(|document| Frame::Gone { document }),
            (16_u64..).prop_map(Frame::Unknown),
        ]
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back_and_no_prefix_of_it_is_a_frame(frame in frames()) {
            let bytes = frame.to_bytes();
            prop_assert_eq!(Frame::from_bytes(&bytes), Ok(frame));
            for cut in 0..bytes.len() {
                prop_assert!(Frame::from_bytes(&bytes[..cut]).is_err());
            }
        }

        #[test]
        fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = Frame::from_bytes(&bytes);
        }
    }

    #[test]
    fn a_list_that_claims_more_than_there_is_is_refused_without_room_for_it() {
        // An outline with 2^60 documents, in 30 bytes.
        let mut out = Encoder::new(Vec::new());
        out.array(7).unwrap().u8(1).unwrap().bytes(&[0; 16]).unwrap().i64(0).unwrap().bool(true).unwrap();
        out.u16(0).unwrap().bool(false).unwrap().array(1 << 60).unwrap();
        assert!(matches!(Frame::from_bytes(&out.into_writer()), Err(Refusal::Grammar { .. })));
    }
}
