//! Which documents there are, by their ids in the protocol.

use std::collections::{HashMap, HashSet};

use super::id::RepoId;
use crate::facts::DocumentId;
use crate::log::{Log, LogError};
use crate::store::Store;

/// How often the log's documents are listed at most for an id that is not known, in milliseconds. What others begin
/// meanwhile is known at once, as the session is told of it.
const BETWEEN_LISTS_MS: u64 = 1_000;

/// Documents that a client asked for and that are not here, which it is told of when they come.
const MOST_WANTED: usize = 1_000;

/// The documents of one crew, for one client.
#[derive(Debug)]
pub(super) struct Directory {
    crew: Vec<u8>,
    known: HashMap<RepoId, DocumentId>,
    listed_ms: Option<u64>,
    wanted: HashSet<RepoId>,
}

impl Directory {
    pub(super) fn new(crew: Vec<u8>) -> Self {
        Self { crew, known: HashMap::new(), listed_ms: None, wanted: HashSet::new() }
    }

    pub(super) fn id_of(&self, document: DocumentId) -> RepoId {
        RepoId::of(&self.crew, document)
    }

    /// Finds a document by its id there.
    pub(super) fn find<S: Store>(
        &mut self,
        log: &Log<S>,
        now_ms: u64,
        id: RepoId,
    ) -> Result<Option<DocumentId>, LogError> {
        if let Some(document) = self.known.get(&id) {
            return Ok(Some(*document));
        }
        if self.listed_ms.is_none_or(|at| now_ms.abs_diff(at) >= BETWEEN_LISTS_MS) {
            self.listed_ms = Some(now_ms);
            let first = DocumentId::Register { part: 1 };
            let all = log.list()?.into_iter().map(|line| line.document).chain([first]);
            self.known = all.map(|document| (RepoId::of(&self.crew, document), document)).collect();
        }
        Ok(self.known.get(&id).copied())
    }

    /// Notes that a client asked for a document that is not here.
    pub(super) fn want(&mut self, id: RepoId) {
        if self.wanted.len() < MOST_WANTED {
            self.wanted.insert(id);
        }
    }

    pub(super) fn wants(&self, document: DocumentId) -> bool {
        self.wanted.contains(&self.id_of(document))
    }

    /// Learns that a document is here; tells whether it was asked for before.
    pub(super) fn learn(&mut self, document: DocumentId) -> bool {
        let id = self.id_of(document);
        self.known.insert(id, document);
        self.wanted.remove(&id)
    }

    pub(super) fn forget_wanted(&mut self) {
        self.wanted.clear();
    }
}
