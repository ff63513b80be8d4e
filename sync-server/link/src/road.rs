//! The network's side of all conversations: tasks on a thread of their own, and the one queue to the log's thread.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use mdns_sd::{Receiver, ServiceEvent};
use tokio::net::{TcpListener, TcpStream};
use tokio::runtime::{Builder, Runtime};
use tokio::sync::{Semaphore, mpsc, watch};
use tokio_rustls::TlsAcceptor;

use crate::code::Code;
use crate::connect::connect;
use crate::direct;
use crate::error::LinkError;
use crate::invitation::{Address, Invitation};
use crate::line::{Arrival, LineId, WAITING, outbox, pump, reason};
use crate::nearby::found;
use crate::patience::Patience;
use crate::tls;
use crate::visit::Caller;
use crate::wire::{Wire, tcp};

/// Devices that may be proving themselves at one time; a crowd of strangers waits outside.
const PROVING: usize = 8;
/// Devices that may talk with this one at one time, of those that called it.
const CALLERS: usize = 32;

/// Ends a courier's run from another thread.
#[derive(Debug, Clone)]
pub struct Stopper(Arc<watch::Sender<bool>>);

impl Stopper {
    /// Ends the run: conversations are closed properly, which takes up to three seconds.
    pub fn stop(&self) {
        self.0.send_replace(true);
    }

    /// Tells whether the run is to end.
    #[must_use]
    pub fn is_stopped(&self) -> bool {
        *self.0.borrow()
    }
}

/// Why the log's thread woke.
pub(crate) enum Woken {
    Arrival(Arrival),
    Time,
    Stopped,
}

/// The network.
pub(crate) struct Road {
    runtime: Option<Runtime>,
    queue: mpsc::Sender<Arrival>,
    arrivals: mpsc::Receiver<Arrival>,
    stopper: Stopper,
    stopped: watch::Receiver<bool>,
    next: Arc<AtomicU64>,
    pub(crate) patience: Patience,
}

impl Drop for Road {
    fn drop(&mut self) {
        // A name that is being looked up cannot be interrupted, and nobody waits for it any more.
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

impl Road {
    pub(crate) fn new(patience: Patience) -> Result<Self, LinkError> {
        let runtime = Builder::new_multi_thread()
            .worker_threads(1)
            .thread_name("embertally-link")
            .enable_all()
            .build()
            .map_err(|e| LinkError::Device { what: format!("begin a thread: {e}") })?;
        let (queue, arrivals) = mpsc::channel(WAITING);
        let (stop, stopped) = watch::channel(false);
        let stopper = Stopper(Arc::new(stop));
        Ok(Self { runtime: Some(runtime), queue, arrivals, stopper, stopped, next: Arc::default(), patience })
    }

    pub(crate) fn stopper(&self) -> Stopper {
        self.stopper.clone()
    }

    fn spawn(&self, task: impl Future<Output = ()> + Send + 'static) {
        if let Some(runtime) = &self.runtime {
            runtime.spawn(task);
        }
    }

    /// Waits for the next arrival, at most until a time.
    pub(crate) fn wait(&mut self, until: Instant, heed_stop: bool) -> Woken {
        let Some(runtime) = &self.runtime else { return Woken::Stopped };
        let (arrivals, stopped) = (&mut self.arrivals, &mut self.stopped);
        runtime.block_on(async {
            tokio::select! {
                biased;
                _ = stopped.wait_for(|stopped| *stopped), if heed_stop => Woken::Stopped,
                arrival = arrivals.recv() => arrival.map_or(Woken::Stopped, Woken::Arrival),
                () = tokio::time::sleep_until(until.into()) => Woken::Time,
            }
        })
    }

    fn line(next: &AtomicU64) -> LineId {
        LineId(next.fetch_add(1, Ordering::Relaxed))
    }

    /// Connects, proves what is to be proved, and then carries frames; the outcome arrives in the queue.
    fn dial(
        &self,
        connecting: impl Future<Output = Result<(Box<Wire>, String), LinkError>> + Send + 'static,
    ) -> LineId {
        let (line, queue, patience) = (Self::line(&self.next), self.queue.clone(), self.patience);
        self.spawn(async move {
            match connecting.await {
                Ok((wire, place)) => open(wire, line, place, true, queue, patience).await,
                // Nobody listens any more when the run has ended.
                Err(error) => drop(queue.send(Arrival::Failed { line, error }).await),
            }
        });
        line
    }

    /// Calls a server.
    pub(crate) fn call_server(&self, invitation: &Invitation, caller: &Caller) -> LineId {
        let (invitation, caller, limit) = (invitation.clone(), caller.clone(), self.patience.step);
        self.dial(async move { connect(&invitation, &caller, limit).await })
    }

    /// Calls another device at an address that a person gave.
    pub(crate) fn call_device(&self, address: &Address, code: &Code) -> LineId {
        let (address, code, limit) = (address.clone(), code.clone(), self.patience.step);
        self.dial(async move {
            let place = address.to_string();
            let stream = tcp(address.host(), address.port(), &place, limit).await?;
            Ok((direct::call(stream, &code, &place).await?, place))
        })
    }

    /// Calls another device at the addresses that it announced.
    pub(crate) fn call_found(&self, addresses: &[SocketAddr], code: &Code) -> LineId {
        let (addresses, code) = (addresses.to_vec(), code.clone());
        self.dial(async move {
            let mut last = LinkError::Unreachable { place: "the device".to_owned(), what: "no address".to_owned() };
            for address in addresses {
                let place = address.to_string();
                let open = async {
                    let unreachable =
                        |e: std::io::Error| LinkError::Unreachable { place: place.clone(), what: reason(&e) };
                    let stream = TcpStream::connect(address).await.map_err(unreachable)?;
                    let _ = stream.set_nodelay(true);
                    direct::call(stream, &code, &place).await
                };
                match tokio::time::timeout(Duration::from_secs(8), open).await {
                    Ok(Ok(wire)) => return Ok((wire, place)),
                    Ok(Err(error)) => last = error,
                    Err(_) => last = LinkError::TimedOut { place: place.clone(), step: "connecting" },
                }
            }
            Err(last)
        })
    }

    /// Answers other devices; returns where.
    pub(crate) fn listen(&self, address: SocketAddr, code: &Code) -> Result<SocketAddr, LinkError> {
        let failed = |e: std::io::Error| LinkError::Listen { place: address.to_string(), what: e.to_string() };
        let Some(runtime) = &self.runtime else { return Ok(address) };
        let listener = runtime.block_on(TcpListener::bind(address)).map_err(failed)?;
        let bound = listener.local_addr().map_err(failed)?;
        let acceptor = TlsAcceptor::from(Arc::new(tls::device_server()?));
        let (queue, next) = (self.queue.clone(), Arc::clone(&self.next));
        self.spawn(answer_all(listener, acceptor, code.clone(), queue, next, self.patience));
        Ok(bound)
    }

    /// Passes on which devices of the crew are found.
    pub(crate) fn watch(&self, events: Receiver<ServiceEvent>, code: &Code, own: &str) {
        let (queue, code, own) = (self.queue.clone(), code.clone(), own.to_owned());
        self.spawn(async move {
            while let Ok(event) = events.recv_async().await {
                if let Some(found) = found(&event, &code, &own)
                    && queue.send(Arrival::Found(found)).await.is_err()
                {
                    return;
                }
            }
        });
    }
}

/// Tells the log's thread of a connection that stands, and carries its frames until it ends.
async fn open(
    wire: Box<Wire>,
    line: LineId,
    place: String,
    opens: bool,
    queue: mpsc::Sender<Arrival>,
    patience: Patience,
) {
    let (outbox, outgoings) = outbox();
    let opened = Arrival::Opened { line, place: place.clone(), opens, outbox };
    if queue.send(opened).await.is_ok() {
        pump(wire, line, place, outgoings, queue, patience).await;
    }
}

async fn answer_all(
    listener: TcpListener,
    acceptor: TlsAcceptor,
    code: Code,
    queue: mpsc::Sender<Arrival>,
    next: Arc<AtomicU64>,
    patience: Patience,
) {
    let (proving, callers) = (Arc::new(Semaphore::new(PROVING)), Arc::new(Semaphore::new(CALLERS)));
    loop {
        let Ok(permit) = Arc::clone(&proving).acquire_owned().await else { return };
        let (stream, place) = match listener.accept().await {
            Ok((stream, address)) => (stream, address.to_string()),
            Err(_) => {
                // The system is out of something, or the caller has gone already.
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            }
        };
        let (acceptor, code, queue, callers) = (acceptor.clone(), code.clone(), queue.clone(), Arc::clone(&callers));
        let line = Road::line(&next);
        tokio::spawn(async move {
            let proved = direct::answer(stream, &acceptor, &code, &place).await;
            drop(permit);
            match proved {
                Ok(wire) => {
                    // One crew has fewer devices; the next one finds room when another has gone.
                    if let Ok(_caller) = callers.try_acquire() {
                        open(wire, line, place, false, queue, patience).await;
                    }
                }
                Err(error) => drop(queue.send(Arrival::Failed { line, error }).await),
            }
        });
    }
}
