//! Stored chunks: changes one after another, each with its own header.

use automerge::Change;

const MAGIC: [u8; 4] = [0x85, 0x6f, 0x4a, 0x83];
const DOCUMENT: u8 = 0;

/// One piece of a chunk.
pub(super) enum Item {
    /// A single change.
    Change(Box<Change>),
    /// A whole document in its saved form.
    Document(Vec<u8>),
}

/// Splits stored bytes into their items.
///
/// # Errors
/// What was wrong, and at which byte; nothing is taken then.
pub(super) fn split(bytes: &[u8]) -> Result<Vec<Item>, String> {
    let mut items = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        let rest = bytes.get(at..).unwrap_or_default();
        let (kind, length) = header(rest).ok_or_else(|| format!("byte {at}: no header of a change"))?;
        let item = rest.get(..length).ok_or_else(|| format!("byte {at}: a change is cut off"))?;
        if kind == DOCUMENT {
            items.push(Item::Document(item.to_vec()));
        } else {
            let change = Change::from_bytes(item.to_vec()).map_err(|e| format!("byte {at}: {e}"))?;
            items.push(Item::Change(Box::new(change)));
        }
        at += length;
    }
    Ok(items)
}

/// Reads a header (magic, 4 bytes of checksum, kind, length in LEB128); gives the kind and the whole item's length.
fn header(bytes: &[u8]) -> Option<(u8, usize)> {
    if bytes.get(..4)? != MAGIC {
        return None;
    }
    let kind = *bytes.get(8)?;
    let mut length: u64 = 0;
    for (i, byte) in bytes.get(9..)?.iter().take(9).enumerate() {
        length |= u64::from(byte & 0x7f) << (7 * i);
        if byte & 0x80 == 0 {
            let head = 9 + i + 1;
            return Some((kind, head.checked_add(usize::try_from(length).ok()?)?));
        }
    }
    None
}
