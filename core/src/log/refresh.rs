//! What other processes wrote into the same store, and what each document holds without reading it.

use std::collections::BTreeSet;

use super::error::LogError;
use super::open::Log;
use crate::facts::DocumentId;
use crate::store::{Listed, PieceId, Store};

impl<S: Store> Log<S> {
    /// Reads what other processes have written since the last time, and returns the documents it was written to.
    ///
    /// Costs one look at the store when nothing was. The first time, only documents that are in memory can be told to
    /// have changed.
    ///
    /// # Errors
    /// [`LogError::Store`].
    pub fn refresh(&mut self) -> Result<Vec<DocumentId>, LogError> {
        let (mut changed, mut held) = (BTreeSet::new(), Vec::new());
        match self.seen {
            None => {
                let list = self.store.list()?;
                self.seen = Some(list.iter().filter_map(|line| line.latest).max().unwrap_or(PieceId(0)));
                let behind = |line: &&Listed| self.open.get(&line.document).is_some_and(|open| !open.holds_all(line));
                changed.extend(list.iter().filter(behind).map(|line| line.document));
                held.extend(list.iter().map(|line| line.document));
            }
            Some(seen) => {
                let news = self.store.news(seen)?;
                self.seen = news.iter().map(|(piece, _)| *piece).max().or(self.seen);
                held.extend(news.iter().map(|(_, document)| *document));
                changed
                    .extend(news.iter().filter(|(piece, _)| !self.own.contains(piece)).map(|(_, document)| *document));
                self.own.clear();
            }
        }
        // A document that was dropped elsewhere is no news to the store, and not to be read from memory either.
        for document in self.open.keys().copied().collect::<Vec<_>>() {
            if self.is_dropped(&document)? {
                self.open.remove(&document);
            }
        }
        self.drop_again(held.into_iter())?;
        // Read again when they are next needed; merging here would cost more for documents nobody asks for.
        changed.iter().for_each(|document| drop(self.open.remove(document)));
        Ok(changed.into_iter().collect())
    }

    /// Returns a hash of what each document holds: equal hashes mean equal documents. Ordered by document.
    ///
    /// Nothing is read for it but documents that two processes wrote at once.
    ///
    /// # Errors
    /// [`LogError::Store`], [`LogError::TooNew`].
    pub fn outline(&mut self) -> Result<Vec<(DocumentId, [u8; 16])>, LogError> {
        let list = self.swept()?;
        list.iter().map(|line| Ok((line.document, self.state_of(line)?))).collect()
    }

    /// Tells whether a document in memory lacks pieces that the store has.
    pub(super) fn is_behind(&self, line: &Listed) -> bool {
        self.open.get(&line.document).is_some_and(|open| !open.holds_all(line))
    }

    fn state_of(&mut self, line: &Listed) -> Result<[u8; 16], LogError> {
        // What is compared and what is sent must be the same, whatever another process has written meanwhile.
        if self.open.get(&line.document).is_some_and(|open| !open.holds_all(line)) {
            self.open.remove(&line.document);
        }
        if let Some(state) = line.state() {
            return Ok(state);
        }
        if let Some((pieces, ids, state)) = self.states.get(&line.document)
            && (*pieces, *ids) == (line.pieces, line.ids)
        {
            return Ok(*state);
        }
        let state = self.document(line.document)?.document.digest();
        self.evict();
        self.states.insert(line.document, (line.pieces, line.ids, state));
        Ok(state)
    }
}

impl super::open::Open {
    /// Tells whether this has read every piece that a list counts.
    pub(super) fn holds_all(&self, line: &Listed) -> bool {
        let ids = self.pieces.iter().fold(0, |sum: u64, (id, _)| sum.wrapping_add(id.0));
        (self.pieces.len() as u64, ids) == (line.pieces, line.ids)
    }
}
