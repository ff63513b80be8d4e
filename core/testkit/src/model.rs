//! What must be true of a log, as two sets.

use std::collections::BTreeSet;
use std::fmt::Debug;

use embertally_core::facts::EntryId;
use thiserror::Error;

/// What was tried and what was acknowledged; the simplest thing that a log can be checked against.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Model<Id = EntryId> {
    attempted: BTreeSet<Id>,
    acknowledged: BTreeSet<Id>,
}

/// How a log broke its promise.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("acknowledged but lost: {lost:?}; never written but there: {invented:?}")]
pub struct Broken<Id: Debug> {
    /// What was acknowledged and is not there.
    pub lost: Vec<Id>,
    /// What is there and was never tried, or was refused.
    pub invented: Vec<Id>,
}

impl<Id> Default for Model<Id> {
    fn default() -> Self {
        Self { attempted: BTreeSet::new(), acknowledged: BTreeSet::new() }
    }
}

impl<Id: Ord + Copy + Debug> Model<Id> {
    /// Notes that a write begins; until more is known it may be there or not.
    pub fn attempted(&mut self, id: Id) {
        self.attempted.insert(id);
    }

    /// Notes that a write was acknowledged; it must be there from now on.
    pub fn acknowledged(&mut self, id: Id) {
        self.attempted.insert(id);
        self.acknowledged.insert(id);
    }

    /// Notes that a write was refused with a certain outcome; it must not be there, unless it was acknowledged before.
    pub fn refused(&mut self, id: Id) {
        if !self.acknowledged.contains(&id) {
            self.attempted.remove(&id);
        }
    }

    /// Notes that a write was acknowledged by a disk that is no more, and that nobody else had it: it may be there or not.
    pub fn excused(&mut self, id: Id) {
        self.acknowledged.remove(&id);
    }

    /// Returns how many writes were acknowledged.
    #[must_use]
    pub fn acknowledged_count(&self) -> usize {
        self.acknowledged.len()
    }

    /// Checks that nothing acknowledged is missing from `found`, and that nothing is in it that was not tried.
    ///
    /// # Errors
    /// [`Broken`], with what is lost and what is invented.
    pub fn check(&self, found: impl IntoIterator<Item = Id>) -> Result<(), Broken<Id>> {
        let found: BTreeSet<Id> = found.into_iter().collect();
        let lost: Vec<_> = self.acknowledged.difference(&found).copied().collect();
        let invented: Vec<_> = found.difference(&self.attempted).copied().collect();
        if lost.is_empty() && invented.is_empty() { Ok(()) } else { Err(Broken { lost, invented }) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_lost_and_what_is_invented_are_named() {
        let mut model = Model::default();
        model.acknowledged(1);
        model.attempted(2);
        model.attempted(3);
        model.refused(3);
        model.refused(1);
        assert_eq!(model.check([1]), Ok(()));
        assert_eq!(model.check([2, 1]), Ok(()));
        assert_eq!(model.check([2, 3]), Err(Broken { lost: vec![1], invented: vec![3] }));
    }
}
