//! The threads that may be calling the shell back, so that closing can wait for them.
//!
//! A shell that ends while one of them is on its way back from a callback may be torn down under it: Python's interpreter
//! ends such threads by force, which no Rust frame survives.

use std::cell::Cell;
use std::io;
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::Duration;

use crate::desk::held;

/// How long closing waits at most.
const PATIENCE: Duration = Duration::from_millis(500);

thread_local! {
    static OURS: Cell<bool> = const { Cell::new(false) };
}

/// How many threads are out.
#[derive(Clone, Default)]
pub(crate) struct Hands(Arc<(Mutex<usize>, Condvar)>);

/// One of them; home again when dropped.
struct Out(Hands);

impl Drop for Out {
    fn drop(&mut self) {
        *held(&self.0.0.0) -= 1;
        self.0.0.1.notify_all();
    }
}

impl Hands {
    /// Does work on a thread of its own.
    pub(crate) fn spawn(&self, name: &str, work: impl FnOnce() + Send + 'static) -> io::Result<()> {
        *held(&self.0.0) += 1;
        let out = Out(self.clone());
        let run = move || {
            let _out = out;
            OURS.set(true);
            work();
        };
        std::thread::Builder::new().name(name.to_owned()).spawn(run).map(drop)
    }

    /// Waits until all are home, half a second at most; one of them does not wait for itself.
    pub(crate) fn wait(&self) {
        if !OURS.get() {
            let out = held(&self.0.0);
            drop(self.0.1.wait_timeout_while(out, PATIENCE, |out| *out > 0).unwrap_or_else(PoisonError::into_inner));
        }
    }
}
