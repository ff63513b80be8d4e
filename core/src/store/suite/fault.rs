//! Making the n-th storage operation fail.

use std::sync::{Arc, Mutex, PoisonError};

use crate::store::StoreError;

/// A way for one storage operation to fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// No room is left.
    Full,
    /// No memory is left.
    OutOfMemory,
    /// The store as a whole is found damaged.
    Damaged,
    /// The device failed to read or write.
    Io,
}

impl Fault {
    /// Every fault.
    pub const ALL: [Self; 4] = [Self::Full, Self::OutOfMemory, Self::Damaged, Self::Io];

    /// Returns the error that stands for this fault.
    #[must_use]
    pub fn error(self) -> StoreError {
        match self {
            Self::Full => StoreError::Full,
            Self::OutOfMemory => StoreError::OutOfMemory,
            Self::Damaged => StoreError::Damaged { what: "injected".to_owned() },
            Self::Io => StoreError::Other { reason: "injected".to_owned(), source: None },
        }
    }

    /// Tells whether `error` is of the class that a store should report for this fault.
    ///
    /// A device that fails while a commit is made durable leaves the outcome unknown; the other faults never do.
    #[must_use]
    pub fn explains(self, error: &StoreError) -> bool {
        matches!(
            (self, error),
            (Self::Full, StoreError::Full)
                | (Self::OutOfMemory, StoreError::OutOfMemory)
                | (Self::Damaged, StoreError::Damaged { .. })
                | (Self::Io, StoreError::Other { .. } | StoreError::OutcomeUnknown { .. })
        )
    }
}

/// The switch that makes one operation of a store fail; clones are the same switch.
///
/// A store under test asks [`Faults::step`] before each operation on its storage.
#[derive(Debug, Clone, Default)]
pub struct Faults(Arc<Mutex<State>>);

#[derive(Debug, Default)]
struct State {
    armed: Option<(u64, Fault)>,
    steps: u64,
}

impl Faults {
    /// Lets the `nth` operation from now fail, counted from 1, and only that one.
    pub fn arm(&self, nth: u64, fault: Fault) {
        self.with(|state| state.armed = Some((nth, fault)));
    }

    /// Lets nothing fail any more; returns whether the armed operation had been reached.
    pub fn disarm(&self) -> bool {
        self.with(|state| state.armed.take().is_none())
    }

    /// Counts one operation; returns the fault it must fail with, if it is the one.
    #[must_use]
    pub fn step(&self) -> Option<Fault> {
        self.with(|state| {
            state.steps += 1;
            let (nth, fault) = state.armed.take()?;
            if nth <= 1 {
                return Some(fault);
            }
            state.armed = Some((nth - 1, fault));
            None
        })
    }

    /// Returns how many operations were counted so far.
    #[must_use]
    pub fn steps(&self) -> u64 {
        self.with(|state| state.steps)
    }

    fn with<T>(&self, change: impl FnOnce(&mut State) -> T) -> T {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_armed_operation_fails() {
        let faults = Faults::default();
        faults.arm(3, Fault::Full);
        let seen: Vec<_> = (0..5).map(|_| faults.step()).collect();
        assert_eq!(seen, [None, None, Some(Fault::Full), None, None]);
        assert!(faults.disarm());
        faults.arm(1, Fault::Io);
        assert!(!faults.disarm());
        assert_eq!((faults.step(), faults.steps()), (None, 6));
    }
}
