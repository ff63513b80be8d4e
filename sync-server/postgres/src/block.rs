//! Waiting for the database on a thread that may wait.

use std::future::Future;

use embertally_core::store::StoreError;
use tokio::runtime::{Handle, RuntimeFlavor};
use tokio::task;

/// Runs `future` to its end on the calling thread; connections and timers live on `runtime`.
///
/// A thread of a runtime with one thread is refused, since nothing else would go on there; that includes its blocking
/// pool, which cannot be told apart.
pub(crate) fn on<F: Future>(runtime: &Handle, future: F) -> Result<F::Output, StoreError> {
    match Handle::try_current().map(|current| current.runtime_flavor()) {
        Err(_) => Ok(runtime.block_on(future)),
        Ok(RuntimeFlavor::MultiThread) => Ok(task::block_in_place(|| runtime.block_on(future))),
        Ok(_) => Err(misuse("called on a runtime of one thread, which must not wait; call it on a thread of its own")),
    }
}

/// Refuses a runtime on which nothing would drive the connections while a caller waits.
pub(crate) fn check(runtime: &Handle) -> Result<(), StoreError> {
    match runtime.runtime_flavor() {
        RuntimeFlavor::MultiThread => Ok(()),
        _ => Err(misuse("it needs a multi-threaded runtime to keep its connections on")),
    }
}

fn misuse(what: &str) -> StoreError {
    StoreError::Other { reason: format!("the PostgreSQL store was used wrongly: {what}"), source: None }
}
