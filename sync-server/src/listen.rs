//! Accepting connections: who may come, TLS, and handing them to the routes.

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use axum::Router;
use axum::extract::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::timeout;
use tokio_rustls::TlsAcceptor;

use crate::access::source;
use crate::bucket::Buckets;
use crate::hub::App;
use crate::tls::Current;

/// The most bytes of a request's head.
const HEAD_BYTES: usize = 16 << 10;

/// How long to wait after the system could not accept (no file handles left).
const BREATH: Duration = Duration::from_millis(50);

/// Counts connections by address.
pub(crate) struct Door {
    here: Mutex<HashMap<IpAddr, usize>>,
    joins: Mutex<Buckets<IpAddr>>,
    most: usize,
    most_each: usize,
}

/// One connection; it counts against its address until this is dropped. Every request has it as an extension,
/// `Extension<Arc<Visit>>`; whoever upgrades a connection keeps it for as long as that lasts.
pub struct Visit {
    door: Arc<Door>,
    app: Arc<App>,
    address: IpAddr,
}

fn held<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Visit {
    /// Returns the address it comes from.
    #[must_use]
    pub fn address(&self) -> IpAddr {
        self.address
    }
}

impl std::fmt::Debug for Visit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Visit").field("address", &self.address).finish_non_exhaustive()
    }
}

impl Drop for Visit {
    fn drop(&mut self) {
        self.app.metrics.connections.fetch_sub(1, Ordering::Relaxed);
        let mut here = held(&self.door.here);
        let key = source(self.address);
        if let Some(count) = here.get_mut(&key) {
            *count -= 1;
            if *count == 0 {
                here.remove(&key);
            }
        }
    }
}

impl Door {
    pub(crate) fn new(app: &App) -> Arc<Self> {
        let limits = &app.limits;
        Arc::new(Self {
            here: Mutex::default(),
            joins: Mutex::new(Buckets::new(limits.joins_at_once, f64::from(limits.joins_per_s))),
            most: limits.connections,
            most_each: limits.connections_per_address,
        })
    }

    /// Lets a connection in, or says by which code not.
    fn enter(self: &Arc<Self>, app: &Arc<App>, address: IpAddr) -> Result<Visit, &'static str> {
        let key = source(address);
        if !held(&self.joins).take(key, Instant::now()) {
            return Err("E_SERVER_JOINS");
        }
        let mut here = held(&self.here);
        if app.metrics.connections.load(Ordering::Relaxed) >= i64::try_from(self.most).unwrap_or(i64::MAX) {
            return Err("E_SERVER_FULL");
        }
        let count = here.entry(key).or_default();
        if *count >= self.most_each {
            return Err("E_SERVER_ADDRESS");
        }
        *count += 1;
        app.metrics.connections.fetch_add(1, Ordering::Relaxed);
        Ok(Visit { door: self.clone(), app: app.clone(), address: address.to_canonical() })
    }
}

/// Accepts connections until the server closes.
pub(crate) async fn accept(app: Arc<App>, listener: TcpListener, tls: Option<Arc<Current>>, routes: Router) {
    let door = Door::new(&app);
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = app.until_closing() => return,
        };
        let (stream, from) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                // One that went before it was accepted, or no file handles left: the others go on.
                if !matches!(error.kind(), io::ErrorKind::ConnectionAborted | io::ErrorKind::ConnectionReset) {
                    tracing::warn!(%error, "cannot accept a connection");
                    tokio::time::sleep(BREATH).await;
                }
                continue;
            }
        };
        match door.enter(&app, from.ip()) {
            Ok(visit) => {
                let acceptor = tls.as_ref().map(|tls| tls.ready().acceptor);
                tokio::spawn(connection(app.clone(), stream, from, acceptor, routes.clone(), visit));
            }
            // Closed without a word: saying why would cost more than it took to come.
            Err(code) => app.metrics.refused(code),
        }
    }
}

async fn connection(
    app: Arc<App>,
    stream: TcpStream,
    from: SocketAddr,
    tls: Option<TlsAcceptor>,
    routes: Router,
    visit: Visit,
) {
    let _alive = app.alive();
    // Frames are small and wait for nothing.
    let _ = stream.set_nodelay(true);
    let visit = Arc::new(visit);
    match tls {
        None => serve(&app, stream, routes, visit).await,
        Some(acceptor) => match timeout(app.limits.opening, acceptor.accept(stream)).await {
            Ok(Ok(stream)) => serve(&app, stream, routes, visit).await,
            Ok(Err(error)) => {
                app.metrics.refused("E_SERVER_TLS");
                tracing::debug!(%from, %error, "no TLS");
            }
            Err(_) => app.metrics.refused("E_SERVER_SILENT"),
        },
    }
}

async fn serve<S>(app: &Arc<App>, stream: S, routes: Router, visit: Arc<Visit>)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let service = TowerToHyperService::new(WithVisit { routes, visit });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(app.limits.opening)
        .max_buf_size(HEAD_BYTES)
        .serve_connection(TokioIo::new(stream), service)
        .with_upgrades();
    tokio::pin!(connection);
    let ended = tokio::select! {
        ended = &mut connection => ended,
        () = app.until_closing() => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%error, "connection ended");
    }
}

/// Puts who is visiting into each request.
#[derive(Clone)]
struct WithVisit {
    routes: Router,
    visit: Arc<Visit>,
}

impl tower_service::Service<Request<Incoming>> for WithVisit {
    type Response = axum::response::Response;
    type Error = std::convert::Infallible;
    type Future = <Router as tower_service::Service<Request<Incoming>>>::Future;

    fn poll_ready(&mut self, context: &mut std::task::Context<'_>) -> std::task::Poll<Result<(), Self::Error>> {
        tower_service::Service::<Request<Incoming>>::poll_ready(&mut self.routes, context)
    }

    fn call(&mut self, mut request: Request<Incoming>) -> Self::Future {
        request.extensions_mut().insert(self.visit.clone());
        self.routes.call(request)
    }
}
