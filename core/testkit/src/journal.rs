//! One record of the simulated disk's journal, as bytes: its number, its writes, and a hash over both.

use std::str;

use embertally_core::facts::DocumentId;
use embertally_core::store::{PieceId, State, Summary, Write};

const HASH: usize = 32;
const HEADER: usize = HASH + 8 + 8;

/// Returns the bytes of a record.
pub(crate) fn encode(number: u64, writes: &[Write]) -> Vec<u8> {
    let mut body = Vec::new();
    for write in writes {
        put_write(&mut body, write);
    }
    let mut counted = number.to_le_bytes().to_vec();
    counted.extend((body.len() as u64).to_le_bytes());
    counted.extend(body);
    [blake3::hash(&counted).as_bytes().as_slice(), &counted].concat()
}

/// Reads the record at the start of `bytes`; `None` if it is not whole.
pub(crate) fn decode(bytes: &[u8]) -> Option<(u64, Vec<Write>)> {
    let (hash, counted) = bytes.split_at_checked(HASH)?;
    let length = usize::try_from(u64::from_le_bytes(counted.get(8..16)?.try_into().ok()?)).ok()?;
    let counted = counted.get(..length.checked_add(HEADER - HASH)?)?;
    if blake3::hash(counted).as_bytes() != hash {
        return None;
    }
    let mut reader = Reader(counted);
    let (number, _length) = (reader.number()?, reader.number()?);
    let mut writes = Vec::new();
    while !reader.0.is_empty() {
        writes.push(reader.write()?);
    }
    Some((number, writes))
}

fn put(to: &mut Vec<u8>, bytes: &[u8]) {
    to.extend((bytes.len() as u64).to_le_bytes());
    to.extend(bytes);
}

fn put_summary(to: &mut Vec<u8>, summary: &Summary) {
    to.extend(summary.entries.to_le_bytes());
    to.extend(summary.shots.to_le_bytes());
    for time in [summary.first_ms, summary.last_ms] {
        to.extend(u64::from(time.is_some()).to_le_bytes());
        to.extend(time.unwrap_or(0).to_le_bytes());
    }
    put(to, summary.title.as_bytes());
    put(to, summary.state.map(|state| state.to_bytes()).as_ref().map_or(&[], <[u8; 32]>::as_slice));
}

fn put_write(to: &mut Vec<u8>, write: &Write) {
    match write {
        Write::Append { document, chunk, summary } => {
            to.push(0);
            put(to, document.to_string().as_bytes());
            put(to, chunk);
            put_summary(to, summary);
        }
        Write::Compact { document, covers, snapshot, summary } => {
            to.push(1);
            put(to, document.to_string().as_bytes());
            put(to, &covers.iter().flat_map(|id| id.0.to_le_bytes()).collect::<Vec<_>>());
            put(to, snapshot);
            put_summary(to, summary);
        }
        Write::Keep { key, value } => {
            to.push(2);
            put(to, key.as_bytes());
            put(to, value);
        }
        Write::Drop { document } => {
            to.push(3);
            put(to, document.to_string().as_bytes());
        }
    }
}

struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    fn take(&mut self, length: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        Some(taken)
    }

    fn number(&mut self) -> Option<u64> {
        Some(u64::from_le_bytes(self.take(8)?.try_into().ok()?))
    }

    fn bytes(&mut self) -> Option<&'a [u8]> {
        let length = usize::try_from(self.number()?).ok()?;
        self.take(length)
    }

    fn text(&mut self) -> Option<&'a str> {
        str::from_utf8(self.bytes()?).ok()
    }

    fn document(&mut self) -> Option<DocumentId> {
        self.text()?.parse().ok()
    }

    fn time(&mut self) -> Option<Option<i64>> {
        let (given, time) = (self.number()?, self.number()?.cast_signed());
        Some((given == 1).then_some(time))
    }

    fn summary(&mut self) -> Option<Summary> {
        Some(Summary {
            entries: self.number()?,
            shots: self.number()?,
            first_ms: self.time()?,
            last_ms: self.time()?,
            title: self.text()?.to_owned(),
            state: State::from_bytes(self.bytes()?),
        })
    }

    fn write(&mut self) -> Option<Write> {
        Some(match self.take(1)? {
            [0] => {
                Write::Append { document: self.document()?, chunk: self.bytes()?.to_vec(), summary: self.summary()? }
            }
            [1] => Write::Compact {
                document: self.document()?,
                covers: Reader(self.bytes()?).ids()?,
                snapshot: self.bytes()?.to_vec(),
                summary: self.summary()?,
            },
            [2] => Write::Keep { key: self.text()?.to_owned(), value: self.bytes()?.to_vec() },
            [3] => Write::Drop { document: self.document()? },
            _ => return None,
        })
    }

    fn ids(&mut self) -> Option<Vec<PieceId>> {
        let mut ids = Vec::new();
        while !self.0.is_empty() {
            ids.push(PieceId(self.number()?));
        }
        Some(ids)
    }
}

#[cfg(test)]
mod tests {
    use embertally_core::facts::{OutingId, PersonId};

    use super::*;

    #[test]
    fn a_record_reads_back_whole_and_not_at_all_when_cut_or_flipped() {
        let state = Some(State { digest: [1; 16], pieces: 2, ids: 3 });
        let title = "Steinbruch ü".to_owned();
        let summary = Summary { entries: 1, shots: 2, first_ms: Some(-3), last_ms: None, title, state };
        let writes = vec![
            Write::Append {
                document: DocumentId::Register { part: 1 },
                chunk: vec![1, 2, 3],
                summary: summary.clone(),
            },
            Write::Compact {
                document: DocumentId::Outing { outing: OutingId::named("o"), part: 2 },
                covers: vec![PieceId(1), PieceId(u64::MAX)],
                snapshot: vec![],
                summary,
            },
            Write::Keep { key: "k".to_owned(), value: vec![0; 100] },
            Write::Drop { document: DocumentId::Person { person: PersonId::named("Ada"), part: 1 } },
        ];
        let bytes = encode(9, &writes);
        assert_eq!(decode(&bytes), Some((9, writes.clone())));
        assert_eq!(decode(&[bytes.as_slice(), &[7; 600]].concat()), Some((9, writes)));
        for length in 0..bytes.len() {
            assert_eq!(decode(&bytes[..length]), None);
            let mut flipped = bytes.clone();
            flipped[length] ^= 1 << (length % 8);
            assert_eq!(decode(&flipped), None);
        }
    }
}
