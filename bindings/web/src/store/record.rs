//! One commit as bytes: a head that says what is done, hashed, then the pieces' own bytes, each with its own hash.
//!
//! ```text
//! magic 4 · length of the head 4 · length of the pieces 8 · hash of all that and of the head 16 · head · pieces
//! ```
//! A flipped bit in a piece is then that piece's damage alone. A record whose end is missing was never acknowledged.

use embertally_core::facts::DocumentId;
use embertally_core::store::{PieceId, PieceKind, State, Summary};

const MAGIC: &[u8; 4] = b"Emb1";
/// The length of what stands before the head.
pub(super) const LEAD: usize = 32;
/// A head is never longer: a commit names at most some thousand documents.
const MOST_HEAD: usize = 64 << 20;

/// One step of a commit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Step {
    /// A piece, whose bytes follow in order.
    Piece { document: DocumentId, kind: PieceKind, id: PieceId, hash: [u8; 32], length: u32, aside: bool },
    /// A document's line in lists.
    Summary { document: DocumentId, summary: Summary },
    /// Pieces that the document's piece in this record replaces, if that is intact.
    Drop { document: DocumentId, pieces: Vec<PieceId> },
    /// A document that is gone, with all its pieces.
    Gone { document: DocumentId },
    /// A small value of this device.
    Keep { key: String, value: Vec<u8> },
    /// The highest piece id given so far.
    Last(u64),
}

/// A record's head, read.
#[derive(Debug)]
pub(super) struct Head {
    pub(super) steps: Vec<Step>,
    /// Where the pieces begin, from the start of the record.
    pub(super) pieces_at: usize,
    /// The length of the whole record.
    pub(super) length: u64,
}

fn lead(head: &[u8], pieces: u64) -> [u8; LEAD] {
    let mut lead = [0; LEAD];
    lead[..4].copy_from_slice(MAGIC);
    lead[4..8].copy_from_slice(&(head.len() as u32).to_le_bytes());
    lead[8..16].copy_from_slice(&pieces.to_le_bytes());
    let mut hasher = blake3::Hasher::new();
    hasher.update(&lead[..16]);
    hasher.update(head);
    lead[16..].copy_from_slice(&hasher.finalize().as_bytes()[..16]);
    lead
}

/// Returns a record's bytes; the pieces in the order of their steps.
pub(super) fn encode(steps: &[Step], pieces: &[&[u8]]) -> Vec<u8> {
    let mut head = Vec::new();
    steps.iter().for_each(|step| put_step(&mut head, step));
    let body: u64 = pieces.iter().map(|p| p.len() as u64).sum();
    let mut bytes = lead(&head, body).to_vec();
    bytes.extend_from_slice(&head);
    pieces.iter().for_each(|piece| bytes.extend_from_slice(piece));
    bytes
}

/// Reads the head of the record that begins at the start of `bytes`; `None` if none does.
pub(super) fn decode(bytes: &[u8]) -> Option<Head> {
    let (found, rest) = bytes.split_first_chunk::<LEAD>()?;
    if !found.starts_with(MAGIC) {
        return None;
    }
    let length = u32::from_le_bytes(found[4..8].try_into().ok()?) as usize;
    let pieces = u64::from_le_bytes(found[8..16].try_into().ok()?);
    let head = rest.get(..length).filter(|_| length <= MOST_HEAD)?;
    if lead(head, pieces) != *found {
        return None;
    }
    let mut reader = Reader(head);
    let mut steps = Vec::new();
    while !reader.0.is_empty() {
        steps.push(reader.step()?);
    }
    let pieces_at = LEAD + length;
    Some(Head { steps, pieces_at, length: (pieces_at as u64).checked_add(pieces)? })
}

/// Finds the next place from which a record can be read, at or after `from`.
pub(super) fn next_record(bytes: &[u8], from: usize) -> Option<usize> {
    let starts = bytes.get(from..)?.windows(MAGIC.len()).enumerate().filter(|(_, w)| w == MAGIC);
    starts.map(|(at, _)| from + at).find(|at| bytes.get(*at..).is_some_and(|rest| decode(rest).is_some()))
}

fn put(to: &mut Vec<u8>, bytes: &[u8]) {
    to.extend((bytes.len() as u32).to_le_bytes());
    to.extend(bytes);
}

fn put_document(to: &mut Vec<u8>, document: &DocumentId) {
    put(to, document.to_string().as_bytes());
}

fn put_step(to: &mut Vec<u8>, step: &Step) {
    match step {
        Step::Piece { document, kind, id, hash, length, aside } => {
            to.push(0);
            put_document(to, document);
            to.push(u8::from(*kind == PieceKind::Snapshot) | u8::from(*aside) << 1);
            to.extend(id.0.to_le_bytes());
            to.extend(hash);
            to.extend(length.to_le_bytes());
        }
        Step::Summary { document, summary } => {
            to.push(1);
            put_document(to, document);
            to.extend(summary.entries.to_le_bytes());
            to.extend(summary.shots.to_le_bytes());
            for time in [summary.first_ms, summary.last_ms] {
                to.push(u8::from(time.is_some()));
                to.extend(time.unwrap_or(0).to_le_bytes());
            }
            put(to, summary.title.as_bytes());
            put(to, summary.state.map(|state| state.to_bytes()).as_ref().map_or(&[], <[u8; 32]>::as_slice));
        }
        Step::Drop { document, pieces } => {
            to.push(2);
            put_document(to, document);
            put(to, &pieces.iter().flat_map(|id| id.0.to_le_bytes()).collect::<Vec<_>>());
        }
        Step::Keep { key, value } => {
            to.push(3);
            put(to, key.as_bytes());
            put(to, value);
        }
        Step::Last(id) => {
            to.push(4);
            to.extend(id.to_le_bytes());
        }
        Step::Gone { document } => {
            to.push(5);
            put_document(to, document);
        }
    }
}

struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (taken, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*taken)
    }

    fn number(&mut self) -> Option<u64> {
        self.array().map(u64::from_le_bytes)
    }

    fn bytes(&mut self) -> Option<&'a [u8]> {
        let length = u32::from_le_bytes(self.array()?) as usize;
        let (taken, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        Some(taken)
    }

    fn text(&mut self) -> Option<&'a str> {
        std::str::from_utf8(self.bytes()?).ok()
    }

    fn document(&mut self) -> Option<DocumentId> {
        self.text()?.parse().ok()
    }

    fn time(&mut self) -> Option<Option<i64>> {
        let [given] = self.array()?;
        let time = i64::from_le_bytes(self.array()?);
        Some((given == 1).then_some(time))
    }

    fn step(&mut self) -> Option<Step> {
        let [what] = self.array()?;
        Some(match what {
            0 => {
                let document = self.document()?;
                let [flags] = self.array()?;
                let kind = if flags & 1 == 1 { PieceKind::Snapshot } else { PieceKind::Chunk };
                let id = PieceId(self.number()?);
                let hash = self.array()?;
                let length = u32::from_le_bytes(self.array()?);
                Step::Piece { document, kind, id, hash, length, aside: flags & 2 == 2 }
            }
            1 => Step::Summary {
                document: self.document()?,
                summary: Summary {
                    entries: self.number()?,
                    shots: self.number()?,
                    first_ms: self.time()?,
                    last_ms: self.time()?,
                    title: self.text()?.to_owned(),
                    state: State::from_bytes(self.bytes()?),
                },
            },
            2 => {
                let document = self.document()?;
                let ids = self.bytes()?.chunks_exact(8).filter_map(|c| c.try_into().ok());
                Step::Drop { document, pieces: ids.map(|c| PieceId(u64::from_le_bytes(c))).collect() }
            }
            3 => Step::Keep { key: self.text()?.to_owned(), value: self.bytes()?.to_vec() },
            4 => Step::Last(self.number()?),
            5 => Step::Gone { document: self.document()? },
            _ => return None,
        })
    }
}

#[cfg(test)]
mod tests {
    use embertally_core::facts::OutingId;

    use super::*;

    #[test]
    fn a_head_reads_back_whole_and_not_at_all_when_cut_or_flipped() {
        let document = DocumentId::Outing { outing: OutingId::named("o"), part: 2 };
        let state = Some(State { digest: [1; 16], pieces: 2, ids: 3 });
        let title = "Quarry ü".to_owned();
        let steps = vec![
            Step::Piece { document, kind: PieceKind::Snapshot, id: PieceId(9), hash: [3; 32], length: 3, aside: true },
            Step::Summary {
                document,
                summary: Summary { entries: 1, shots: 2, first_ms: Some(-3), last_ms: None, title, state },
            },
            Step::Drop { document, pieces: vec![PieceId(1), PieceId(u64::MAX)] },
            Step::Keep { key: "k".to_owned(), value: vec![0; 100] },
            Step::Last(10),
        ];
        let bytes = encode(&steps, &[b"abc"]);
        let head = decode(&bytes).expect("a head");
        assert_eq!((head.steps, head.length), (steps, bytes.len() as u64));
        assert_eq!(&bytes[head.pieces_at..], b"abc");
        for place in 0..head.pieces_at {
            assert!(decode(&bytes[..place]).is_none(), "cut at {place}");
            let mut flipped = bytes.clone();
            flipped[place] ^= 1 << (place % 8);
            assert!(decode(&flipped).is_none(), "flipped at {place}");
        }
        let shifted = [b"Emb1rubbish".as_slice(), &bytes].concat();
        assert_eq!(next_record(&shifted, 0), Some(11));
        assert_eq!(next_record(&shifted, 12), None);
    }
}
