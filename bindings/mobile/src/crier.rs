//! Tells observers what changed: from a thread of its own, at most every tenth of a second, with no lock held.

use std::sync::{Arc, Condvar, Mutex, PoisonError, Weak};
use std::time::Duration;

use crate::callbacks::Observer;
use crate::desk::{Desk, Result, held};
use crate::error::EmbertallyError;
use crate::long::guarded;
use crate::views::Changes;

/// The least time between two words.
const THROTTLE: Duration = Duration::from_millis(100);

#[derive(Default)]
struct News {
    pending: Changes,
    /// Something came from elsewhere: the log is to be read anew first.
    foreign: bool,
    observers: Vec<(u64, Arc<dyn Observer>)>,
    next: u64,
    ended: bool,
}

#[derive(Default)]
pub(crate) struct Crier {
    news: Mutex<News>,
    wake: Condvar,
}

/// As long as it is held, its observer is told.
#[derive(uniffi::Object)]
pub struct Observation {
    crier: Arc<Crier>,
    number: u64,
}

#[uniffi::export]
impl Observation {
    /// Ends it: after this returns no new word begins. One that is under way on the other thread may still end.
    pub fn stop(&self) {
        held(&self.crier.news).observers.retain(|(number, _)| *number != self.number);
    }
}

impl Drop for Observation {
    fn drop(&mut self) {
        self.stop();
    }
}

impl Crier {
    pub(crate) fn new() -> Arc<Self> {
        Arc::default()
    }

    /// Begins to tell of a desk's changes, until it is closed or gone.
    pub(crate) fn begin(self: &Arc<Self>, desk: &Arc<Desk>) -> Result<()> {
        let (own, hands) = (Arc::clone(self), desk.hands.clone());
        let desk = Arc::downgrade(desk);
        hands.spawn("embertally-crier", move || own.run(&desk)).map_err(|e| EmbertallyError::no_thread(&e))
    }

    pub(crate) fn observe(self: &Arc<Self>, observer: Arc<dyn Observer>) -> Arc<Observation> {
        let mut news = held(&self.news);
        news.next += 1;
        let number = news.next;
        news.observers.push((number, observer));
        drop(news);
        Arc::new(Observation { crier: Arc::clone(self), number })
    }

    pub(crate) fn changed(&self, register: bool, shots: bool) {
        let mut news = held(&self.news);
        news.pending.register |= register;
        news.pending.shots |= shots;
        self.wake.notify_all();
    }

    pub(crate) fn sync_changed(&self) {
        held(&self.news).pending.sync = true;
        self.wake.notify_all();
    }

    /// Something came from elsewhere and is durable.
    pub(crate) fn came(&self) {
        held(&self.news).foreign = true;
        self.wake.notify_all();
    }

    /// The same, where whoever brought it has read the log anew already.
    pub(crate) fn brought(&self, newly_live: u64, no_longer_live: u64) {
        let mut news = held(&self.news);
        let pending = news.pending;
        news.pending = Changes {
            register: true,
            shots: true,
            from_elsewhere: true,
            newly_live: pending.newly_live + newly_live,
            no_longer_live: pending.no_longer_live + no_longer_live,
            ..pending
        };
        self.wake.notify_all();
    }

    pub(crate) fn end(&self) {
        let mut news = held(&self.news);
        news.ended = true;
        news.observers.clear();
        self.wake.notify_all();
    }

    fn run(&self, desk: &Weak<Desk>) {
        loop {
            let mut news = held(&self.news);
            while !news.ended && !news.foreign && news.pending == Changes::default() {
                news = self.wake.wait(news).unwrap_or_else(PoisonError::into_inner);
            }
            let foreign = std::mem::take(&mut news.foreign);
            drop(news);
            if foreign {
                let Some(desk) = desk.upgrade() else { return };
                let read = guarded(&desk, || {
                    desk.log().refresh()?;
                    desk.confirm_joinings()?;
                    desk.read_anew()
                });
                // What could not be read now is read when it is next looked at.
                drop(read);
                self.brought(0, 0);
            }
            let mut news = held(&self.news);
            if news.ended {
                return;
            }
            let changes = std::mem::take(&mut news.pending);
            let observers: Vec<Arc<dyn Observer>> = news.observers.iter().map(|(_, o)| Arc::clone(o)).collect();
            drop(news);
            for observer in observers {
                // An app's own failure is not this log's.
                let _ = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| observer.changed(changes)));
            }
            let news = held(&self.news);
            let rest = self.wake.wait_timeout_while(news, THROTTLE, |news| !news.ended);
            if rest.unwrap_or_else(PoisonError::into_inner).0.ended {
                return;
            }
        }
    }
}
