//! The CRDT's own sync messages: one document of this log and the same document on a peer.
//!
//! Each message says which changes its sender has (as a Bloom filter over those since the two last agreed) and carries
//! those that the other side is known to lack. Whoever drives this sends one message and waits for the answer.

use automerge::sync::{ChunkList, Have, Message, MessageFlags, State, SyncDoc};
use automerge::{Change, ChangeHash, ReadDoc};

use super::document::{Unreadable, contained};
use super::error::LogError;
use super::open::{CHUNKS_BEFORE_COMPACTION, ENTRIES_FOR_SNAPSHOT, Log, summarise, unreadable};
use super::screen::{Allowance, screen};
use crate::crew::envelope::entry_in;
use crate::facts::{DocumentId, EntryId};
use crate::store::{Store, Write};

/// What a message may hold, and how large the ones that are made may become.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MessageLimits {
    /// The most bytes of changes that are put into one message; a single larger change goes alone.
    pub out_bytes: usize,
    /// What one message from a peer may come to.
    pub allowance: Allowance,
    /// How many changes may wait for one that was not sent yet.
    pub waiting: usize,
}

/// What is known of what a peer has of one document.
#[derive(Debug, Clone, Default)]
pub struct PeerState {
    state: State,
}

impl PeerState {
    /// Begins with nothing known.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Goes on from what an earlier conversation left; anything unreadable is as nothing known.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Self {
        State::decode(bytes).map(|state| Self { state }).unwrap_or_default()
    }

    /// Begins with a peer that may only read: what it has written itself is neither asked for nor taken in.
    #[must_use]
    pub fn of_a_reader() -> Self {
        Self { state: State::new_read_only() }
    }

    /// Goes on from what an earlier conversation left, and sends at once what was written since: the peer has lost
    /// nothing of what it once had, and if it has, its answer says so.
    #[must_use]
    pub fn resumed(bytes: &[u8]) -> Self {
        let mut peer = Self::from_bytes(bytes);
        if !peer.state.shared_heads.is_empty() {
            let last_sync = peer.state.shared_heads.clone();
            peer.state.their_have = Some(vec![Have { last_sync, ..Have::default() }]);
            peer.state.their_need = Some(Vec::new());
        }
        peer
    }

    /// Returns what a later conversation can go on from: the changes that both sides have.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        self.state.encode()
    }

    /// Takes back what was sent and not answered, so that it is sent again, and asks the peer to do the same: what it
    /// had sent may have been lost here with a document that was dropped from memory.
    pub fn forget_unanswered(&mut self) {
        let fresh = Self::from_bytes(&self.to_bytes()).state;
        let before = std::mem::replace(&mut self.state, fresh);
        self.state.read_only = before.read_only;
        self.state.their_capabilities = before.their_capabilities;
        self.state.needs_reset = true;
    }

    /// Tells whether the peer is known to lack nothing and to have nothing new, as far as either side takes in from the
    /// other.
    fn is_even(&self, doc: &automerge::Automerge) -> bool {
        let Some(theirs) = &self.state.their_heads else { return false };
        let (heads, known) = (doc.get_heads(), |hash| doc.get_change_meta_by_hash(hash).is_some());
        // A side that only gives has all that it will ever have; one that only reads lacks nothing once it has ours.
        *theirs == heads || (self.state.peer_read_only && theirs.iter().all(known)) || self.state.read_only
    }
}

/// A message to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outgoing {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// How many bytes of changes it carries.
    pub change_bytes: usize,
    /// How many entries those hold that the peer is not known to have.
    pub entries: usize,
    /// Whether the peer has something to say to it: it carries changes, or the two documents are not known to be equal.
    pub wants_answer: bool,
}

/// What a message from a peer did.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Heard {
    /// Entries that were new here; they are durable.
    pub added: Vec<EntryId>,
    /// Whether anything was new, entries or labels.
    pub changed: bool,
}

/// A message of the CRDT is not what it should be.
fn malformed(document: DocumentId, what: impl Into<String>) -> LogError {
    LogError::Unreadable { document, what: what.into() }
}

impl<S: Store> Log<S> {
    /// Makes the next message about a document for a peer; `None` if there is nothing to say until it answers.
    ///
    /// # Errors
    /// Any [`LogError`]; all of them are this side's own.
    pub fn greeting(
        &mut self,
        id: DocumentId,
        peer: &mut PeerState,
        limits: &MessageLimits,
    ) -> Result<Option<Outgoing>, LogError> {
        let doc = self.document(id)?.document.crdt();
        let made = contained(|| {
            let before = peer.state.clone();
            let Some(mut message) = doc.generate_sync_message(&mut peer.state) else { return Ok(None) };
            let mut size: usize = message.changes.iter().map(<[u8]>::len).sum();
            // A peer takes no more than this side would.
            let mut allowance = limits.allowance;
            if size > limits.out_bytes || message.changes.iter().any(|c| screen(c, &mut allowance).is_err()) {
                // The whole document, or many changes: as single ones, and only as many as one message may have.
                peer.state = before.clone();
                let abilities = peer.state.their_capabilities.take();
                let singly = doc.generate_sync_message(&mut peer.state);
                peer.state.their_capabilities = abilities;
                let Some(singly) = singly else { return Ok(None) };
                message = singly;
                size = cut(&mut message, &mut peer.state, limits)?;
            }
            let wants_answer = size > 0 || !peer.is_even(doc);
            let entries = if size == 0 { 0 } else { stated(doc, id, &before, &peer.state) };
            Ok(Some(Outgoing { wants_answer, change_bytes: size, entries, bytes: message.encode() }))
        });
        self.evict();
        made.map_err(|e| unreadable(id, e))
    }

    /// Takes in a peer's message about a document. When this returns, all that came with it is durable.
    ///
    /// # Errors
    /// [`LogError::Unreadable`] if the message is not what it should be: nothing of it was taken. Any other
    /// [`LogError`] is this side's own.
    pub fn hear(
        &mut self,
        id: DocumentId,
        peer: &mut PeerState,
        message: &[u8],
        limits: &MessageLimits,
    ) -> Result<Heard, LogError> {
        let message = contained(|| Message::decode(message).map_err(|e| Unreadable::Malformed(e.to_string())))
            .map_err(|e| unreadable(id, e))?;
        check(&message).map_err(|e| malformed(id, e))?;
        if peer.state.read_only && !message.changes.is_empty() {
            return Err(malformed(id, "it writes, and may only read"));
        }
        let mut allowance = limits.allowance;
        message.changes.iter().try_for_each(|c| screen(c, &mut allowance)).map_err(|e| malformed(id, e))?;

        let heard = self.hear_screened(id, peer, message, limits);
        if heard.is_err() {
            // Half of it may be in the document in memory; the store has none of it.
            self.open.remove(&id);
        }
        self.evict();
        heard
    }

    fn hear_screened(
        &mut self,
        id: DocumentId,
        peer: &mut PeerState,
        message: Message,
        limits: &MessageLimits,
    ) -> Result<Heard, LogError> {
        let open = self.document(id)?;
        let document = &mut open.document;
        let before = document.crdt().get_heads();
        let mut changes: Vec<Change> = Vec::new();
        for part in message.changes.iter() {
            changes.extend(document.changes_in(part).map_err(|e| unreadable(id, e))?);
        }
        let taken = document.take_in(changes, limits.waiting).map_err(|e| unreadable(id, e))?;
        note(document.crdt_mut(), &mut peer.state, message, &before).map_err(|e| unreadable(id, e))?;
        if taken.chunk.is_empty() {
            return Ok(Heard::default());
        }
        let forgotten = open.forgotten_in(id, &taken.added)?;
        let mut summary = open.summary.take();
        if let Some(summary) = &mut summary {
            for added in &taken.added {
                if let Some(entry) = open.document.entry(*added).and_then(|bytes| entry_in(*added, &bytes).ok()) {
                    summarise(summary, &entry);
                }
            }
            summary.entries = open.document.len() as u64;
        }
        open.summary = summary;
        let many = taken.added.len() >= ENTRIES_FOR_SNAPSHOT || open.pieces.len() >= CHUNKS_BEFORE_COMPACTION;
        let write = if many && open.may_compact() {
            open.compacting(id)
        } else {
            Write::Append { document: id, chunk: taken.chunk, summary: open.summary() }
        };
        let (now, later) = self.may_forget(forgotten)?;
        let planned = self.plan_forgetting(&now);
        let (planned, more) = planned.map_or_else(|e| (Err(e), Vec::new()), |writes| (Ok(()), writes));
        self.finish(planned, [vec![write], more].concat(), &[id])?;
        if later {
            self.forget_judged()?;
        }
        Ok(Heard { added: taken.added, changed: true })
    }

    /// Tells whether a peer is known to have exactly what this log has of a document.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn has_met(&mut self, id: DocumentId, peer: &PeerState) -> Result<bool, LogError> {
        Ok(peer.is_even(self.document(id)?.document.crdt()))
    }
}

/// Counts the entries of a message by what counts as sent before and after it, without those that the peer is known to
/// have: the CRDT may send the whole document. An entry is one operation; labels, which are several, are in the register
/// alone, and its entries are counted one by one. The change that begins every document states nothing.
fn stated(doc: &automerge::Automerge, id: DocumentId, before: &State, after: &State) -> usize {
    let heads = after.their_heads.iter().flatten().chain(&after.shared_heads);
    let known: Vec<ChangeHash> = heads.filter(|h| doc.get_change_meta_by_hash(h).is_some()).copied().collect();
    let is_new = |hash: &ChangeHash| after.sent_hashes.contains(hash) && !before.sent_hashes.contains(hash);
    let lacked = doc.get_changes_meta(&known).into_iter().filter(|meta| is_new(&meta.hash) && !meta.deps.is_empty());
    let counted = lacked.map(|meta| match id {
        DocumentId::Register { .. } => {
            doc.get_change_by_hash(&meta.hash).map_or(0, |change| super::document::entries_in(&change))
        }
        _ => usize::try_from((meta.max_op + 1).saturating_sub(meta.start_op)).unwrap_or(0),
    });
    counted.sum()
}

/// Keeps as many changes of a message as it may carry, and takes the others back from what counts as sent.
///
/// Changes come in an order in which each builds only on earlier ones, so those at the front can be applied.
fn cut(message: &mut Message, state: &mut State, limits: &MessageLimits) -> Result<usize, Unreadable> {
    let (mut kept, mut size, mut allowance): (Vec<Vec<u8>>, usize, _) = (Vec::new(), 0, limits.allowance);
    for change in message.changes.iter() {
        let fits = size + change.len() <= limits.out_bytes && screen(change, &mut allowance).is_ok();
        if kept.is_empty() || fits {
            size += change.len();
            kept.push(change.to_vec());
        } else {
            break;
        }
    }
    for change in message.changes.iter().skip(kept.len()) {
        let change = Change::from_bytes(change.to_vec()).map_err(|e| Unreadable::Malformed(e.to_string()))?;
        state.sent_hashes.remove(&change.hash());
    }
    message.changes = kept.into();
    Ok(size)
}

/// Refuses what the CRDT's reader takes and then stumbles over.
///
/// Measured: a Bloom filter of no bits an entry divides by zero at the next message, and one of 2³² probes asks for
/// 17 GB, which ends the process.
fn check(message: &Message) -> Result<(), String> {
    for have in &message.have {
        let bytes = have.bloom.to_bytes();
        if bytes.is_empty() {
            continue;
        }
        let mut rest = bytes.as_slice();
        let mut next = || leb128(&mut rest);
        let (entries, bits, probes) = (next(), next(), next());
        let sound = entries.is_some_and(|n| n > 0)
            && bits.is_some_and(|n| (1..=64).contains(&n))
            && probes.is_some_and(|n| (1..=32).contains(&n));
        if !sound {
            return Err("a summary of changes that no device makes".to_owned());
        }
    }
    if message.have.len() > 16 {
        return Err(format!("{} summaries of changes in one message", message.have.len()));
    }
    Ok(())
}

fn leb128(from: &mut &[u8]) -> Option<u64> {
    let mut value = 0;
    for shift in (0..64).step_by(7) {
        let (byte, rest) = from.split_first()?;
        *from = rest;
        value |= u64::from(byte & 0x7f) << shift;
        if byte & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

/// Takes note of what a message says of its sender, after its changes were taken in.
fn note(
    doc: &mut automerge::Automerge,
    state: &mut State,
    mut message: Message,
    before: &[ChangeHash],
) -> Result<(), Unreadable> {
    let carried = !message.changes.is_empty();
    message.changes = ChunkList::empty();
    contained(|| {
        let after = doc.get_heads();
        // What the sender knows to be on both sides, which is as good as what was kept here.
        if state.shared_heads.is_empty()
            && let [have] = message.have.as_slice()
            && have.last_sync.iter().all(|hash| doc.get_change_meta_by_hash(hash).is_some())
        {
            state.shared_heads.clone_from(&have.last_sync);
        }
        if carried {
            state.shared_heads = advanced(before, &after, &state.shared_heads);
        }
        let (last_sent, equal) = (state.last_sent_heads.clone(), message.heads == after);
        let asks_anew = message.flags.as_ref().is_some_and(|f| f.contains(MessageFlags::SYNC_RESET));
        doc.receive_sync_message(state, message)?;
        if asks_anew {
            // The sender has forgotten what was said; it waits for an answer even if both have the same.
            state.have_responded = false;
        }
        if carried && equal {
            // Without changes in it the CRDT takes such a message for an answer, and would not answer it.
            state.last_sent_heads = last_sent;
        }
        Ok(())
    })
}

/// The heads that both sides are known to have, after changes came.
fn advanced(before: &[ChangeHash], after: &[ChangeHash], shared: &[ChangeHash]) -> Vec<ChangeHash> {
    let new = after.iter().filter(|head| !before.contains(head));
    let still = shared.iter().filter(|head| after.contains(head));
    let mut heads: Vec<ChangeHash> = new.chain(still).copied().collect();
    heads.sort_unstable();
    heads.dedup();
    heads
}
