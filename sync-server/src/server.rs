//! Starting and stopping.

use std::io::ErrorKind;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::atomic::AtomicU64;
use std::sync::{Arc, Mutex};
use std::thread::available_parallelism;

use embertally_core::facts::DeviceId;
use tokio::net::TcpListener;
use tokio::runtime::Handle;
use tokio::sync::{Semaphore, mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::timeout;

use crate::access::{Access, Role};
use crate::config::{Config, StoreChoice};
use crate::crews::{Crews, Job, Setting};
use crate::error::ServerError;
use crate::http;
use crate::hub::{App, Hub};
use crate::ids::CrewId;
use crate::listen;
use crate::metrics::Metrics;
use crate::shell;
use crate::stores::{CrewStores, Elsewhere, PostgresStores, SqliteStores};
use crate::tls::{Current, Place, private_folder};

/// The most threads for crews that are taken unless told.
const MOST_THREADS: usize = 4;

/// A server, to be started.
#[derive(Debug)]
pub struct Server;

/// A server that runs. It stops when this is shut down, and less gently when it is dropped.
pub struct Running {
    /// Where it listens.
    pub address: SocketAddr,
    /// SHA-256 of the certificate that it began with, as hexadecimal digits; none without TLS.
    pub fingerprint: Option<String>,
    /// The administrator's token, only at the very first start: it is not kept, and cannot be shown again.
    pub admin_token: Option<String>,
    /// This server's device.
    pub device: DeviceId,
    app: Arc<App>,
    accepting: JoinHandle<()>,
    at_work: mpsc::Receiver<()>,
}

impl std::fmt::Debug for Running {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Running").field("address", &self.address).finish_non_exhaustive()
    }
}

fn open_stores(config: &Config, runtime: &Handle) -> Result<Arc<dyn CrewStores>, ServerError> {
    match &config.store {
        StoreChoice::Sqlite => Ok(Arc::new(SqliteStores::open(&config.data)?)),
        StoreChoice::Postgres(url) => Ok(Arc::new(PostgresStores::open(url, runtime)?)),
    }
}

fn usable(folder: &Path) -> Result<(), ServerError> {
    private_folder(folder).map_err(|e| ServerError::Folder { path: folder.to_owned(), reason: e.to_string() })
}

impl Server {
    /// Starts a server within a tokio runtime of several threads.
    ///
    /// When this returns, it accepts connections.
    ///
    /// # Errors
    /// Any [`ServerError`]; nothing listens then.
    pub async fn start(config: Config) -> Result<Running, ServerError> {
        usable(&config.data)?;
        let opened = config.clone();
        let runtime = Handle::current();
        let stores = tokio::task::spawn_blocking(move || open_stores(&opened, &runtime))
            .await
            .map_err(|e| ServerError::Thread { reason: e.to_string() })??;
        let tls = Current::new(&config)?.map(Arc::new);
        let access = Arc::new(Access::open(stores.clone(), &config.limits)?);
        let listener = TcpListener::bind(config.listen)
            .await
            .and_then(|l| l.local_addr().map(|address| (l, address)))
            .map_err(|e| ServerError::Listen {
                address: config.listen,
                in_use: e.kind() == ErrorKind::AddrInUse,
                reason: e.to_string(),
            });
        let (listener, address) = listener?;
        // After that: a token that is shown once must not be made by a start that fails.
        let device = access.device(config.restored)?;
        let admin_token = access.first_admin()?;
        let metrics = Arc::new(Metrics::default());
        let setting = Arc::new(Setting {
            stores: stores.clone(),
            access: access.clone(),
            device,
            limits: config.limits.clone(),
            quota: config.quota,
            metrics: metrics.clone(),
        });
        let threads = match config.threads {
            0 => available_parallelism().map_or(1, usize::from).min(MOST_THREADS),
            n => n,
        };
        let fingerprint = tls.as_ref().map(|tls| tls.ready().fingerprint);
        let (working, at_work) = mpsc::channel(1);
        let app = Arc::new(App {
            access,
            crews: Crews::start(threads, &setting)?,
            stores,
            device,
            limits: config.limits.clone(),
            quota: config.quota,
            metrics,
            readers: Arc::new(Semaphore::new(config.limits.readers.max(1))),
            sessions: AtomicU64::new(0),
            closing: watch::Sender::new(false),
            at_work: Mutex::new(Some(working)),
            data: config.data.clone(),
            backups: config.backups.clone().unwrap_or_else(|| config.data.join("backups")),
            place: Place::new(&config, address, fingerprint.as_deref()),
            paths: http::paths(),
            found_ready: Mutex::default(),
        });
        watch_others(&app)?;
        look_now_and_then(&app, tls.clone());
        let mut routes = http::router(&app).merge(shell::routes());
        for extend in &config.extend {
            routes = routes.merge((extend.0)(Hub(app.clone())));
        }
        let routes = http::wrapped(&app, routes);
        let accepting = tokio::spawn(listen::accept(app.clone(), listener, tls, routes));
        tracing::info!(%address, %device, threads, store = ?config.store, "listening");
        Ok(Running { address, fingerprint, admin_token, device, app, accepting, at_work })
    }
}

/// Hears of what other servers over the same database write.
fn watch_others(app: &Arc<App>) -> Result<(), ServerError> {
    if !app.stores.shared() {
        return Ok(());
    }
    let told = Arc::downgrade(app);
    app.stores.watch(Box::new(move |what| {
        let Some(app) = told.upgrade() else { return false };
        app.crews.send(match what {
            Elsewhere::Crew(crew) => Job::Elsewhere { crew },
            Elsewhere::Anything => Job::Anything,
        })
    }))?;
    Ok(())
}

/// Looks every second for what is rarely changed, and by others: crews and tokens made or revoked by another server or
/// by the command line, and the files of the certificate.
fn look_now_and_then(app: &Arc<App>, tls: Option<Arc<Current>>) {
    let (known, every) = (Arc::downgrade(app), app.limits.look);
    let tls = tls.filter(|tls| tls.has_files());
    tokio::spawn(async move {
        let mut is_behind = false;
        loop {
            tokio::time::sleep(every).await;
            let Some(app) = known.upgrade() else { return };
            let tls = tls.clone();
            let looked = tokio::task::spawn_blocking(move || {
                match app.stores.registry_changed() {
                    Ok(changed) => is_behind |= changed,
                    Err(error) => tracing::warn!(code = error.code(), %error, "cannot look for new crews and tokens"),
                }
                if is_behind {
                    match app.access.reload() {
                        Ok(()) => is_behind = false,
                        Err(error) => tracing::warn!(code = error.code(), %error, "cannot read crews and tokens"),
                    }
                }
                app.access.close_writers();
                match tls.as_ref().map(|tls| tls.look()) {
                    Some(Ok(Some(fingerprint))) => {
                        app.place.shows(&fingerprint);
                        tracing::info!(fingerprint, "another certificate is used from now on");
                    }
                    Some(Err(error)) => {
                        app.metrics.certificate_unusable();
                        tracing::warn!(code = error.code(), %error, "the old certificate is kept");
                    }
                    _ => {}
                }
                is_behind
            });
            is_behind = looked.await.unwrap_or(true);
        }
    });
}

impl Server {
    /// Makes an invitation for the first crew of a server that runs in another process over the same data; that server
    /// knows it within a second or so. `None` if there is no crew.
    ///
    /// # Errors
    /// Any [`ServerError`] but those of listening.
    pub async fn invitation_beside(
        config: &Config,
        role: Role,
        label: &str,
    ) -> Result<Option<(CrewId, String)>, ServerError> {
        let (config, label, runtime) = (config.clone(), label.to_owned(), Handle::current());
        let making = move || {
            let access = Access::open(open_stores(&config, &runtime)?, &config.limits)?;
            let Some(crew) = access.crews().first().map(|crew| crew.id) else { return Ok(None) };
            let fingerprint = Current::new(&config)?.map(|tls| tls.ready().fingerprint);
            let (_, secret) = access.make_token(Some(crew), role, &label)?;
            let place = Place::new(&config, config.listen, fingerprint.as_deref());
            Ok(Some((crew, place.invitation(crew, &secret))))
        };
        tokio::task::spawn_blocking(making).await.map_err(|e| ServerError::Thread { reason: e.to_string() })?
    }
}

impl Running {
    /// Makes a crew, and a token for its devices; returns the crew and an invitation, which holds a secret and is not
    /// kept.
    ///
    /// # Errors
    /// [`ServerError::Store`], [`ServerError::NoRandom`].
    pub fn invite(&self, title: &str) -> Result<(CrewId, String), ServerError> {
        let crew = self.app.access.make_crew(title)?;
        let invitation = self.invitation(crew.id, Role::Writer, "first invitation")?;
        Ok((crew.id, invitation))
    }

    /// Makes a token for a crew that is there, as an invitation.
    ///
    /// # Errors
    /// [`ServerError::Store`], [`ServerError::NoRandom`].
    pub fn invitation(&self, crew: CrewId, role: Role, label: &str) -> Result<String, ServerError> {
        let (_, secret) = self.app.access.make_token(Some(crew), role, label)?;
        Ok(self.app.place.invitation(crew, &secret))
    }

    /// Says whose log a crew's is: the id of the crew that was founded in it. From now on members alone write to it.
    ///
    /// # Errors
    /// [`ServerError::Store`].
    pub fn anchor(&self, crew: CrewId, founded: embertally_core::facts::CrewId) -> Result<(), ServerError> {
        self.app.access.set_anchor(crew, founded)?;
        // Not waited for: whoever comes next finds it so.
        self.app.crews.send(Job::Elsewhere { crew });
        Ok(())
    }

    /// Returns the crews and tokens, to look at or to change.
    #[must_use]
    pub fn access(&self) -> &Access {
        &self.app.access
    }

    /// Returns what was counted, in Prometheus' text format.
    #[must_use]
    pub fn metrics(&self) -> String {
        self.app.metrics.to_text()
    }

    /// Returns what routes of others are given.
    #[must_use]
    pub fn hub(&self) -> Hub {
        Hub(self.app.clone())
    }

    /// Stops: accepts nothing more, tells every device that the server is closing, finishes what is being committed.
    ///
    /// Devices have as long as the limits say; those that do not read are cut off then. What was acknowledged is durable
    /// in any case.
    pub async fn shutdown(mut self) {
        tracing::info!("closing");
        self.app.closing.send_replace(true);
        // Dropped with the listener in it: from now on the system refuses connections.
        let _ = (&mut self.accepting).await;
        let app = self.app.clone();
        let stopped = tokio::task::spawn_blocking(move || app.crews.stop());
        if let Ok(mut at_work) = self.app.at_work.lock() {
            drop(at_work.take());
        }
        let limit = self.app.limits.shutdown;
        let late = timeout(limit, async {
            // Nobody sends on it: it ends when the last of those at work is gone.
            while self.at_work.recv().await.is_some() {}
        });
        if late.await.is_err() {
            tracing::warn!("some devices did not let go in time; they are cut off");
        }
        let _ = stopped.await;
        tracing::info!("closed");
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.app.closing.send_replace(true);
        self.accepting.abort();
        // Does nothing more after a shutdown.
        self.app.crews.send(Job::Stop);
    }
}
