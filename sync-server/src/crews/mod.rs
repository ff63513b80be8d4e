//! The crews' logs at work: each on one thread of a small pool, with the engines of its sessions beside it.
//!
//! A log is used by one thread at a time, and its calls wait for the disk; so logs live on threads of their own, crews
//! spread over them by their ids, and everything else talks to them by jobs. What waits for one crew is bounded: a
//! session reads its next frame only when there is room in its crew's inbox.

mod crew;
mod job;
mod line;
mod membership;
mod usage;
mod worker;

use std::collections::HashMap;
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::thread::JoinHandle;

use embertally_core::facts::{DeviceId, DocumentId};
use embertally_core::log::Log;
use tokio::sync::{Semaphore, mpsc, oneshot};

pub(crate) use job::{Frame, Job, SessionId, Work};
pub(crate) use line::{Line, Out, Reason};
pub(crate) use usage::Usage;

use crate::access::Access;
use crate::error::ServerError;
use crate::ids::CrewId;
use crate::limits::{Quota, ServerLimits};
use crate::metrics::Metrics;
use crate::stores::{BoxStore, CrewStores};

/// What every worker needs.
pub(crate) struct Setting {
    pub(crate) stores: Arc<dyn CrewStores>,
    pub(crate) access: Arc<Access>,
    pub(crate) device: DeviceId,
    pub(crate) limits: ServerLimits,
    pub(crate) quota: Quota,
    pub(crate) metrics: Arc<Metrics>,
}

/// The inbox of a crew counts in units of this many bytes.
const INBOX_UNIT: usize = 1024;

/// All crews.
pub(crate) struct Crews {
    workers: Vec<Sender<Job>>,
    threads: Mutex<Vec<JoinHandle<()>>>,
    inboxes: Mutex<HashMap<CrewId, Weak<Semaphore>>>,
    inbox_units: usize,
}

/// Returns how much of an inbox a frame takes.
pub(crate) fn units(bytes: usize, of: usize) -> u32 {
    u32::try_from((bytes / INBOX_UNIT + 1).min(of)).unwrap_or(u32::MAX)
}

impl Crews {
    /// Starts the threads.
    pub(crate) fn start(threads: usize, setting: &Arc<Setting>) -> Result<Self, ServerError> {
        let (mut workers, mut handles) = (Vec::new(), Vec::new());
        for n in 0..threads.max(1) {
            let (sender, jobs) = channel();
            let setting = setting.clone();
            let thread = std::thread::Builder::new()
                .name(format!("crews-{n}"))
                .spawn(move || worker::run(setting, &jobs))
                .map_err(|e| ServerError::Thread { reason: e.to_string() })?;
            workers.push(sender);
            handles.push(thread);
        }
        let inbox_units = (setting.limits.crew_inbox_bytes / INBOX_UNIT).max(1);
        Ok(Self { workers, threads: Mutex::new(handles), inboxes: Mutex::default(), inbox_units })
    }

    /// Hands a job to the thread of its crew; `false` if the server is closing.
    pub(crate) fn send(&self, job: Job) -> bool {
        let Some(crew) = job.crew() else { return self.workers.iter().all(|w| w.send(job.for_all()).is_ok()) };
        let (head, _) = crew.as_bytes().split_first_chunk::<8>().unwrap_or((&[0; 8], &[]));
        let worker = (u64::from_be_bytes(*head) % self.workers.len().max(1) as u64) as usize;
        self.workers.get(worker).is_some_and(|w| w.send(job).is_ok())
    }

    /// Returns the inbox of a crew: as many permits as it has room for, in units of a kilobyte.
    pub(crate) fn inbox(&self, crew: CrewId) -> Arc<Semaphore> {
        let mut inboxes = self.inboxes.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(there) = inboxes.get(&crew).and_then(Weak::upgrade) {
            return there;
        }
        inboxes.retain(|_, inbox| inbox.strong_count() > 0);
        let new = Arc::new(Semaphore::new(self.inbox_units));
        inboxes.insert(crew, Arc::downgrade(&new));
        new
    }

    /// Returns how much of an inbox a frame takes.
    pub(crate) fn units(&self, bytes: usize) -> u32 {
        units(bytes, self.inbox_units)
    }

    /// Does something with a crew's log on its thread, and tells its sessions of the documents that it changed. `None` if
    /// the log cannot be opened or the server is closing.
    pub(crate) async fn with_log<T, F>(&self, crew: CrewId, work: F) -> Option<T>
    where
        T: Send + 'static,
        F: FnOnce(&mut Log<BoxStore>) -> (T, Vec<DocumentId>) + Send + 'static,
    {
        let (done, answer) = oneshot::channel();
        let work: Work = Box::new(move |log| {
            let (value, changed) = work(log);
            // Whoever asked may have gone.
            let _ = done.send(value);
            changed
        });
        self.send(Job::Do { crew, work });
        answer.await.ok()
    }

    /// Returns the documents that change in a crew's log from now on, by whomever.
    pub(crate) fn listen(&self, crew: CrewId) -> mpsc::UnboundedReceiver<Arc<[DocumentId]>> {
        let (listener, changes) = mpsc::unbounded_channel();
        self.send(Job::Listen { crew, listener });
        changes
    }

    /// Ends all sessions and the threads; returns when the last commit is done.
    pub(crate) fn stop(&self) {
        self.send(Job::Stop);
        let threads = std::mem::take(&mut *self.threads.lock().unwrap_or_else(PoisonError::into_inner));
        for thread in threads {
            if thread.join().is_err() {
                tracing::error!("a crews' thread had died");
            }
        }
    }
}
