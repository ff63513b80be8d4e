//! Entries that may be asked for twice: a page whose worker died asks again, and what was kept is not written again.

use embertally_core::facts::{DeviceId, Entry, EntryId, Moment, RandomBits};
use embertally_core::log::Home;
use embertally_core::store::Store;
use serde::Deserialize;

use super::{App, Now, note_safe};
use crate::error::Refused;

/// What makes one request itself, however often it is asked: when it was made, and random letters.
#[derive(Debug, Clone, Deserialize)]
pub(super) struct Key {
    /// At least 16 random characters, made once by the page.
    key: String,
    /// When the page made it, in milliseconds since 1970.
    at_ms: i64,
    /// Minutes east of UTC there.
    offset_minutes: i16,
}

/// The random bits that follow from a key.
struct Bits {
    key: String,
    drawn: u64,
}

impl RandomBits for Bits {
    fn next_u64(&mut self) -> u64 {
        self.drawn += 1;
        let hash = blake3::hash(format!("{}/{}", self.key, self.drawn).as_bytes());
        hash.as_bytes().first_chunk().copied().map_or(0, u64::from_le_bytes)
    }
}

/// Makes the entries of one request.
pub(super) struct Pen {
    bits: Bits,
    device: DeviceId,
    pub(super) at: Moment,
}

impl Pen {
    pub(super) fn entry(&mut self) -> Entry {
        Entry::new(EntryId::new(self.at.unix_ms, &mut self.bits), self.device, self.at)
    }
}

impl<S: Store> App<S> {
    pub(super) fn pen(&self, key: &Key, now: Now) -> Result<Pen, Refused> {
        if key.key.len() < 16 || key.offset_minutes.abs() >= 1440 {
            return Err(Refused::new("E_INTERNAL", "A request without a key of its own; nothing was written."));
        }
        // A request cannot be younger than now; a clock that was set back meanwhile must not date it into the future.
        let unix_ms = key.at_ms.min(now.0.unix_ms);
        let at = Moment { unix_ms, offset_minutes: key.offset_minutes };
        Ok(Pen { bits: Bits { key: format!("{}/{}", key.key, key.at_ms), drawn: 0 }, device: self.device, at })
    }

    /// Writes entries durably, all or none, and takes them into account. Those that are here already stay as they are.
    ///
    /// Each is named by what it says, so the same request asked twice is the same entry. Returns their ids.
    pub(super) fn write(&mut self, entries: &[(Home, Entry)], now: Now) -> Result<Vec<EntryId>, Refused> {
        let mut entries = entries.to_vec();
        for (_, entry) in &mut entries {
            entry.name_by_content().map_err(|e| Refused::new("E_LOG_ENTRY", format!("{e}.")))?;
        }
        self.log.write_all(&entries)?;
        for (home, entry) in &entries {
            note_safe(&mut self.safe, *home, entry);
            self.ledger.add(entry);
        }
        self.ledger.settle();
        self.revision += 1;
        // It is kept; that the conversation could not go on is the conversation's matter.
        self.tell_written(&entries.iter().map(|(home, _)| *home).collect::<Vec<_>>(), now);
        Ok(entries.iter().map(|(_, entry)| entry.id).collect())
    }
}
