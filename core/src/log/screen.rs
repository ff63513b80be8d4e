//! Looks through the CRDT's bytes from elsewhere before the CRDT does: nothing in them may inflate, or unroll, to more
//! than a stated size.
//!
//! The CRDT's reader inflates without a limit, and its columns are run-length encoded, so that a hundred bytes can stand
//! for a billion rows. Everything here walks over the bytes as they are and allocates nothing but what it inflates, up
//! to the allowance. The format is the open one of the CRDT: <https://automerge.org/automerge-binary-format-spec/>.
//!
//! Not for: deciding whether a change makes sense (`super::document` does, after this).

use std::io::Read;

use flate2::read::DeflateDecoder;

const MAGIC: [u8; 4] = [0x85, 0x6f, 0x4a, 0x83];
/// The longest actor id taken; ours have 16 bytes, and the format sets no limit.
const LONGEST_ACTOR: usize = 64;

/// What some bytes may come to. Each check takes from it what it has seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Allowance {
    /// Bytes after inflating.
    pub inflated_bytes: usize,
    /// Rows of columns, over all chunks; each operation of a change is one, and each change of a saved document.
    pub rows: usize,
    /// Chunks: changes and saved documents.
    pub chunks: usize,
}

/// Checks a sequence of chunks (changes, saved documents), and takes what they come to from the allowance.
///
/// # Errors
/// What was wrong and at which byte, or which allowance was used up.
pub fn screen(bytes: &[u8], allowance: &mut Allowance) -> Result<(), String> {
    let mut rest = Bytes { bytes, at: 0 };
    while !rest.is_empty() {
        let begin = rest.at;
        let in_chunk = |e: String| format!("byte {begin}: {e}");
        allowance.chunks = allowance.chunks.checked_sub(1).ok_or("too many changes at once")?;
        let (kind, data) = chunk(&mut rest).map_err(in_chunk)?;
        match kind {
            0 => document(data, allowance),
            1 => change(data, allowance),
            2 => inflate(data, allowance).and_then(|inflated| change(&inflated, allowance)),
            other => Err(format!("a chunk of unknown kind {other}")),
        }
        .map_err(in_chunk)?;
    }
    Ok(())
}

/// Reads one chunk: its kind and its data.
fn chunk<'a>(from: &mut Bytes<'a>) -> Result<(u8, &'a [u8]), String> {
    if from.take(4)? != MAGIC {
        return Err("no header of a change".to_owned());
    }
    from.take(4)?; // a checksum, which the CRDT checks
    let kind = from.byte()?;
    let length = from.length()?;
    Ok((kind, from.take(length)?))
}

fn change(data: &[u8], allowance: &mut Allowance) -> Result<(), String> {
    let mut from = Bytes { bytes: data, at: 0 };
    from.hashes()?;
    from.actor()?;
    from.unsigned()?; // sequence number
    from.unsigned()?; // first operation
    from.signed()?; // time
    let message = from.length()?;
    from.take(message)?;
    from.actors()?;
    let columns = from.columns()?;
    columns.into_iter().try_for_each(|(spec, length)| {
        let data = from.take(length)?;
        if spec & DEFLATED != 0 {
            return Err("a deflated column in a change".to_owned());
        }
        column(spec, data, allowance)
    })
}

fn document(data: &[u8], allowance: &mut Allowance) -> Result<(), String> {
    let mut from = Bytes { bytes: data, at: 0 };
    from.actors()?;
    from.hashes()?;
    let (changes, operations) = (from.columns()?, from.columns()?);
    changes.into_iter().chain(operations).try_for_each(|(spec, length)| {
        let data = from.take(length)?;
        if spec & DEFLATED == 0 {
            return column(spec, data, allowance);
        }
        let inflated = inflate(data, allowance)?;
        column(spec, &inflated, allowance)
    })
}

/// The bit of a column's specification that says its data are deflated.
const DEFLATED: u64 = 0b1000;

fn inflate(data: &[u8], allowance: &mut Allowance) -> Result<Vec<u8>, String> {
    let mut inflated = Vec::new();
    let most = allowance.inflated_bytes as u64;
    DeflateDecoder::new(data)
        .take(most + 1)
        .read_to_end(&mut inflated)
        .map_err(|_| "deflated bytes that cannot be inflated".to_owned())?;
    allowance.inflated_bytes = allowance
        .inflated_bytes
        .checked_sub(inflated.len())
        .ok_or_else(|| format!("it inflates to more than the {most} bytes allowed"))?;
    Ok(inflated)
}

/// Counts a column's rows without unrolling them.
fn column(spec: u64, data: &[u8], allowance: &mut Allowance) -> Result<(), String> {
    let mut from = Bytes { bytes: data, at: 0 };
    let mut rows = 0_u64;
    let mut add = |n: u64| {
        rows = rows.saturating_add(n);
        if rows > allowance.rows as u64 { Err("more rows than are allowed".to_owned()) } else { Ok(()) }
    };
    match spec & 0b111 {
        // Booleans are counts of alternating runs.
        4 => {
            while !from.is_empty() {
                let run = from.unsigned()?;
                add(run)?;
            }
        }
        // Raw values have no rows of their own.
        7 => return Ok(()),
        kind => {
            while !from.is_empty() {
                let run = from.signed()?;
                if run == 0 {
                    let nulls = from.unsigned()?;
                    add(nulls)?;
                    continue;
                }
                add(run.unsigned_abs())?;
                let values = if run > 0 { 1 } else { run.unsigned_abs() };
                for _ in 0..values {
                    let value = from.value(kind)?;
                    // A group's value says how many rows of the grouped columns belong to one row.
                    if kind == 0 {
                        let times = if run > 0 { run.unsigned_abs() } else { 1 };
                        add(value.saturating_mul(times))?;
                    }
                }
            }
        }
    }
    allowance.rows = allowance.rows.saturating_sub(usize::try_from(rows).unwrap_or(usize::MAX));
    Ok(())
}

/// Bytes read from the front.
struct Bytes<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Bytes<'a> {
    fn is_empty(&self) -> bool {
        self.at >= self.bytes.len()
    }

    fn take(&mut self, length: usize) -> Result<&'a [u8], String> {
        let taken = self.at.checked_add(length).and_then(|end| self.bytes.get(self.at..end));
        let taken = taken.ok_or_else(|| format!("cut off: {length} bytes wanted"))?;
        self.at += length;
        Ok(taken)
    }

    fn byte(&mut self) -> Result<u8, String> {
        self.take(1).map(|taken| taken.first().copied().unwrap_or_default())
    }

    /// Reads an unsigned number in LEB128.
    fn unsigned(&mut self) -> Result<u64, String> {
        let mut value = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            let bits = u64::from(byte & 0x7f);
            if shift == 63 && bits > 1 {
                break;
            }
            value |= bits << shift;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err("a number of more than 64 bits".to_owned())
    }

    /// Reads a signed number in LEB128.
    fn signed(&mut self) -> Result<i64, String> {
        let mut value = 0_i64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= i64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                let unused = 64_u32.saturating_sub(shift + 7);
                return Ok(if byte & 0x40 != 0 && unused > 0 { (value << unused) >> unused } else { value });
            }
        }
        Err("a number of more than 64 bits".to_owned())
    }

    fn length(&mut self) -> Result<usize, String> {
        usize::try_from(self.unsigned()?).map_err(|_| "a length beyond all memory".to_owned())
    }

    /// Reads a list's length, which cannot be more than the bytes that are left have room for.
    fn count(&mut self, item_bytes: usize) -> Result<usize, String> {
        let count = self.length()?;
        let room = self.bytes.len().saturating_sub(self.at) / item_bytes;
        if count > room { Err(format!("cut off: {count} items wanted")) } else { Ok(count) }
    }

    fn hashes(&mut self) -> Result<(), String> {
        let count = self.count(32)?;
        self.take(count * 32).map(drop)
    }

    fn actor(&mut self) -> Result<(), String> {
        let length = self.length()?;
        if length > LONGEST_ACTOR {
            return Err(format!("an actor's id of {length} bytes"));
        }
        self.take(length).map(drop)
    }

    fn actors(&mut self) -> Result<(), String> {
        let count = self.count(1)?;
        (0..count).try_for_each(|_| self.actor())
    }

    /// Reads what columns there are: each one's specification and length.
    fn columns(&mut self) -> Result<Vec<(u64, usize)>, String> {
        let count = self.count(2)?;
        if count > 64 {
            return Err(format!("{count} columns"));
        }
        (0..count).map(|_| Ok((self.unsigned()?, self.length()?))).collect()
    }

    /// Reads one value of a column, and gives it where it is an unsigned number.
    fn value(&mut self, kind: u64) -> Result<u64, String> {
        match kind {
            3 => self.signed().map(|_| 0),
            5 => {
                let length = self.length()?;
                self.take(length).map(|_| 0)
            }
            _ => self.unsigned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use automerge::transaction::Transactable;
    use automerge::{AutoCommit, ObjType, ROOT, ReadDoc};
    use flate2::Compression;
    use flate2::write::DeflateEncoder;
    use proptest::prelude::*;

    use super::*;

    const ROOMY: Allowance = Allowance { inflated_bytes: 64 << 20, rows: 1_000_000, chunks: 10_000 };

    fn leb(mut n: u64) -> Vec<u8> {
        let mut out = Vec::new();
        loop {
            let byte = (n & 0x7f) as u8;
            n >>= 7;
            if n == 0 {
                out.push(byte);
                return out;
            }
            out.push(byte | 0x80);
        }
    }

    fn chunk_of(kind: u8, data: &[u8]) -> Vec<u8> {
        [MAGIC.as_slice(), &[0; 4], &[kind], &leb(data.len() as u64), data].concat()
    }

    /// A change with one column.
    fn change_with(spec: u64, column: &[u8]) -> Vec<u8> {
        let mut data = vec![0, 1, 7, 1, 1, 0, 0, 0, 1];
        data.extend(leb(spec));
        data.extend(leb(column.len() as u64));
        data.extend(column);
        data
    }

    fn busy_document(edits: usize) -> AutoCommit {
        let mut doc = AutoCommit::new();
        let text = doc.put_object(ROOT, "text", ObjType::Text).unwrap();
        for n in 0..edits {
            doc.put(ROOT, format!("k{}", n % 50), vec![n as u8; n % 700]).unwrap();
            doc.splice_text(&text, n / 2, 0, "abc").unwrap();
            if n % 9 == 0 {
                doc.delete(ROOT, format!("k{}", n % 50)).unwrap();
            }
            doc.commit();
        }
        doc
    }

    #[test]
    fn what_the_crdt_writes_passes_whether_saved_whole_or_as_changes() {
        let mut doc = busy_document(300);
        let mut allowance = ROOMY;
        screen(&doc.save(), &mut allowance).unwrap();
        assert!(allowance.rows < ROOMY.rows && allowance.inflated_bytes < ROOMY.inflated_bytes, "{allowance:?}");
        let changes: Vec<u8> = doc.get_changes(&[]).iter().flat_map(|c| c.raw_bytes().to_vec()).collect();
        let mut allowance = ROOMY;
        screen(&changes, &mut allowance).unwrap();
        assert_eq!(ROOMY.chunks - allowance.chunks, 300);
        // 3 letters and a value each time, the text itself, and a deletion in every ninth.
        assert!(ROOMY.rows - allowance.rows > 300 * 4, "{allowance:?}");
        let mut tight = Allowance { rows: 1_000, ..ROOMY };
        assert!(screen(&changes, &mut tight).unwrap_err().contains("rows"));
        let mut few = Allowance { chunks: 299, ..ROOMY };
        assert!(screen(&changes, &mut few).unwrap_err().contains("too many changes"));
        assert!(doc.keys(ROOT).count() > 10);
    }

    #[test]
    fn a_small_chunk_that_inflates_hugely_is_refused_at_the_allowance() {
        let mut deflate = DeflateEncoder::new(Vec::new(), Compression::best());
        deflate.write_all(&vec![0; 200 << 20]).unwrap();
        let bomb = deflate.finish().unwrap();
        assert!(bomb.len() < 1 << 20);
        let mut allowance = ROOMY;
        let error = screen(&chunk_of(2, &bomb), &mut allowance).unwrap_err();
        assert!(error.contains("inflates to more than"), "{error}");
        // The same inside a column of a saved document.
        let mut data = vec![0, 0, 1];
        data.extend(leb((1 << 4) | 8 | 2));
        data.extend(leb(bomb.len() as u64));
        data.push(0);
        data.extend(&bomb);
        let error = screen(&chunk_of(0, &data), &mut allowance).unwrap_err();
        assert!(error.contains("inflates to more than"), "{error}");
    }

    #[test]
    fn a_few_bytes_that_unroll_to_a_billion_rows_are_refused() {
        let run = |n: i64| {
            let mut out = Vec::new();
            let mut n = n;
            loop {
                let byte = (n & 0x7f) as u8;
                n >>= 7;
                if (n == 0 && byte & 0x40 == 0) || (n == -1 && byte & 0x40 != 0) {
                    out.push(byte);
                    return out;
                }
                out.push(byte | 0x80);
            }
        };
        let cases: [(u64, Vec<u8>); 5] = [
            ((4 << 4) | 2, [run(1 << 40), vec![1]].concat()), // a run of one number
            ((4 << 4) | 3, [run(0), leb(1 << 60)].concat()),  // nulls
            ((3 << 4) | 4, leb(u64::MAX)),                    // booleans
            (7 << 4, [run(1), leb(1 << 50)].concat()),        // one row that owns a billion others
            ((1 << 4) | 5, [run(i64::MAX), vec![1, b'a']].concat()), // a run of one text
        ];
        for (spec, column) in cases {
            let change = chunk_of(1, &change_with(spec, &column));
            assert!(change.len() < 60);
            let error = screen(&change, &mut ROOMY.clone()).unwrap_err();
            assert!(error.contains("rows"), "{spec}: {error}");
        }
        let honest = chunk_of(1, &change_with((4 << 4) | 2, &[run(3), vec![1]].concat()));
        assert_eq!(screen(&honest, &mut ROOMY.clone()), Ok(()));
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic_or_read_beyond(bytes in prop::collection::vec(any::<u8>(), 0..400), kind in 0_u8..4) {
            let _ = screen(&bytes, &mut ROOMY.clone());
            let _ = screen(&chunk_of(kind, &bytes), &mut ROOMY.clone());
        }

        #[test]
        fn a_flipped_bit_in_real_bytes_is_never_a_panic(bit in 0_usize..4_000) {
            let mut bytes = busy_document(12).save();
            let at = bit / 8 % bytes.len();
            bytes[at] ^= 1 << (bit % 8);
            let _ = screen(&bytes, &mut ROOMY.clone());
        }
    }
}
