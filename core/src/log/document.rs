//! One document: entries that are only ever added, and labels.

use std::collections::HashSet;
use std::panic::{AssertUnwindSafe, catch_unwind};

use automerge::legacy::Key;
use automerge::transaction::{CommitOptions, Transactable};
use automerge::{
    ActorId, Automerge, AutomergeError, Change, ChangeHash, ObjId, ROOT, ReadDoc, SaveOptions, ScalarValue, Value,
};

use super::changes::{Item, split};
use super::empty::EMPTY;
use super::rescue;
use crate::crew::EnvelopeError;
use crate::crew::envelope::{entry_in, payload_of};
use crate::facts::{Entry, EntryId};

pub(super) const SCHEMA: &str = "schema";
pub(super) const ENTRIES: &str = "entries";
pub(super) const LABELS: &str = "labels";

/// The ids of the two maps in the empty document: the second and third thing that the actor of zeros did.
const ENTRIES_ID: &str = "2@00000000000000000000000000000000";
const LABELS_ID: &str = "3@00000000000000000000000000000000";

/// About how many bytes of entries go into one change; a single larger entry goes alone.
const CHANGE_BYTES: usize = 192 << 10;

/// What an entry takes in a change beside its own bytes: its key and its rows in the columns.
const ENTRY_OVERHEAD: usize = 48;

/// The newest schema of a document that this program reads and writes.
pub const SCHEMA_VERSION: u64 = 1;

/// An entry as it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredEntry {
    /// Its id.
    pub id: EntryId,
    /// Its bytes, exactly as its device wrote them, signed or not.
    pub bytes: Vec<u8>,
    /// Other bytes that stand under the same id, by what they say.
    pub others: Vec<Vec<u8>>,
    /// Whether they say something else; the first by what they say are the ones given here.
    pub contested: bool,
}

impl StoredEntry {
    /// Reads the entry.
    ///
    /// # Errors
    /// See [`entry_in`].
    pub fn read(&self) -> Result<Entry, EnvelopeError> {
        entry_in(self.id, &self.bytes)
    }

    /// Returns all bytes that stand under this id.
    pub(super) fn all(&self) -> impl Iterator<Item = &[u8]> {
        std::iter::once(self.bytes.as_slice()).chain(self.others.iter().map(Vec::as_slice))
    }
}

/// What stored bytes say, their signature apart.
fn said(stored: &[u8]) -> Vec<u8> {
    payload_of(stored).map_or_else(|_| stored.to_vec(), std::borrow::Cow::into_owned)
}

/// Why bytes could not be made into, or merged into, a document.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Unreadable {
    /// They are not what they should be.
    Malformed(String),
    /// They are of a newer schema.
    TooNew(u64),
}

impl From<AutomergeError> for Unreadable {
    fn from(error: AutomergeError) -> Self {
        Self::Malformed(error.to_string())
    }
}

/// Runs something of the CRDT on bytes from outside; a panic in it becomes an error.
///
/// Measured: a document with a few flipped bits and a checksum made to fit can panic deep inside the CRDT. Whatever was
/// being changed must be dropped after that.
pub(super) fn contained<T>(work: impl FnOnce() -> Result<T, Unreadable>) -> Result<T, Unreadable> {
    catch_unwind(AssertUnwindSafe(work))
        .unwrap_or_else(|_| Err(Unreadable::Malformed("the document's structure is inconsistent".to_owned())))
}

/// Refuses changes that do anything to the entries but add one, or that touch the document's own root.
///
/// No device of a crew ever makes one: entries are only added. Whoever made such a file would otherwise empty a log, and
/// with it the list of what is live, and the emptiness would travel on with the next hand-over.
///
/// Returns the ids of the entries that the changes add.
fn refuse_overwriting(changes: &[Change]) -> Result<Vec<EntryId>, Unreadable> {
    let mut added = Vec::new();
    for change in changes.iter().filter(|c| c.actor_id().to_bytes() != [0; 16]) {
        for op in change.decode().operations {
            let object = op.obj.to_string();
            let adds_bytes = op.pred.is_empty() && matches!(op.primitive_value(), Some(ScalarValue::Bytes(_)));
            if object == "_root" || (object == ENTRIES_ID && !adds_bytes) {
                return Err(Unreadable::Malformed(
                    "a change in it takes away or overwrites what was written, which no device of a crew does"
                        .to_owned(),
                ));
            }
            if object == ENTRIES_ID {
                added.push(entry_key(&op.key)?);
            }
        }
    }
    Ok(added)
}

/// Counts the entries that a change adds.
pub(super) fn entries_in(change: &Change) -> usize {
    refuse_overwriting(std::slice::from_ref(change)).map_or(0, |ids| ids.len())
}

fn entry_key(key: &Key) -> Result<EntryId, Unreadable> {
    match key {
        Key::Map(key) => key.parse().ok(),
        Key::Seq(_) => None,
    }
    .ok_or_else(|| Unreadable::Malformed("an entry in it stands under something that is no entry's id".to_owned()))
}

/// One document of a log, in memory.
#[derive(Debug, Clone)]
pub struct Document {
    doc: Automerge,
    entries: ObjId,
    pub(super) labels: ObjId,
    ids: HashSet<EntryId>,
    /// Entries found in changes that cannot be applied yet, because a change before them is missing.
    stranded: Vec<StoredEntry>,
    /// Changes of a peer that wait for one that it has not sent yet; they are in memory only.
    waiting: Vec<Change>,
}

/// What taking in changes did.
#[derive(Debug, Default)]
pub(super) struct Taken {
    /// Entries that were new here.
    pub(super) added: Vec<EntryId>,
    /// The bytes to store.
    pub(super) chunk: Vec<u8>,
}

impl Document {
    /// Begins an empty document; what is written to it is marked with `actor`, which must be new.
    ///
    /// # Panics
    /// Only if the bytes embedded in this program are not a document.
    #[must_use]
    pub fn empty(actor: [u8; 16]) -> Self {
        #[expect(clippy::expect_used, reason = "the embedded bytes are checked by a test")]
        Self::load(EMPTY, actor).expect("the embedded empty document is readable")
    }

    pub(super) fn load(bytes: &[u8], actor: [u8; 16]) -> Result<Self, Unreadable> {
        let doc = contained(|| Ok(Automerge::load(bytes)?))?;
        Self::adopt(doc, actor)
    }

    fn adopt(mut doc: Automerge, actor: [u8; 16]) -> Result<Self, Unreadable> {
        doc.set_actor(ActorId::from(actor));
        // By their own ids, not by what now stands under their names: a second map of the same name must hide nothing.
        let map = |id: &str| match doc.import(id) {
            Ok((id, automerge::ObjType::Map)) => Ok(id),
            _ => Err(Unreadable::Malformed("it does not begin as documents of this program do".to_owned())),
        };
        let (entries, labels) = (map(ENTRIES_ID)?, map(LABELS_ID)?);
        let schema = doc.get(ROOT, SCHEMA)?.map(|(value, _)| value);
        let number = |v: Value<'_>| v.as_u64().or_else(|| v.as_i64().and_then(|i| u64::try_from(i).ok()));
        match schema.and_then(number) {
            Some(v) if v <= SCHEMA_VERSION => {}
            Some(v) => return Err(Unreadable::TooNew(v)),
            None => return Err(Unreadable::Malformed("it has no schema number".to_owned())),
        }
        let mut document =
            Self { doc, entries, labels, ids: HashSet::new(), stranded: Vec::new(), waiting: Vec::new() };
        document.ids = contained(|| {
            document
                .doc
                .map_range(&document.entries, ..)
                .map(|item| {
                    item.key.parse().map_err(|_| Unreadable::Malformed(format!("{:?} is not an entry's id", item.key)))
                })
                .collect()
        })?;
        Ok(document)
    }

    /// Merges stored pieces (changes or whole saves) into this document; all of them or, on an error, none.
    pub(super) fn merge_pieces(&mut self, pieces: &[&[u8]]) -> Result<(), Unreadable> {
        let merged = contained(|| {
            let mut doc = self.doc.clone();
            let mut changes: Vec<Change> = Vec::new();
            for piece in pieces {
                for item in split(piece).map_err(Unreadable::Malformed)? {
                    match item {
                        Item::Change(change) => changes.push(*change),
                        Item::Document(bytes) => {
                            let mut other = Automerge::load(&bytes)?;
                            doc.merge(&mut other)?;
                        }
                    }
                }
            }
            // Kept to look for entries in those that wait for a change that is missing.
            doc.apply_changes(changes.clone())?;
            let mut merged = Self::adopt(doc, self.actor())?;
            let waiting = changes.iter().filter(|c| merged.doc.get_change_meta_by_hash(&c.hash()).is_none());
            let mut stranded = rescue::entries_of(waiting, &merged.ids);
            for before in self.stranded.iter().filter(|e| !merged.ids.contains(&e.id)) {
                if stranded.iter().all(|e| e.id != before.id) {
                    stranded.push(before.clone());
                }
            }
            merged.stranded = stranded;
            Ok(merged)
        })?;
        *self = merged;
        Ok(())
    }

    /// Merges another copy of this document into this one; returns the ids of the entries that were new here.
    pub(super) fn merge(&mut self, other: &mut Self) -> Result<(Vec<EntryId>, Vec<u8>), Unreadable> {
        let (doc, chunk) = contained(|| {
            let mut doc = self.doc.clone();
            let changes = doc.get_changes_added(&other.doc);
            refuse_overwriting(&changes)?;
            let chunk = changes.iter().flat_map(|c| c.raw_bytes().to_vec()).collect();
            doc.apply_changes(changes)?;
            Ok((doc, chunk))
        })?;
        let mut merged = Self::adopt(doc, self.actor())?;
        merged.stranded = self.stranded.iter().filter(|e| !merged.ids.contains(&e.id)).cloned().collect();
        let mut new: Vec<EntryId> = merged.ids.difference(&self.ids).copied().collect();
        new.sort_unstable();
        *self = merged;
        Ok((new, chunk))
    }

    /// Takes changes in, in place: quick however large the document is.
    ///
    /// Changes that build on one which is not here wait for it in memory; `most_waiting` of them at most.
    ///
    /// # Errors
    /// [`Unreadable`]; this document must be dropped then, and read again from the store.
    pub(super) fn take_in(&mut self, changes: Vec<Change>, most_waiting: usize) -> Result<Taken, Unreadable> {
        contained(|| {
            let before = self.waiting.len();
            let mut fresh: Vec<Change> = changes.into_iter().filter(|c| !self.has(c)).collect();
            let known: HashSet<ChangeHash> = self.waiting.iter().map(Change::hash).collect();
            fresh.retain(|c| !known.contains(&c.hash()));
            let mut added = refuse_overwriting(&fresh)?;
            self.doc.apply_changes(fresh.clone())?;
            let mut arrived = std::mem::take(&mut self.waiting);
            arrived.extend(fresh);
            let applied: Vec<Change> = arrived.extract_if(.., |c| self.has(c)).collect();
            self.waiting = arrived;
            if self.waiting.len() > most_waiting {
                return Err(Unreadable::Malformed(
                    "too many changes in it build on others that were never sent".into(),
                ));
            }
            if before > 0 || !self.waiting.is_empty() {
                added = refuse_overwriting(&applied)?;
            }
            added.retain(|id| self.ids.insert(*id));
            added.sort_unstable();
            self.stranded.retain(|e| !self.ids.contains(&e.id));
            Ok(Taken { added, chunk: applied.iter().flat_map(|c| c.raw_bytes().to_vec()).collect() })
        })
    }

    fn has(&self, change: &Change) -> bool {
        self.doc.get_change_meta_by_hash(&change.hash()).is_some()
    }

    /// Returns the changes in some bytes: single ones, or those of a saved document that are not here.
    pub(super) fn changes_in(&self, bytes: &[u8]) -> Result<Vec<Change>, Unreadable> {
        contained(|| {
            let mut changes = Vec::new();
            for item in split(bytes).map_err(Unreadable::Malformed)? {
                match item {
                    Item::Change(change) => changes.push(*change),
                    Item::Document(bytes) => changes.extend(self.doc.get_changes_added(&Automerge::load(&bytes)?)),
                }
            }
            Ok(changes)
        })
    }

    /// Returns a hash of the heads: equal hashes mean equal documents.
    #[must_use]
    pub fn digest(&self) -> [u8; 16] {
        let mut hasher = blake3::Hasher::new();
        for head in self.heads() {
            hasher.update(&head);
        }
        let mut digest = [0; 16];
        hasher.finalize_xof().fill(&mut digest);
        digest
    }

    fn actor(&self) -> [u8; 16] {
        let mut actor = [0; 16];
        for (to, from) in actor.iter_mut().zip(self.doc.get_actor().to_bytes()) {
            *to = *from;
        }
        actor
    }

    /// Tells whether an entry is here.
    #[must_use]
    pub fn holds(&self, id: EntryId) -> bool {
        self.ids.contains(&id)
    }

    /// Returns how many entries are here.
    #[must_use]
    pub fn len(&self) -> usize {
        self.ids.len()
    }

    /// Tells whether no entry is here.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.ids.is_empty()
    }

    /// Adds entries and returns the bytes to store; those already here are left as they are.
    ///
    /// Many become several changes, none of them larger than a message between two devices may be.
    pub(super) fn put(&mut self, entries: &[(EntryId, Vec<u8>)]) -> Result<Vec<u8>, AutomergeError> {
        let map = self.entries.clone();
        let mut new =
            entries.iter().filter(|(id, _)| !self.ids.contains(id)).collect::<Vec<_>>().into_iter().peekable();
        let mut chunk = Vec::new();
        while new.peek().is_some() {
            let mut room = CHANGE_BYTES;
            let mut group = Vec::new();
            while let Some(entry) = new.next_if(|(_, bytes)| group.is_empty() || bytes.len() <= room) {
                room = room.saturating_sub(entry.1.len() + ENTRY_OVERHEAD);
                group.push(entry);
            }
            chunk.extend(self.change(|tx| {
                for (id, bytes) in &group {
                    tx.put(&map, id.to_string(), ScalarValue::Bytes(bytes.clone()))?;
                }
                Ok(())
            })?);
            self.ids.extend(group.iter().map(|(id, _)| *id));
        }
        Ok(chunk)
    }

    /// Makes one commit and returns the bytes of its change; empty if nothing changed.
    pub(super) fn change(
        &mut self,
        work: impl FnOnce(&mut automerge::transaction::Transaction<'_>) -> Result<(), AutomergeError>,
    ) -> Result<Vec<u8>, AutomergeError> {
        // No time in the change: a device's clock decides nothing, and the entry has it.
        let done = self
            .doc
            .transact_with(|()| CommitOptions::default().with_time(0), work)
            .map_err(|failure| failure.error)?;
        Ok(match done.hash {
            Some(hash) => {
                self.doc.get_change_by_hash(&hash).map(|change| change.raw_bytes().to_vec()).unwrap_or_default()
            }
            None => Vec::new(),
        })
    }

    pub(super) fn crdt(&self) -> &Automerge {
        &self.doc
    }

    pub(super) fn crdt_mut(&mut self) -> &mut Automerge {
        &mut self.doc
    }

    /// Returns all entries, oldest id first, those stranded behind a missing change included.
    #[must_use]
    pub fn entries(&self) -> Vec<StoredEntry> {
        let stored = self.doc.map_range(&self.entries, ..).filter_map(|item| {
            let id: EntryId = item.key.parse().ok()?;
            if item.conflict {
                return self.contested(id, &item.key);
            }
            let value = item.value.into_value();
            Some(StoredEntry { id, bytes: value.as_bytes()?.to_vec(), others: Vec::new(), contested: false })
        });
        let mut all: Vec<_> = stored.chain(self.stranded.iter().cloned()).collect();
        all.sort_unstable_by_key(|e| e.id);
        all
    }

    /// Several devices put something under one id. If it is the same (a file imported twice), nothing is contested.
    fn contested(&self, id: EntryId, key: &str) -> Option<StoredEntry> {
        let mut values: Vec<Vec<u8>> = self
            .doc
            .get_all(&self.entries, key)
            .ok()?
            .into_iter()
            .filter_map(|(value, _)| value.as_bytes().map(<[u8]>::to_vec))
            .collect();
        // By what is said first: one file that two devices brought in has two signatures and says one thing.
        values.sort_by_cached_key(|stored| (said(stored), stored.clone()));
        values.dedup();
        let contested = values.iter().any(|v| values.first().is_some_and(|first| said(first) != said(v)));
        let mut values = values.into_iter();
        Some(StoredEntry { id, bytes: values.next()?, others: values.collect(), contested })
    }

    /// Returns an entry's bytes; of a contested one, any.
    pub(super) fn entry(&self, id: EntryId) -> Option<Vec<u8>> {
        let (value, _) = self.doc.get(&self.entries, id.to_string()).ok()??;
        value.as_bytes().map(<[u8]>::to_vec)
    }

    /// Returns the entries that wait behind a missing change.
    pub(super) fn stranded(&self) -> &[StoredEntry] {
        &self.stranded
    }

    pub(super) fn clear_stranded(&mut self) {
        self.stranded.clear();
    }

    /// Returns the heads: the changes that no other builds on. Equal heads mean equal documents.
    #[must_use]
    pub fn heads(&self) -> Vec<[u8; 32]> {
        let mut heads: Vec<[u8; 32]> = self.doc.get_heads().iter().map(|h| h.0).collect();
        heads.sort_unstable();
        heads
    }

    /// Returns the changes made since some heads, as bytes that [`Log`](super::Log) can take in elsewhere.
    #[must_use]
    pub fn changes_since(&self, heads: &[[u8; 32]]) -> Vec<u8> {
        let heads: Vec<ChangeHash> = heads.iter().map(|h| ChangeHash(*h)).collect();
        self.doc.get_changes(&heads).iter().flat_map(|c| c.raw_bytes().to_vec()).collect()
    }

    /// Returns the entries that came since some heads; `None` if those heads are not of this document.
    pub(super) fn added_since(&self, heads: &[[u8; 32]]) -> Option<HashSet<EntryId>> {
        let heads: Vec<ChangeHash> = heads.iter().map(|h| ChangeHash(*h)).collect();
        if heads.is_empty() || heads.iter().any(|head| self.doc.get_change_meta_by_hash(head).is_none()) {
            return None;
        }
        let changes = self.doc.get_changes(&heads);
        Some(rescue::entries_of(changes.iter(), &HashSet::new()).into_iter().map(|e| e.id).collect())
    }

    /// Returns the whole document, compressed.
    #[must_use]
    pub fn save(&self) -> Vec<u8> {
        // What waits for a change that is not here is no part of it.
        self.doc.save_with_options(SaveOptions { retain_orphans: false, ..SaveOptions::default() })
    }
}
