//! Exchanges after which a client and this side were not even, and when to say more about them.

use std::collections::HashMap;

use crate::facts::DocumentId;

/// After how many empty rounds the client is asked to send all anew. An exchange that comes to its end has two at most:
/// each side says what it has, and what it lacks.
const EMPTY_ROUNDS: u32 = 3;

/// After how many it is not answered any more, until it, or this side, has something to give, or it is begun again.
const MOST_EMPTY_ROUNDS: u32 = 6;

/// An exchange that is not at its end.
#[derive(Debug, Clone, Copy)]
struct Exchange {
    /// When the client last spoke of the document.
    since_ms: u64,
    /// How many rounds there were in which neither side gave the other anything.
    empty: u32,
    /// Whether it was begun again after the client had said nothing for too long.
    retried: bool,
}

/// Exchanges that are not at their end.
///
/// A change that waits for a missing one is kept in memory only, and can be lost here while the client counts it as
/// sent. The CRDT's own sync then goes on for ever, each side saying what it lacks; so the client is asked to send all
/// anew, and if that does not help, nothing more is said for a while.
#[derive(Debug, Default)]
pub(super) struct Unmet {
    exchanges: HashMap<DocumentId, Exchange>,
}

impl Unmet {
    /// Counts a message of the client, and whether it gave anything; returns the empty rounds so far.
    pub(super) fn heard(&self, document: DocumentId, gave: bool) -> u32 {
        let before = self.exchanges.get(&document).map_or(0, |exchange| exchange.empty);
        if gave { 0 } else { before.saturating_add(1) }
    }

    /// Tells whether the client is to be asked for everything anew.
    pub(super) fn is_stuck(empty: u32) -> bool {
        empty == EMPTY_ROUNDS
    }

    /// Tells whether an answer that gives nothing is still to be sent.
    pub(super) fn may_answer(empty: u32) -> bool {
        empty <= MOST_EMPTY_ROUNDS
    }

    /// Notes that the two are not even after this.
    pub(super) fn note(&mut self, document: DocumentId, now_ms: u64, empty: u32) {
        self.exchanges.insert(document, Exchange { since_ms: now_ms, empty, retried: false });
    }

    /// Notes that they are.
    pub(super) fn met(&mut self, document: DocumentId) {
        self.exchanges.remove(&document);
    }

    /// Returns those in which the client has said nothing for this long, and which were not begun again since.
    pub(super) fn late(&self, now_ms: u64, patience_ms: u64) -> Vec<DocumentId> {
        let is_late = |e: &Exchange| !e.retried && now_ms.abs_diff(e.since_ms) >= patience_ms;
        self.exchanges.iter().filter(|(_, e)| is_late(e)).map(|(document, _)| *document).collect()
    }

    /// Notes that an exchange is begun again.
    pub(super) fn retry(&mut self, document: DocumentId) {
        if let Some(exchange) = self.exchanges.get_mut(&document) {
            exchange.retried = true;
        }
    }
}
