//! Entries out of changes that the CRDT cannot apply, because a change before them was damaged or has not come yet.
//!
//! Entries do not build on each other, so a missing change need not hide those written after it.

use std::collections::HashSet;

use automerge::legacy::Key;
use automerge::{Change, ScalarValue};

use super::document::StoredEntry;
use crate::facts::EntryId;

/// Returns the entries put by some changes, except those known already; sorted, each once.
pub(super) fn entries_of<'a>(changes: impl Iterator<Item = &'a Change>, known: &HashSet<EntryId>) -> Vec<StoredEntry> {
    let mut found = Vec::new();
    for change in changes {
        for op in change.decode().operations {
            let (Key::Map(key), Some(ScalarValue::Bytes(bytes))) = (&op.key, op.primitive_value()) else { continue };
            // Labels hold no byte strings, so a byte string under an entry's id is an entry.
            if let Ok(id) = key.parse::<EntryId>()
                && !known.contains(&id)
            {
                found.push(StoredEntry { id, bytes, others: Vec::new(), contested: false });
            }
        }
    }
    found.sort_unstable_by(|a, b| (a.id, &a.bytes).cmp(&(b.id, &b.bytes)));
    found.dedup_by_key(|e| e.id);
    found
}
