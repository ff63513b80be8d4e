//! A line between a device and the server that breaks in the ways in which lines break.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use embertally_testkit::Rng;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::sleep;

/// How a connection ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Fate {
    /// Both sides are closed, in the middle of whatever was being said.
    Cut,
    /// Both sides are reset.
    Reset,
    /// What the device says is swallowed, and nobody is told.
    DeafToDevice,
    /// What the server says is swallowed.
    DeafToServer,
    /// Both; the connection is never closed.
    HalfOpen,
    /// Nothing more is taken from either side: their buffers fill.
    Stuck,
}

pub(crate) const FATES: [Fate; 6] =
    [Fate::Cut, Fate::Reset, Fate::DeafToDevice, Fate::DeafToServer, Fate::HalfOpen, Fate::Stuck];

/// The most bytes after which a connection meets its fate: some do in the handshake, some after a few volleys.
const LONGEST: u64 = 12_000;

/// One connection.
struct Line {
    fate: Fate,
    /// After how many bytes of both directions; none while the line is well.
    after: Option<u64>,
    passed: AtomicU64,
    /// Whether bytes from the device (0) or the server (1) are swallowed.
    swallows: [AtomicBool; 2],
    is_well: AtomicBool,
    over: watch::Sender<bool>,
}

impl Line {
    fn end(&self) {
        self.over.send_replace(true);
    }
}

struct Inner {
    server: SocketAddr,
    rng: Mutex<Rng>,
    is_well: AtomicBool,
    is_parted: AtomicBool,
    made: AtomicU64,
    lines: Mutex<Vec<Arc<Line>>>,
    met: Mutex<BTreeMap<Fate, usize>>,
}

/// A place to call instead of the server's.
pub(crate) struct Proxy {
    pub(crate) address: SocketAddr,
    inner: Arc<Inner>,
    accepting: JoinHandle<()>,
}

impl Proxy {
    /// Begins with lines that all break.
    pub(crate) async fn start(server: SocketAddr, rng: Rng) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let inner = Arc::new(Inner {
            server,
            rng: Mutex::new(rng),
            is_well: AtomicBool::new(false),
            is_parted: AtomicBool::new(false),
            made: AtomicU64::new(0),
            lines: Mutex::default(),
            met: Mutex::default(),
        });
        let accepting = tokio::spawn(accept(listener, inner.clone()));
        Self { address, inner, accepting }
    }

    /// Returns how many connections were made so far.
    pub(crate) fn made(&self) -> u64 {
        self.inner.made.load(Ordering::SeqCst)
    }

    /// Returns how often each fate was met.
    pub(crate) fn met(&self) -> BTreeMap<Fate, usize> {
        self.inner.met.lock().unwrap().clone()
    }

    /// From now on every byte is swallowed, those of new connections too; nobody is told.
    pub(crate) fn part(&self) {
        self.inner.is_parted.store(true, Ordering::SeqCst);
        for line in self.inner.lines.lock().unwrap().iter() {
            line.swallows.iter().for_each(|s| s.store(true, Ordering::SeqCst));
        }
    }

    /// From now on new connections are well, and so are those that had met no fate. What was swallowed stays lost, and
    /// a connection of which something was swallowed never comes back: both sides must notice that by themselves.
    pub(crate) fn heal(&self) {
        self.inner.is_well.store(true, Ordering::SeqCst);
        self.inner.is_parted.store(false, Ordering::SeqCst);
        self.inner.lines.lock().unwrap().iter().for_each(|line| line.is_well.store(true, Ordering::SeqCst));
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.accepting.abort();
        self.inner.lines.lock().unwrap().iter().for_each(|line| line.end());
    }
}

async fn accept(listener: TcpListener, inner: Arc<Inner>) {
    while let Ok((device, _)) = listener.accept().await {
        let is_well = inner.is_well.load(Ordering::SeqCst);
        let is_parted = inner.is_parted.load(Ordering::SeqCst);
        let (fate, after, rngs) = {
            let mut rng = inner.rng.lock().unwrap();
            (*rng.pick(&FATES), rng.in_range(0..=LONGEST), [rng.fork(), rng.fork()])
        };
        let line = Arc::new(Line {
            fate,
            after: (!is_well && !is_parted).then_some(after),
            passed: AtomicU64::new(0),
            swallows: [AtomicBool::new(is_parted), AtomicBool::new(is_parted)],
            is_well: AtomicBool::new(is_well),
            over: watch::Sender::new(false),
        });
        inner.lines.lock().unwrap().push(line.clone());
        inner.made.fetch_add(1, Ordering::SeqCst);
        if is_parted {
            // The device's own system answered; nobody else will.
            tokio::spawn(async move {
                let _device = device;
                until_over(&line).await;
            });
            continue;
        }
        let Ok(server) = TcpStream::connect(inner.server).await else { continue };
        let _ = (device.set_nodelay(true), server.set_nodelay(true));
        let ((from_device, to_device), (from_server, to_server)) = (device.into_split(), server.into_split());
        let [up, down] = rngs;
        tokio::spawn(carry(from_device, to_server, 0, line.clone(), inner.clone(), up));
        tokio::spawn(carry(from_server, to_device, 1, line, inner.clone(), down));
    }
}

async fn until_over(line: &Line) {
    let _ = line.over.subscribe().wait_for(|over| *over).await;
}

/// Carries one direction of a connection.
async fn carry(mut from: OwnedReadHalf, to: OwnedWriteHalf, way: usize, line: Arc<Line>, inner: Arc<Inner>, rng: Rng) {
    let over = line.clone();
    let mut to = to;
    tokio::select! {
        () = carried(&mut from, &mut to, way, &line, &inner, rng) => {}
        () = until_over(&over) => {}
    }
}

async fn carried(
    from: &mut OwnedReadHalf,
    to: &mut OwnedWriteHalf,
    way: usize,
    line: &Line,
    inner: &Inner,
    mut rng: Rng,
) {
    let mut buffer = vec![0; 4096];
    let swallows = || line.swallows[way].load(Ordering::SeqCst);
    loop {
        let n = match from.read(&mut buffer).await {
            // A farewell is lost like everything else.
            Ok(0) | Err(_) if swallows() => return std::future::pending().await,
            Ok(0) | Err(_) => {
                let _ = to.shutdown().await;
                return;
            }
            Ok(n) => n,
        };
        if !line.is_well.load(Ordering::SeqCst) {
            // Lines are slow before they break.
            sleep(Duration::from_millis(rng.in_range(0..=15))).await;
        }
        let before = line.passed.fetch_add(n as u64, Ordering::SeqCst);
        let left =
            line.after.filter(|_| !line.is_well.load(Ordering::SeqCst)).map(|after| after.saturating_sub(before));
        if let Some(left) = left.filter(|left| *left < n as u64 && !swallows()) {
            // Up to here, and not a byte further.
            let _ = to.write_all(&buffer[..left as usize]).await;
            *inner.met.lock().unwrap().entry(line.fate).or_default() += 1;
            let swallow = |ways: &[usize]| ways.iter().for_each(|w| line.swallows[*w].store(true, Ordering::SeqCst));
            match line.fate {
                Fate::Cut => return line.end(),
                Fate::Reset => {
                    let _ = (from.as_ref().set_zero_linger(), to.as_ref().set_zero_linger());
                    return line.end();
                }
                Fate::DeafToDevice => swallow(&[0]),
                Fate::DeafToServer => swallow(&[1]),
                Fate::HalfOpen => swallow(&[0, 1]),
                Fate::Stuck => return std::future::pending().await,
            }
            if !swallows() {
                // The other direction is the one that is swallowed.
                let _ = to.write_all(&buffer[left as usize..n]).await;
            }
            continue;
        }
        if !swallows() && to.write_all(&buffer[..n]).await.is_err() {
            return;
        }
    }
}
