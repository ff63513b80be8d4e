//! What is known of a peer: of each document, what both have, and what is under way.

use std::collections::{BTreeMap, VecDeque};

use crate::facts::{DeviceId, DocumentId};
use crate::log::PeerState;

/// How many documents' full states are held after their exchange is over; the others begin again from what is kept.
const HELD_AFTER: usize = 16;

/// The exchange of one document.
#[derive(Debug, Default)]
pub(super) struct Exchange {
    pub(super) state: PeerState,
    /// Since when an answer is awaited, in the driver's milliseconds.
    pub(super) awaiting_since: Option<u64>,
    /// Messages that came in a row while neither side gave the other anything.
    pub(super) empty: u32,
    /// Entries that were sent and are not answered for yet.
    pub(super) unanswered: u64,
    /// Whether what both have has changed since it was last kept.
    pub(super) unkept: bool,
    /// When it was last used; the longest unused is dropped first.
    pub(super) used: u64,
}

/// All exchanges with one peer.
#[derive(Debug, Default)]
pub(super) struct Peer {
    pub(super) device: Option<DeviceId>,
    exchanges: BTreeMap<DocumentId, Exchange>,
    /// Documents that wait for their turn.
    queue: VecDeque<DocumentId>,
    uses: u64,
}

impl Peer {
    pub(super) fn get(&mut self, document: DocumentId) -> Option<&mut Exchange> {
        self.uses += 1;
        let used = self.uses;
        let exchange = self.exchanges.get_mut(&document)?;
        exchange.used = used;
        Some(exchange)
    }

    pub(super) fn begin(&mut self, document: DocumentId, state: PeerState) {
        self.uses += 1;
        self.exchanges.insert(document, Exchange { state, used: self.uses, ..Exchange::default() });
    }

    pub(super) fn forget_all(&mut self) {
        self.exchanges.clear();
        self.queue.clear();
    }

    /// Speaks no more of a document.
    pub(super) fn end(&mut self, document: DocumentId) {
        self.exchanges.remove(&document);
        self.queue.retain(|waiting| *waiting != document);
    }

    /// Returns the documents that are spoken of, or wait for it.
    pub(super) fn documents(&self) -> Vec<DocumentId> {
        self.exchanges.keys().chain(&self.queue).copied().collect()
    }

    /// Puts a document in line, unless it is there already.
    pub(super) fn want(&mut self, document: DocumentId) {
        if !self.queue.contains(&document) {
            self.queue.push_back(document);
        }
    }

    /// Takes the next document whose turn it is, if fewer than `most` are under way.
    pub(super) fn next(&mut self, most: usize) -> Option<DocumentId> {
        if self.under_way() >= most { None } else { self.queue.pop_front() }
    }

    pub(super) fn under_way(&self) -> usize {
        self.exchanges.values().filter(|exchange| exchange.awaiting_since.is_some()).count()
    }

    pub(super) fn left(&self) -> usize {
        self.queue.len() + self.under_way()
    }

    /// Returns the documents whose answer has been awaited for `ms` or longer; a clock set back counts as no wait.
    pub(super) fn unanswered(&self, now_ms: u64, ms: u64) -> Vec<DocumentId> {
        let late = |exchange: &Exchange| exchange.awaiting_since.is_some_and(|t| now_ms.saturating_sub(t) >= ms);
        self.exchanges.iter().filter(|(_, exchange)| late(exchange)).map(|(document, _)| *document).collect()
    }

    /// Takes out what is to be kept of the exchanges since the last time.
    pub(super) fn take_unkept(&mut self) -> Vec<(DocumentId, Vec<u8>)> {
        let unkept = self.exchanges.iter_mut().filter_map(|(document, exchange)| {
            std::mem::take(&mut exchange.unkept).then(|| (*document, exchange.state.to_bytes()))
        });
        unkept.collect()
    }

    /// Drops the states of documents whose exchange has been over for longest; what was to be kept of them must have been
    /// taken before.
    pub(super) fn drop_old(&mut self) {
        while self.exchanges.len() > HELD_AFTER {
            let idle = self.exchanges.iter().filter(|(_, e)| e.awaiting_since.is_none() && !e.unkept);
            let Some(oldest) = idle.min_by_key(|(_, e)| e.used).map(|(document, _)| *document) else { return };
            self.exchanges.remove(&oldest);
        }
    }
}
