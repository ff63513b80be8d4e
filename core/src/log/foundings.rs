//! Which crews were founded in this log, for a server that is to learn whose log it keeps.

use std::collections::BTreeSet;

use super::document::StoredEntry;
use super::error::LogError;
use super::home::Home;
use super::open::Log;
use crate::crew::envelope::entry_in;
use crate::crew::{Envelope, Place, PublicKey};
use crate::facts::{CrewId, EntryId, Fact};
use crate::store::Store;

impl<S: Store> Log<S> {
    /// Returns the crews whose founding stands in the register, signed by the key from which the crew's id follows.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn foundings(&mut self) -> Result<BTreeSet<CrewId>, LogError> {
        let mut stored: Vec<StoredEntry> = Vec::new();
        for document in self.parts(Home::Register)? {
            stored.extend(self.document(document)?.document.entries());
            self.evict();
        }
        let all = stored.iter().flat_map(|entry| entry.all().map(|bytes| (entry.id, bytes)));
        Ok(all.filter_map(|(id, bytes)| founding(id, bytes)).collect())
    }
}

fn founding(id: EntryId, bytes: &[u8]) -> Option<CrewId> {
    let envelope = Envelope::read(bytes).ok()?;
    let entry = entry_in(id, bytes).ok()?;
    let key = entry.facts.iter().find_map(|s| if let Fact::Founding(f) = &s.fact { Some(f.key) } else { None })?;
    let signed = PublicKey::from_bytes(&key).is_ok_and(|k| envelope.is_signed_by(&k, Place { home: None, entry: id }));
    let own = entry.device.belongs_to(&key) && envelope.signer().is_none();
    (own && signed).then(|| CrewId::founded_by(&key))
}
