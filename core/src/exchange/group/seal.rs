//! Entries whose ids follow from their content, so that one file read twice, or on two devices, gives the same entries.

use std::collections::HashMap;

use crate::facts::{DeviceId, Entry, EntryId, Fact, FactId, Moment, VolleyId, WireError};

/// When an entry was written whose file does not say.
pub(in super::super) const UNDATED: Moment = Moment { unix_ms: 0, offset_minutes: 0 };

/// The device of rows that name none.
pub(in super::super) const NO_DEVICE: &str = "import";

/// The id that an entry has until its content is complete.
const UNSEALED: EntryId = EntryId::from_bytes([0; 16]);

/// The volley that an unsealed entry begins with.
pub(super) const OWN_VOLLEY: VolleyId = VolleyId(FactId { entry: UNSEALED, place: 0 });

/// Gives entries their ids.
#[derive(Debug, Default)]
pub(in super::super) struct Seals(HashMap<[u8; 32], u32>);

impl Seals {
    /// Makes an entry of facts that refer to their own volley as [`OWN_VOLLEY`].
    ///
    /// Igniters without a number may give the same facts twice and are two shots all the same: the second time its
    /// count goes into the entry.
    ///
    /// # Errors
    /// [`WireError::TooLarge`].
    pub(in super::super) fn seal(
        &mut self,
        device: DeviceId,
        written: Moment,
        facts: impl IntoIterator<Item = Fact>,
    ) -> Result<Entry, WireError> {
        let mut entry = Entry::new(UNSEALED, device, written);
        for fact in facts {
            entry.state(fact);
        }
        let seen = self.0.entry(*blake3::hash(&entry.to_bytes()?).as_bytes()).or_insert(0);
        entry.nth = *seen;
        *seen += 1;
        entry.name_by_content()?;
        Ok(entry)
    }
}
