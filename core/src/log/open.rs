//! An open log: the documents of one crew over a store.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use super::document::{Document, StoredEntry, Unreadable};
use super::error::LogError;
use super::forget::forgotten_by;
use super::home::Home;
use super::labels::Label;
use super::trust::{Signer, Trust};
use crate::crew::envelope::entry_in;
use crate::facts::{DocumentId, Entry, EntryId, Fact, PersonId, RandomBits, RegisterId};
use crate::store::{DamagedPiece, Listed, PieceId, PieceKind, State, Store, Summary, Write};

/// After how many entries a document is closed and the next part begun: memory is a hundred times the saved size, so
/// many small documents.
pub const ENTRIES_PER_PART: usize = 5_000;

/// How many chunks may wait before a document is compacted: single changes take seven to ten times the room.
pub(super) const CHUNKS_BEFORE_COMPACTION: usize = 256;

/// From how many entries at once a document is written as a snapshot instead of a chunk.
pub(super) const ENTRIES_FOR_SNAPSHOT: usize = 64;

/// How many documents stay in memory; the one used longest ago goes first.
const DOCUMENTS_IN_MEMORY: usize = 4;

/// Something that could not be read. The rest of the log is open, and nothing was deleted.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Problem {
    /// A stored piece does not match its hash; it was set aside.
    DamagedPiece(DamagedPiece),
    /// A stored piece matches its hash, and yet is no part of a document.
    UnreadablePiece {
        /// The document.
        document: DocumentId,
        /// The piece.
        piece: PieceId,
        /// What was found.
        what: String,
    },
    /// Entries that stood behind a damaged change were written anew.
    Mended {
        /// The document.
        document: DocumentId,
        /// How many.
        entries: usize,
    },
    /// An entry's bytes are no entry. They are kept and passed on, and not counted.
    UnreadableEntry {
        /// The document.
        document: DocumentId,
        /// The entry.
        entry: EntryId,
        /// What was found.
        what: String,
    },
    /// Two different entries stand under one id. One of them is counted; both are kept.
    ContestedEntry {
        /// The document.
        document: DocumentId,
        /// The entry.
        entry: EntryId,
    },
}

/// What a write did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Written {
    /// Entries that are now kept durably on this device.
    pub added: usize,
    /// Entries that were here already.
    pub already: usize,
}

/// What taking in another log's documents did.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Absorbed {
    /// Documents in what was taken in.
    pub documents: usize,
    /// Entries that were new here.
    pub added: Vec<EntryId>,
    /// Entries that were here already.
    pub already: usize,
    /// Documents with the names of people that are forgotten here: they were left out.
    pub forgotten: usize,
}

/// A document in memory, and the stored pieces that it holds.
#[derive(Debug)]
pub(super) struct Open {
    pub(super) document: Document,
    pub(super) pieces: Vec<(PieceId, PieceKind)>,
    /// Worked out when something is written; reading alone does not need it.
    pub(super) summary: Option<Summary>,
    used: u64,
}

/// The log of a crew on one device.
pub struct Log<S> {
    pub(super) store: S,
    random: Box<dyn RandomBits + Send>,
    pub(super) open: HashMap<DocumentId, Open>,
    problems: Vec<Problem>,
    uses: u64,
    /// The newest piece that [`Log::refresh`] has looked at.
    pub(super) seen: Option<PieceId>,
    /// Pieces written by this log since then.
    pub(super) own: HashSet<PieceId>,
    /// States worked out by reading documents, by the pieces they were worked out from.
    pub(super) states: HashMap<DocumentId, (u64, u64, [u8; 16])>,
    /// Signs what is written.
    pub(super) signer: Signer,
    pub(super) trust: Trust,
    /// The part that each home is at. Another process may have begun the next; writing into this one does no harm.
    at_part: HashMap<Home, u32>,
}

impl<S: std::fmt::Debug> std::fmt::Debug for Log<S> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Log").field("store", &self.store).field("open", &self.open.len()).finish_non_exhaustive()
    }
}

impl<S: Store> Log<S> {
    /// Opens the log in a store. Documents are read when they are needed.
    ///
    /// `random` gives the bits of new actor ids: each time a document is opened for writing it gets a new one, so that
    /// a restored backup or a cloned phone cannot collide with itself.
    pub fn open(store: S, random: impl RandomBits + Send + 'static) -> Self {
        Self {
            store,
            random: Box::new(random),
            open: HashMap::new(),
            problems: Vec::new(),
            uses: 0,
            seen: None,
            own: HashSet::new(),
            states: HashMap::new(),
            signer: Signer::default(),
            trust: Trust::default(),
            at_part: HashMap::new(),
        }
    }

    /// Returns the store.
    pub fn store(&self) -> &S {
        &self.store
    }

    /// Returns the store, to keep small values of this device in.
    pub fn store_mut(&mut self) -> &mut S {
        &mut self.store
    }

    /// Gives the store back.
    pub fn into_store(self) -> S {
        self.store
    }

    /// Returns what could not be read so far.
    pub fn problems(&self) -> &[Problem] {
        &self.problems
    }

    /// Lists the documents without reading them.
    ///
    /// # Errors
    /// [`LogError::Store`].
    pub fn list(&self) -> Result<Vec<Listed>, LogError> {
        self.listed()
    }

    /// Writes one entry durably: when this returns, it survives a loss of power.
    ///
    /// # Errors
    /// Any [`LogError`]; the entry is not in the log then.
    pub fn write(&mut self, home: Home, entry: &Entry) -> Result<Written, LogError> {
        self.write_planned(&[(home, entry)], true)
    }

    /// Writes entries durably, all or none, into the documents of their homes. Entries that are here already are left
    /// as they are, so the same list may be written twice.
    ///
    /// # Errors
    /// Any [`LogError`]; none of the entries is in the log then.
    pub fn write_all(&mut self, entries: &[(Home, Entry)]) -> Result<Written, LogError> {
        let entries: Vec<(Home, &Entry)> = entries.iter().map(|(home, entry)| (*home, entry)).collect();
        self.write_planned(&entries, false)
    }

    /// `fresh` entries have ids made just now, which cannot stand in an earlier part.
    fn write_planned(&mut self, entries: &[(Home, &Entry)], fresh: bool) -> Result<Written, LogError> {
        let mut by_home: BTreeMap<Home, Vec<&Entry>> = BTreeMap::new();
        for (home, entry) in entries {
            if !home.takes(entry) {
                return Err(LogError::Misplaced { entry: entry.id, document: home.part(1) });
            }
            by_home.entry(*home).or_default().push(entry);
        }
        let forgotten = forgotten_by(entries.iter().map(|(_, entry)| *entry));
        self.refuse_unforgettable(&forgotten)?;
        let named = |home: &&Home| matches!(home, Home::Person(person) if forgotten.contains(person));
        if let Some(Home::Person(person)) = by_home.keys().find(named) {
            return Err(LogError::Forgotten { person: *person });
        }
        let (mut written, mut writes, mut touched) = (Written::default(), Vec::new(), Vec::new());
        let result = by_home.into_iter().try_for_each(|(home, entries)| {
            self.plan_writes(home, &entries, fresh, &mut written, &mut writes, &mut touched)
        });
        let (now, later) = self.may_forget(forgotten)?;
        let result = result.and_then(|()| self.plan_forgetting(&now)).map(|more| writes.extend(more));
        self.finish(result, writes, &touched)?;
        if later {
            self.forget_judged()?;
        }
        Ok(written)
    }

    /// Puts a home's entries into its documents in memory and plans the writes to the store.
    fn plan_writes(
        &mut self,
        home: Home,
        entries: &[&Entry],
        fresh: bool,
        written: &mut Written,
        writes: &mut Vec<Write>,
        touched: &mut Vec<DocumentId>,
    ) -> Result<(), LogError> {
        // Entries known by their content (an import) may stand in an earlier part; fresh ones cannot, and for them one
        // look at the last part will do: a list of the store costs more than all else here.
        let known = match self.at_part.get(&home) {
            Some(part) if fresh => vec![home.part(*part)],
            _ => self.parts(home)?,
        };
        let skipped = if fresh { known.len().saturating_sub(1) } else { 0 };
        let known = known.get(skipped..).unwrap_or_default();
        let mut new: Vec<&Entry> = entries.to_vec();
        for part in known {
            let document = &self.document(*part)?.document;
            new.retain(|e| !document.holds(e.id));
        }
        new.sort_unstable_by_key(|e| e.id);
        new.dedup_by_key(|e| e.id);
        written.already += entries.len() - new.len();
        written.added += new.len();
        let mut part = known.last().map_or(1, DocumentId::number);
        while !new.is_empty() {
            let id = home.part(part);
            let room = ENTRIES_PER_PART.saturating_sub(self.document(id)?.document.len());
            let rest = new.split_off(room.min(new.len()));
            if !new.is_empty() {
                writes.push(self.put(id, &new)?);
                touched.push(id);
            }
            self.at_part.insert(home, part);
            new = rest;
            part += 1;
        }
        Ok(())
    }

    /// Adds entries to one document in memory and gives the write that makes it durable.
    fn put(&mut self, id: DocumentId, entries: &[&Entry]) -> Result<Write, LogError> {
        let bytes =
            entries.iter().map(|e| Ok((e.id, self.signed(id.home(), e)?))).collect::<Result<Vec<_>, LogError>>()?;
        let open = self.document(id)?;
        let mut summary = open.summary();
        let chunk = open.document.put(&bytes).map_err(internal)?;
        entries.iter().for_each(|e| summarise(&mut summary, e));
        summary.entries = open.document.len() as u64;
        open.summary = Some(summary.clone());
        let many = entries.len() >= ENTRIES_FOR_SNAPSHOT || open.pieces.len() >= CHUNKS_BEFORE_COMPACTION;
        if many && open.may_compact() {
            Ok(open.compacting(id))
        } else {
            Ok(Write::Append { document: id, chunk, summary })
        }
    }

    /// Commits planned writes; on any failure the documents touched are forgotten, to be read again from the store.
    pub(super) fn finish(
        &mut self,
        planned: Result<(), LogError>,
        mut writes: Vec<Write>,
        touched: &[DocumentId],
    ) -> Result<(), LogError> {
        writes.iter_mut().for_each(|write| self.state_into(write));
        let writes = writes.as_slice();
        let committed = planned.and_then(|()| {
            if writes.is_empty() {
                return Ok(Vec::new());
            }
            Ok(self.store.commit(writes)?)
        });
        match committed {
            Ok(ids) => {
                let pieces =
                    writes.iter().filter(|w| matches!(w, Write::Append { .. } | Write::Compact { .. })).zip(ids);
                for (write, piece) in pieces {
                    let (Write::Append { document, .. } | Write::Compact { document, .. }) = write else { continue };
                    if self.seen.is_some() {
                        self.own.insert(piece);
                    }
                    let Some(open) = self.open.get_mut(document) else { continue };
                    if matches!(write, Write::Compact { .. }) {
                        open.pieces = vec![(piece, PieceKind::Snapshot)];
                    } else {
                        open.pieces.push((piece, PieceKind::Chunk));
                    }
                }
                self.after_commit(writes);
                self.evict();
                Ok(())
            }
            Err(error) => {
                // Every document that was changed in memory but not stored: also those that no write was planned for.
                touched.iter().for_each(|id| drop(self.open.remove(id)));
                for write in writes {
                    if let Write::Append { document, .. } | Write::Compact { document, .. } = write {
                        self.open.remove(document);
                    }
                }
                Err(error)
            }
        }
    }

    /// Lets go of what was dropped, and drops what another process has forgotten while it was written here.
    fn after_commit(&mut self, writes: &[Write]) {
        let mut people = BTreeSet::new();
        for write in writes {
            match write {
                Write::Drop { document } => {
                    self.open.remove(document);
                    self.states.remove(document);
                    self.at_part.remove(&document.home());
                }
                Write::Append { document: DocumentId::Person { person, .. }, .. }
                | Write::Compact { document: DocumentId::Person { person, .. }, .. }
                    if self.is_forgotten(*person).unwrap_or(false) =>
                {
                    people.insert(*person);
                }
                _ => {}
            }
        }
        if !people.is_empty() {
            self.forget_now(&people);
        }
    }

    /// Puts into a write what its document will hold, so that lists can tell it without reading the document.
    fn state_into(&self, write: &mut Write) {
        let (document, summary, whole) = match write {
            Write::Append { document, summary, .. } => (document, summary, false),
            Write::Compact { document, summary, .. } => (document, summary, true),
            Write::Keep { .. } | Write::Drop { .. } => return,
        };
        let Some(open) = self.open.get(document) else { return };
        let held = if whole { &[][..] } else { open.pieces.as_slice() };
        summary.state = Some(State {
            digest: open.document.digest(),
            pieces: held.len() as u64,
            ids: held.iter().fold(0, |sum: u64, (id, _)| sum.wrapping_add(id.0)),
        });
    }

    /// Returns the existing parts of a home, in order.
    pub(super) fn parts(&self, home: Home) -> Result<Vec<DocumentId>, LogError> {
        let mut parts: Vec<DocumentId> =
            self.store.list()?.into_iter().map(|l| l.document).filter(|d| d.home() == home).collect();
        parts.sort_unstable_by_key(DocumentId::number);
        Ok(parts)
    }

    /// Returns a document, read from the store if it is not in memory.
    pub(super) fn document(&mut self, id: DocumentId) -> Result<&mut Open, LogError> {
        self.refuse_dropped(&id)?;
        self.uses += 1;
        if !self.open.contains_key(&id) {
            let open = self.read(id)?;
            self.open.insert(id, open);
        }
        let used = self.uses;
        match self.open.get_mut(&id) {
            Some(open) => {
                open.used = used;
                Ok(open)
            }
            None => Err(LogError::Internal { what: "a document just read is not there".to_owned() }),
        }
    }

    pub(super) fn evict(&mut self) {
        while self.open.len() > DOCUMENTS_IN_MEMORY {
            let Some(oldest) = self.open.iter().min_by_key(|(_, o)| o.used).map(|(id, _)| *id) else { return };
            self.open.remove(&oldest);
        }
    }

    fn actor(&mut self) -> [u8; 16] {
        let (a, b) = (self.random.next_u64(), self.random.next_u64());
        (u128::from(a) << 64 | u128::from(b)).to_be_bytes()
    }

    /// Reads a document. Pieces that cannot be read are set aside and reported; the rest opens.
    fn read(&mut self, id: DocumentId) -> Result<Open, LogError> {
        let actor = self.actor();
        let loaded = self.store.load(&id)?;
        for piece in loaded.damaged {
            self.report(Problem::DamagedPiece(piece));
        }
        let mut document = Document::empty(actor);
        let (snapshots, chunks): (Vec<_>, Vec<_>) = loaded.pieces.iter().partition(|p| p.kind == PieceKind::Snapshot);
        let mut held = Vec::new();
        let mut unreadable = Vec::new();
        let mut begun = false;
        for piece in snapshots {
            let read = if !begun {
                Document::load(&piece.bytes, actor).map(|d| document = d)
            } else {
                document.merge_pieces(&[&piece.bytes])
            };
            match read {
                Ok(()) => {
                    begun = true;
                    held.push((piece.id, piece.kind));
                }
                Err(e) => unreadable.push((piece.id, e)),
            }
        }
        // All at once is several times quicker; one by one finds the culprit.
        let all: Vec<&[u8]> = chunks.iter().map(|p| p.bytes.as_slice()).collect();
        if document.merge_pieces(&all).is_ok() {
            held.extend(chunks.iter().map(|p| (p.id, p.kind)));
        } else {
            for piece in chunks {
                match document.merge_pieces(&[&piece.bytes]) {
                    Ok(()) => held.push((piece.id, piece.kind)),
                    Err(e) => unreadable.push((piece.id, e)),
                }
            }
        }
        for (piece, error) in unreadable {
            match error {
                Unreadable::TooNew(found) => return Err(too_new(id, found)),
                Unreadable::Malformed(what) => self.report(Problem::UnreadablePiece { document: id, piece, what }),
            }
        }
        let mut open = Open { document, pieces: held, summary: None, used: 0 };
        if !open.document.stranded().is_empty() {
            self.mend(id, &mut open)?;
        }
        Ok(open)
    }

    /// Writes entries anew that stood behind a damaged change, so that they can be merged again.
    ///
    /// If the store takes no writes now (a full disk, another writer), they are read all the same, and mended when the
    /// document is next opened: whoever asks what is live must get an answer.
    fn mend(&mut self, id: DocumentId, open: &mut Open) -> Result<(), LogError> {
        let stranded: Vec<_> = open.document.stranded().iter().map(|e| (e.id, e.bytes.clone())).collect();
        let mut mended = open.document.clone();
        let chunk = mended.put(&stranded).map_err(internal)?;
        mended.clear_stranded();
        let write = Write::Append { document: id, chunk, summary: summary_of(&mended) };
        if let Ok(pieces) = self.store.commit(&[write]) {
            open.document = mended;
            open.pieces.extend(pieces.into_iter().map(|p| (p, PieceKind::Chunk)));
            self.report(Problem::Mended { document: id, entries: stranded.len() });
        }
        Ok(())
    }

    pub(super) fn report(&mut self, problem: Problem) {
        if !self.problems.contains(&problem) {
            self.problems.push(problem);
        }
    }

    /// Calls `each` with every entry of the log that can be read: register first, then outings, then people, each by id.
    /// In the log of a crew, entries that do not stand up are kept apart ([`Log::apart`]).
    ///
    /// Documents are read one after another and forgotten again, so memory stays small. Entries that cannot be read are
    /// added to [`Log::problems`].
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn replay(&mut self, mut each: impl FnMut(DocumentId, Entry)) -> Result<(), LogError> {
        let mut forgotten = BTreeSet::new();
        // A crew that was not met yet is no judge of who may have a name forgotten.
        let judges = self.crew()?.is_none() || self.roster()?.is_some();
        for listed in self.swept()? {
            if let DocumentId::Person { person, .. } = listed.document
                && forgotten.contains(&person)
            {
                // Said before this store kept marks, or by a copy of the register from elsewhere.
                self.forget_now(&BTreeSet::from([person]));
                continue;
            }
            self.replay_document(listed.document, |document, entry| {
                if document.home() == Home::Register && judges {
                    forgotten.extend(forgotten_by([&entry]));
                }
                each(document, entry);
            })?;
        }
        Ok(())
    }

    /// Calls `each` with every entry of one document.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn replay_document(&mut self, id: DocumentId, mut each: impl FnMut(DocumentId, Entry)) -> Result<(), LogError> {
        match self.roster()? {
            Some(roster) => self.replay_judged(id, &roster, true, |entry| each(id, entry)),
            None if self.crew()?.is_some() => self.replay_unmet(id, |entry| each(id, entry)),
            None => {
                let entries = self.document(id)?.document.entries();
                self.evict();
                entries.iter().for_each(|stored| self.read_entry(id, stored, &mut each));
                Ok(())
            }
        }
    }

    fn read_entry(&mut self, document: DocumentId, stored: &StoredEntry, each: &mut impl FnMut(DocumentId, Entry)) {
        if stored.contested {
            self.report(Problem::ContestedEntry { document, entry: stored.id });
        }
        match stored.read() {
            Ok(entry) => each(document, entry),
            Err(e) => self.report(Problem::UnreadableEntry { document, entry: stored.id, what: e.to_string() }),
        }
    }

    /// Returns a copy of a document as it stands.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn snapshot(&mut self, id: DocumentId) -> Result<Document, LogError> {
        Ok(self.document(id)?.document.clone())
    }

    /// Merges other copies of documents into this log, all or none, durably.
    ///
    /// # Errors
    /// Any [`LogError`]; nothing was taken in then.
    pub(super) fn absorb_documents(&mut self, mut incoming: Vec<(DocumentId, Document)>) -> Result<Absorbed, LogError> {
        let (mut absorbed, mut writes, mut touched) = (Absorbed::default(), Vec::new(), Vec::new());
        // The register first: whom it forgets is not taken in.
        incoming.sort_by_key(|(id, _)| *id);
        let mut forgotten = BTreeSet::new();
        let result = incoming.into_iter().try_for_each(|(id, mut other)| {
            absorbed.documents += 1;
            if let DocumentId::Person { person, .. } = id
                && (forgotten.contains(&person) || self.is_forgotten(person)?)
            {
                absorbed.forgotten += 1;
                return Ok(());
            }
            let open = self.document(id)?;
            let before = other.len();
            let (new, chunk) = open.document.merge(&mut other).map_err(|e| unreadable(id, e))?;
            absorbed.already += before - new.len();
            if chunk.is_empty() {
                return Ok(());
            }
            touched.push(id);
            forgotten.extend(open.forgotten_in(id, &new)?);
            open.summary = None;
            writes.push(if new.len() >= ENTRIES_FOR_SNAPSHOT && open.may_compact() {
                open.compacting(id)
            } else {
                Write::Append { document: id, chunk, summary: open.summary() }
            });
            absorbed.added.extend(new);
            Ok(())
        });
        let (now, later) = self.may_forget(forgotten)?;
        let result = result.and_then(|()| self.plan_forgetting(&now)).map(|more| writes.extend(more));
        self.finish(result, writes, &touched)?;
        if later {
            self.forget_judged()?;
        }
        Ok(absorbed)
    }

    /// Takes in changes that another device made since some heads (see [`Document::changes_since`]).
    ///
    /// # Errors
    /// Any [`LogError`]; nothing was taken in then.
    pub fn absorb_changes(&mut self, id: DocumentId, changes: &[u8]) -> Result<Absorbed, LogError> {
        let mut copy = self.snapshot(id)?;
        copy.merge_pieces(&[changes]).map_err(|e| unreadable(id, e))?;
        if !copy.stranded().is_empty() {
            let what = "these changes build on others that are not here; ask for those first".to_owned();
            return Err(LogError::Unreadable { document: id, what });
        }
        self.absorb_documents(vec![(id, copy)])
    }

    pub(super) fn new_actor(&mut self) -> [u8; 16] {
        self.actor()
    }

    /// Sets the text of a label, durably.
    ///
    /// # Errors
    /// Any [`LogError`]; the label is as it was then.
    pub fn set_label(&mut self, subject: RegisterId, field: &str, text: &str) -> Result<(), LogError> {
        let id = Home::Register.part(1);
        let open = self.document(id)?;
        let chunk = open.document.set_label(subject, field, text).map_err(internal)?;
        if chunk.is_empty() {
            return Ok(());
        }
        let write = Write::Append { document: id, chunk, summary: open.summary() };
        self.finish(Ok(()), vec![write], &[id])
    }

    /// Returns all labels.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn labels(&mut self) -> Result<Vec<Label>, LogError> {
        Ok(self.document(Home::Register.part(1))?.document.labels())
    }

    /// Compacts every document that has chunks waiting.
    ///
    /// # Errors
    /// [`LogError::Store`]; each document is compacted whole or left as it was.
    pub fn compact(&mut self) -> Result<(), LogError> {
        for listed in self.listed()?.into_iter().filter(|l| l.chunks > 0) {
            let id = listed.document;
            let open = self.document(id)?;
            if open.may_compact() {
                let write = open.compacting(id);
                self.finish(Ok(()), vec![write], &[id])?;
            }
        }
        Ok(())
    }
}

impl Open {
    /// Returns the document's line in lists.
    pub(super) fn summary(&mut self) -> Summary {
        self.summary.get_or_insert_with(|| summary_of(&self.document)).clone()
    }

    /// Tells whether the pieces may be replaced: not while entries in them wait to be mended.
    pub(super) fn may_compact(&self) -> bool {
        self.document.stranded().is_empty()
    }

    /// Looks through entries that came from elsewhere: returns whom they forget, and refuses what may not stand there.
    pub(super) fn forgotten_in(&self, id: DocumentId, new: &[EntryId]) -> Result<BTreeSet<PersonId>, LogError> {
        let mut forgotten = BTreeSet::new();
        let home = id.home();
        if matches!(home, Home::Outing(_)) {
            return Ok(forgotten);
        }
        let read = |id: &EntryId| entry_in(*id, &self.document.entry(*id)?).ok();
        for entry in new.iter().filter_map(read) {
            match home {
                Home::Person(_) if !home.takes(&entry) => {
                    let what = "an entry in it says something else than this person's name".to_owned();
                    return Err(LogError::Unreadable { document: id, what });
                }
                Home::Person(_) | Home::Outing(_) => {}
                Home::Register => forgotten.extend(forgotten_by([&entry])),
            }
        }
        Ok(forgotten)
    }

    /// Returns the write that replaces all pieces that this document holds by one.
    pub(super) fn compacting(&mut self, document: DocumentId) -> Write {
        Write::Compact {
            document,
            covers: self.pieces.iter().map(|(id, _)| *id).collect(),
            snapshot: self.document.save(),
            summary: self.summary(),
        }
    }
}

fn internal(error: automerge::AutomergeError) -> LogError {
    LogError::Internal { what: error.to_string() }
}

fn too_new(document: DocumentId, found: u64) -> LogError {
    LogError::TooNew { document, found, known: super::SCHEMA_VERSION }
}

pub(super) fn unreadable(document: DocumentId, error: Unreadable) -> LogError {
    match error {
        Unreadable::TooNew(found) => too_new(document, found),
        Unreadable::Malformed(what) => LogError::Unreadable { document, what },
    }
}

/// Adds an entry to a document's line in lists.
pub(super) fn summarise(summary: &mut Summary, entry: &Entry) {
    let at = entry.written.unix_ms;
    // What is written next sorts after it.
    let last = entry.id.unix_ms().map_or(at, |ms| ms.max(at));
    summary.shots += entry.shots();
    summary.first_ms = Some(summary.first_ms.map_or(at, |t| t.min(at)));
    summary.last_ms = Some(summary.last_ms.map_or(last, |t| t.max(last)));
    for stated in &entry.facts {
        if let Fact::Outing(outing) = &stated.fact {
            summary.title.clone_from(&outing.name);
        }
    }
}

fn summary_of(document: &Document) -> Summary {
    let mut summary = Summary { entries: document.len() as u64, ..Summary::default() };
    for entry in document.entries().iter().filter_map(|e| e.read().ok()) {
        summarise(&mut summary, &entry);
    }
    summary
}
