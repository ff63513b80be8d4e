//! Forgetting a person's name, so that it stays forgotten.
//!
//! A name stands in a document of its own. When the register comes to hold the word that it is to be forgotten, that
//! document is dropped in the same commit and a mark is kept beside the log; a document so marked is never listed, sent,
//! written or taken in again. The mark is this store's memory of what the register says, so that no register has to be
//! read for it.
//!
//! Not for: who may have a name forgotten, which is settled before an entry counts.

use std::collections::BTreeSet;

use super::error::LogError;
use super::home::Home;
use super::open::Log;
use crate::facts::{DocumentId, Entry, Fact, PersonId};
use crate::store::{Listed, Store, Write};

/// Under which name it is kept that a person is forgotten.
fn mark(person: PersonId) -> String {
    format!("forgotten/{person}")
}

/// Returns the people whose names entries of the register have forgotten.
///
/// The one place where the log decides that such a word counts.
pub(super) fn forgotten_by<'e>(entries: impl IntoIterator<Item = &'e Entry>) -> BTreeSet<PersonId> {
    let facts = entries.into_iter().flat_map(|entry| &entry.facts);
    facts.filter_map(|stated| if let Fact::Forgotten(f) = &stated.fact { Some(f.person) } else { None }).collect()
}

impl<S: Store> Log<S> {
    /// Tells whether a person's name was forgotten: it cannot be stated again.
    ///
    /// # Errors
    /// [`LogError::Store`].
    pub fn is_forgotten(&self, person: PersonId) -> Result<bool, LogError> {
        Ok(self.store.kept(&mark(person))?.is_some())
    }

    /// Tells whether a document was dropped for good: there is nothing to say about it to anybody.
    ///
    /// # Errors
    /// [`LogError::Store`].
    pub fn is_dropped(&self, document: &DocumentId) -> Result<bool, LogError> {
        match document {
            DocumentId::Person { person, .. } => self.is_forgotten(*person),
            DocumentId::Register { .. } | DocumentId::Outing { .. } => Ok(false),
        }
    }

    /// Refuses a document that was dropped for good.
    pub(super) fn refuse_dropped(&self, document: &DocumentId) -> Result<(), LogError> {
        match document {
            DocumentId::Person { person, .. } if self.is_forgotten(*person)? => {
                Err(LogError::Forgotten { person: *person })
            }
            _ => Ok(()),
        }
    }

    /// Lists what the store holds, without what was dropped for good and came back behind this log's back (a writer that
    /// had not heard, a restored file).
    pub(super) fn listed(&self) -> Result<Vec<Listed>, LogError> {
        let mut lines = Vec::new();
        for line in self.store.list()? {
            if !self.is_dropped(&line.document)? {
                lines.push(line);
            }
        }
        Ok(lines)
    }

    /// Plans the writes that forget people: the marks, and the end of every document that names them.
    pub(super) fn plan_forgetting(&self, people: &BTreeSet<PersonId>) -> Result<Vec<Write>, LogError> {
        if people.is_empty() {
            return Ok(Vec::new());
        }
        let names = |document: &DocumentId| matches!(document.home(), Home::Person(person) if people.contains(&person));
        let held = self.store.list()?.into_iter().map(|line| line.document).filter(names);
        let mut writes: Vec<Write> = held.map(|document| Write::Drop { document }).collect();
        for person in people {
            if !self.is_forgotten(*person)? {
                writes.push(Write::Keep { key: mark(*person), value: vec![1] });
            }
        }
        Ok(writes)
    }

    /// Parts what may be forgotten at once from what has to be judged first: in a crew's log not everybody's word counts.
    pub(super) fn may_forget(&mut self, people: BTreeSet<PersonId>) -> Result<(BTreeSet<PersonId>, bool), LogError> {
        let judged = self.crew()?.is_some();
        Ok(if judged { (BTreeSet::new(), !people.is_empty()) } else { (people, false) })
    }

    /// Forgets what words that count in the crew's register say is forgotten.
    pub(super) fn forget_judged(&mut self) -> Result<(), LogError> {
        if self.roster()?.is_none() {
            return Ok(());
        }
        let mut people = BTreeSet::new();
        for document in self.parts(Home::Register)? {
            self.replay_document(document, |_, entry| people.extend(forgotten_by([&entry])))?;
        }
        self.forget_now(&people);
        Ok(())
    }

    /// Forgets what the register says is forgotten. Where nothing can be written now, it is tried again the next time;
    /// what is marked is not shown meanwhile.
    pub(super) fn forget_now(&mut self, people: &BTreeSet<PersonId>) {
        if let Ok(writes) = self.plan_forgetting(people) {
            let _ = self.finish(Ok(()), writes, &[]);
        }
    }

    /// The same, and drops what came back.
    pub(super) fn swept(&mut self) -> Result<Vec<Listed>, LogError> {
        let (mut lines, mut back) = (Vec::new(), Vec::new());
        for line in self.store.list()? {
            if self.is_dropped(&line.document)? {
                back.push(line.document);
            } else {
                lines.push(line);
            }
        }
        self.drop_again(back.into_iter())?;
        Ok(lines)
    }

    /// Drops those of some documents that are in the store although they were dropped for good.
    pub(super) fn drop_again(&mut self, held: impl Iterator<Item = DocumentId>) -> Result<(), LogError> {
        let mut people = BTreeSet::new();
        for document in held {
            if let DocumentId::Person { person, .. } = document
                && self.is_forgotten(person)?
            {
                people.insert(person);
            }
        }
        if !people.is_empty() {
            self.forget_now(&people);
        }
        Ok(())
    }

    /// Refuses to forget a person whose name stands in the register itself, as older versions wrote it: a document's
    /// history cannot be cut, so saying that it is forgotten would not be true.
    pub(super) fn refuse_unforgettable(&mut self, people: &BTreeSet<PersonId>) -> Result<(), LogError> {
        if people.is_empty() {
            return Ok(());
        }
        let mut named = None;
        for document in self.parts(Home::Register)? {
            self.replay_document(document, |document, entry| {
                let stated =
                    entry.facts.iter().filter_map(|s| if let Fact::Person(f) = &s.fact { Some(f) } else { None });
                named =
                    named.or_else(|| stated.map(|f| f.id()).find(|id| people.contains(id)).map(|id| (id, document)));
            })?;
        }
        if let Some((person, document)) = named {
            return Err(LogError::NameInRegister { person, document });
        }
        Ok(())
    }
}
