//! What is known of what a client has, for many documents in bounded memory.

use std::collections::HashMap;

use crate::facts::DocumentId;
use crate::log::PeerState;

/// Documents for which everything is known; of the others only what both sides have. A client may follow thousands, and
/// what a hostile one claims of each takes as much room as its message did.
const WARM: usize = 16;

/// The most bytes that are kept of a document that is not among them.
const COLD_BYTES: usize = 1 << 10;

/// What is known of what a client has, by document.
#[derive(Debug)]
pub(super) struct Peers {
    reads_only: bool,
    uses: u64,
    warm: HashMap<DocumentId, (u64, PeerState)>,
    cold: HashMap<DocumentId, Vec<u8>>,
}

impl Peers {
    pub(super) fn new(reads_only: bool) -> Self {
        Self { reads_only, uses: 0, warm: HashMap::new(), cold: HashMap::new() }
    }

    /// Tells whether the client has asked for a document.
    pub(super) fn follows(&self, document: DocumentId) -> bool {
        self.warm.contains_key(&document) || self.cold.contains_key(&document)
    }

    /// Returns all that it has asked for.
    pub(super) fn followed(&self) -> Vec<DocumentId> {
        self.warm.keys().chain(self.cold.keys()).copied().collect()
    }

    /// Returns what is known for a document; from now on the client follows it.
    pub(super) fn get(&mut self, document: DocumentId) -> &mut PeerState {
        self.uses += 1;
        if !self.warm.contains_key(&document) {
            self.make_room();
        }
        let known = self.cold.remove(&document);
        let reads_only = self.reads_only;
        let (used, state) = self.warm.entry(document).or_insert_with(|| {
            let state = match known {
                _ if reads_only => PeerState::of_a_reader(),
                Some(bytes) => PeerState::from_bytes(&bytes),
                None => PeerState::new(),
            };
            (0, state)
        });
        *used = self.uses;
        state
    }

    fn make_room(&mut self) {
        while self.warm.len() >= WARM {
            let Some(oldest) = self.warm.iter().min_by_key(|(_, (used, _))| *used).map(|(d, _)| *d) else { return };
            let kept = self.warm.remove(&oldest).map(|(_, state)| state.to_bytes()).unwrap_or_default();
            // Nothing that can be read, which begins anew, rather than more than is allowed.
            self.cold.insert(oldest, if kept.len() > COLD_BYTES { Vec::new() } else { kept });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn however_many_are_followed_only_a_few_are_kept_whole() {
        let mut peers = Peers::new(false);
        let document = |part| DocumentId::Register { part };
        (1..=1_000).for_each(|part| drop(peers.get(document(part)).to_bytes()));
        assert_eq!((peers.warm.len(), peers.followed().len()), (WARM, 1_000));
        assert!(peers.follows(document(1)) && peers.follows(document(1_000)) && !peers.follows(document(1_001)));
        peers.get(document(1));
        assert!(peers.warm.contains_key(&document(1)) && !peers.cold.contains_key(&document(1)));
        assert_eq!(peers.followed().len(), 1_000);
    }
}
