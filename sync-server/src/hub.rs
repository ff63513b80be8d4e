//! What the routes work with, and the part of it that is given to routes of others.

use std::net::IpAddr;
use std::path::PathBuf;
use std::sync::atomic::AtomicU64;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use axum::http::{HeaderMap, StatusCode};
use embertally_core::facts::{DeviceId, DocumentId};
use embertally_core::log::Log;
use tokio::sync::{Semaphore, mpsc, watch};

use crate::access::{Access, Role, Token, must_be_member, must_see};
use crate::clock::random_bits;
use crate::crews::Crews;
use crate::error::Problem;
use crate::ids::CrewId;
use crate::limits::{Quota, ServerLimits};
use crate::metrics::Metrics;
use crate::stores::{BoxStore, CrewStores};
use crate::tls::Place;

/// Everything that routes and sockets share.
pub(crate) struct App {
    pub(crate) access: Arc<Access>,
    pub(crate) crews: Crews,
    pub(crate) stores: Arc<dyn CrewStores>,
    pub(crate) device: DeviceId,
    pub(crate) limits: ServerLimits,
    pub(crate) quota: Quota,
    pub(crate) metrics: Arc<Metrics>,
    pub(crate) readers: Arc<Semaphore>,
    pub(crate) sessions: AtomicU64,
    pub(crate) closing: watch::Sender<bool>,
    pub(crate) at_work: Mutex<Option<mpsc::Sender<()>>>,
    pub(crate) data: PathBuf,
    pub(crate) backups: PathBuf,
    pub(crate) place: Place,
    pub(crate) paths: Vec<&'static str>,
    /// When the stores were last found ready.
    pub(crate) found_ready: Mutex<Option<Instant>>,
}

impl App {
    /// Counts whoever holds this as at work, which shutdown waits for.
    pub(crate) fn alive(&self) -> Option<mpsc::Sender<()>> {
        self.at_work.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Waits until the server closes.
    pub(crate) async fn until_closing(&self) {
        let mut closing = self.closing.subscribe();
        // The sender lives as long as this does, so it ends by a closing only. What it gives holds a lock: drop it.
        drop(closing.wait_for(|is| *is).await);
    }

    /// Does something with a crew's log on a thread of its own, over a store of its own, so that long reading holds up
    /// no conversation.
    pub(crate) async fn read<T, F>(self: &Arc<Self>, crew: CrewId, work: F) -> Result<T, Problem>
    where
        T: Send + 'static,
        F: FnOnce(&mut Log<BoxStore>) -> Result<T, Problem> + Send + 'static,
    {
        let place = tokio::time::timeout(self.limits.request / 2, self.readers.clone().acquire_owned()).await;
        let Ok(Ok(place)) = place else {
            let detail = "the server is busy working out other tables; try again";
            return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, "E_SERVER_BUSY", detail).retry(10));
        };
        let (stores, access) = (self.stores.clone(), self.access.clone());
        blocking(move || {
            let _place = place;
            let mut log = Log::open(stores.open(crew)?, random_bits);
            // Only what stands up counts, also where the crew's own log has not been opened since.
            if let Some(anchor) = access.anchor(crew)
                && log.crew()? != Some(anchor)
            {
                log.set_crew(anchor)?;
            }
            work(&mut log)
        })
        .await?
    }
}

/// Runs something that waits for a disk.
pub(crate) async fn blocking<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Problem> {
    tokio::task::spawn_blocking(work).await.map_err(|error| {
        tracing::error!(%error, "a fault in this program");
        Problem::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "E_INTERNAL",
            "a fault in the server; whoever runs it finds it in its log",
        )
    })
}

/// A way into the server for routes of others: who is calling, and the crews' logs.
#[derive(Clone)]
pub struct Hub(pub(crate) Arc<App>);

impl std::fmt::Debug for Hub {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Hub(…)")
    }
}

impl Hub {
    /// Finds the token of a request by its `Authorization` header.
    ///
    /// # Errors
    /// A [`Problem`] to answer with.
    pub fn admit(&self, headers: &HeaderMap, address: IpAddr) -> Result<Arc<Token>, Problem> {
        self.0.access.admit(headers, address)
    }

    /// Tells whether a token may see, and whether it may write, a crew's log.
    ///
    /// # Errors
    /// A [`Problem`] if it may not see it.
    pub fn may_write(&self, token: &Token, crew: CrewId) -> Result<bool, Problem> {
        must_see(token, crew)?;
        Ok(token.record().role == Role::Writer && must_be_member(&self.0.access, token).is_ok())
    }

    /// Waits until a token is revoked.
    pub async fn until_revoked(&self, token: &Token) {
        token.until_revoked().await;
    }

    /// Waits until the server closes.
    pub async fn until_closing(&self) {
        self.0.until_closing().await;
    }

    /// Returns this server's device.
    #[must_use]
    pub fn device(&self) -> DeviceId {
        self.0.device
    }

    /// Returns the server's limits.
    #[must_use]
    pub fn limits(&self) -> &ServerLimits {
        &self.0.limits
    }

    /// Does something with a crew's log on its thread; the documents returned beside the value are those that it
    /// changed, which the crew's other sessions are then told of. `None` if the log cannot be opened.
    pub async fn with_log<T, F>(&self, crew: CrewId, work: F) -> Option<T>
    where
        T: Send + 'static,
        F: FnOnce(&mut Log<BoxStore>) -> (T, Vec<DocumentId>) + Send + 'static,
    {
        self.0.crews.with_log(crew, work).await
    }

    /// Returns the documents that change in a crew's log from now on, by whomever, until it is dropped.
    #[must_use]
    pub fn listen(&self, crew: CrewId) -> mpsc::UnboundedReceiver<Arc<[DocumentId]>> {
        self.0.crews.listen(crew)
    }
}
