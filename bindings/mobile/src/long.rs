//! What may take long: on a thread of its own, with a future that can be let go.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::oneshot;

use crate::desk::Desk;
use crate::error::EmbertallyError;

type Hook = Box<dyn FnOnce() + Send>;

/// Tells work that nobody waits for it any more.
#[derive(Clone, Default)]
pub(crate) struct Cancel(Arc<(AtomicBool, Mutex<Option<Hook>>)>);

impl Cancel {
    /// Refuses to go on once the work was cancelled.
    pub(crate) fn check(&self) -> Result<(), EmbertallyError> {
        if self.0.0.load(Ordering::Acquire) { Err(EmbertallyError::Cancelled) } else { Ok(()) }
    }

    /// Has something done when the work is cancelled; at once, if it was.
    pub(crate) fn then(&self, hook: impl FnOnce() + Send + 'static) {
        *self.0.1.lock().unwrap_or_else(PoisonError::into_inner) = Some(Box::new(hook));
        if self.check().is_err() {
            self.cancel();
        }
    }

    fn cancel(&self) {
        self.0.0.store(true, Ordering::Release);
        let hook = self.0.1.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(hook) = hook {
            hook();
        }
    }
}

/// Cancels when the future is let go.
struct LetGo(Cancel);

impl Drop for LetGo {
    fn drop(&mut self) {
        self.0.cancel();
    }
}

/// Turns a panic into an error; what the desk holds in memory is read anew after one.
pub(crate) fn guarded<T>(desk: &Desk, work: impl FnOnce() -> Result<T, EmbertallyError>) -> Result<T, EmbertallyError> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|panic| {
        desk.distrust();
        let text = panic.downcast_ref::<&str>().map(ToString::to_string).or(panic.downcast_ref::<String>().cloned());
        let text = text.unwrap_or_default();
        Err(EmbertallyError::Bug { reason: format!("A mistake in this program, not in your log: {text}.") })
    })
}

/// Does work on a thread of its own.
pub(crate) async fn long<T: Send + 'static>(
    desk: &Arc<Desk>,
    work: impl FnOnce(&Arc<Desk>, &Cancel) -> Result<T, EmbertallyError> + Send + 'static,
) -> Result<T, EmbertallyError> {
    let (done, wait) = oneshot::channel();
    let cancel = Cancel::default();
    let _let_go = LetGo(cancel.clone());
    let hands = desk.hands.clone();
    let desk = Arc::clone(desk);
    let run = move || {
        let result = guarded(&desk, || work(&desk, &cancel));
        // Whoever waited may have gone.
        let _ = done.send(result);
    };
    hands.spawn("embertally-long", run).map_err(|e| EmbertallyError::no_thread(&e))?;
    wait.await.unwrap_or_else(|_| Err(EmbertallyError::Bug { reason: "The work ended without an answer.".to_owned() }))
}
