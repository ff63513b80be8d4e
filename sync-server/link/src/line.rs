//! One open connection as seen from the log's thread: frames in, frames out, and that it ended.
//!
//! The log is used by one thread, which does not wait for any socket. What comes in waits in a short queue, so a peer
//! that sends faster than the disk takes it is held back by its own socket. What goes out is counted; a peer that does
//! not take it is given up.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::time::Duration;

use futures_util::stream::{SplitSink, SplitStream};
use futures_util::{SinkExt, StreamExt};
use tokio::sync::mpsc;
use tokio::time::{Instant, MissedTickBehavior, interval_at, sleep, timeout};
use tokio_tungstenite::tungstenite::{Error, Message};

use crate::error::LinkError;
use crate::patience::Patience;
use crate::wire::Wire;

/// How long the other side's farewell is waited for.
const FAREWELL: Duration = Duration::from_secs(2);
/// Frames from all connections that may wait for the log's thread.
pub(crate) const WAITING: usize = 8;
/// Bytes that may wait to be sent on one connection.
const QUEUED: usize = 16 << 20;

/// The number of a connection, never used again in one run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct LineId(pub(crate) u64);

/// What the network tells the log's thread.
pub(crate) enum Arrival {
    /// A connection stands, and its other side is known to be the right one.
    Opened { line: LineId, place: String, opens: bool, outbox: Outbox },
    /// A connection did not come about.
    Failed { line: LineId, error: LinkError },
    /// A frame came.
    Frame { line: LineId, bytes: Vec<u8> },
    /// The connection is gone; without an error the other side closed it properly.
    Ended { line: LineId, error: Option<LinkError> },
    /// Another device of the crew is near.
    Found(crate::nearby::Found),
}

/// Where frames for one connection are put.
#[derive(Debug, Clone)]
pub(crate) struct Outbox {
    queue: mpsc::UnboundedSender<Outgoing>,
    queued: Arc<AtomicUsize>,
    pause: Arc<AtomicU64>,
}

#[derive(Debug)]
pub(crate) enum Outgoing {
    Frame(Vec<u8>),
    Close,
}

/// The other end of an [`Outbox`].
#[derive(Debug)]
pub(crate) struct Outgoings {
    queue: mpsc::UnboundedReceiver<Outgoing>,
    queued: Arc<AtomicUsize>,
    pause: Arc<AtomicU64>,
}

pub(crate) fn outbox() -> (Outbox, Outgoings) {
    let (sender, receiver) = mpsc::unbounded_channel();
    let (queued, pause) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicU64::new(0)));
    let outbox = Outbox { queue: sender, queued: Arc::clone(&queued), pause: Arc::clone(&pause) };
    (outbox, Outgoings { queue: receiver, queued, pause })
}

impl Outbox {
    /// Queues a frame; false where the other side does not take what is sent.
    pub(crate) fn send(&self, frame: Vec<u8>) -> bool {
        let queued = self.queued.fetch_add(frame.len(), Ordering::Relaxed) + frame.len();
        // A connection that has ended says so by itself.
        let _ = self.queue.send(Outgoing::Frame(frame));
        queued <= QUEUED
    }

    /// Reads nothing more from the other side for so long: it is ahead of its rate.
    pub(crate) fn pause(&self, ms: u64) {
        self.pause.fetch_max(ms, Ordering::Relaxed);
    }

    /// Ends the connection after what is queued.
    pub(crate) fn close(&self) {
        let _ = self.queue.send(Outgoing::Close);
    }
}

/// Says what the system reports, without its numbers.
pub(crate) fn reason(error: &std::io::Error) -> String {
    use std::io::ErrorKind;
    match error.kind() {
        ErrorKind::ConnectionRefused => "nobody listens there".to_owned(),
        ErrorKind::ConnectionReset
        | ErrorKind::ConnectionAborted
        | ErrorKind::BrokenPipe
        | ErrorKind::UnexpectedEof => "it hung up".to_owned(),
        ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable | ErrorKind::NetworkDown => {
            "there is no way to it from here".to_owned()
        }
        _ => error.to_string(),
    }
}

/// Carries frames both ways until the connection ends, and says so.
pub(crate) async fn pump(
    wire: Box<Wire>,
    line: LineId,
    place: String,
    outgoings: Outgoings,
    arrivals: mpsc::Sender<Arrival>,
    patience: Patience,
) {
    let (sink, stream) = (*wire).split();
    let pause = Arc::clone(&outgoings.pause);
    let reading = read(stream, line, &arrivals, &pause, patience.silence);
    let writing = write(sink, outgoings, patience);
    tokio::pin!(reading, writing);
    let ended = tokio::select! {
        ended = &mut reading => ended,
        ended = &mut writing => match ended {
            // This side hung up; the other's answer shows that everything arrived.
            Ok(()) => timeout(FAREWELL, &mut reading).await.unwrap_or(Ok(())),
            Err(what) => Err(what),
        },
    };
    let error = ended.err().map(|what| LinkError::Cut { place, what });
    // Nobody listens any more when the log's thread has ended.
    let _ = arrivals.send(Arrival::Ended { line, error }).await;
}

async fn read(
    mut stream: SplitStream<Wire>,
    line: LineId,
    arrivals: &mpsc::Sender<Arrival>,
    pause: &AtomicU64,
    silence: Duration,
) -> Result<(), String> {
    loop {
        let ahead = pause.swap(0, Ordering::Relaxed);
        if ahead > 0 {
            sleep(Duration::from_millis(ahead)).await;
        }
        let message = match timeout(silence, stream.next()).await {
            Err(_) => return Err(format!("no word for {} s", silence.as_secs())),
            Ok(None) => return Err("it hung up".to_owned()),
            Ok(Some(Err(error))) => return ended(error),
            Ok(Some(Ok(message))) => message,
        };
        match message {
            Message::Binary(bytes) => {
                if arrivals.send(Arrival::Frame { line, bytes: bytes.into() }).await.is_err() {
                    return Ok(());
                }
            }
            Message::Close(_) => return Ok(()),
            Message::Ping(_) | Message::Pong(_) | Message::Frame(_) => {}
            Message::Text(_) => return Err("it sent text, where only frames are sent".to_owned()),
        }
    }
}

/// Tells a proper end from a broken one.
fn ended(error: Error) -> Result<(), String> {
    match error {
        Error::ConnectionClosed | Error::AlreadyClosed => Ok(()),
        Error::Io(error) => Err(reason(&error)),
        Error::Protocol(_) => Err("it hung up without a word, or sent what is no message".to_owned()),
        Error::Capacity(error) => Err(format!("it sent too much at once: {error}")),
        other => Err(other.to_string()),
    }
}

async fn write(mut sink: SplitSink<Wire, Message>, mut outgoings: Outgoings, patience: Patience) -> Result<(), String> {
    let (ping, limit) = (patience.ping, patience.write);
    let mut pings = interval_at(Instant::now() + ping, ping);
    pings.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let late = |_| "it does not take what is sent".to_owned();
    loop {
        let outgoing = tokio::select! {
            outgoing = outgoings.queue.recv() => outgoing.unwrap_or(Outgoing::Close),
            _ = pings.tick() => {
                let sent = timeout(limit, sink.send(Message::Ping(Vec::new().into()))).await.map_err(late)?;
                sent.or_else(ended)?;
                continue;
            }
        };
        match outgoing {
            Outgoing::Frame(frame) => {
                let bytes = frame.len();
                timeout(limit, sink.feed(Message::Binary(frame.into()))).await.map_err(late)?.or_else(ended)?;
                outgoings.queued.fetch_sub(bytes, Ordering::Relaxed);
                if outgoings.queue.is_empty() {
                    timeout(limit, sink.flush()).await.map_err(late)?.or_else(ended)?;
                }
            }
            Outgoing::Close => {
                // Whether the other side hears the farewell makes no difference here.
                let _ = timeout(FAREWELL, sink.close()).await;
                return Ok(());
            }
        }
    }
}
