//! A device over TLS, its bytes on the wire counted.

use std::collections::HashSet;
use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::{Context, Poll};
use std::time::{SystemTime, UNIX_EPOCH};

use embertally_core::facts::{DeviceId, DocumentId, Entry, EntryId, PersonId};
use embertally_core::log::{Home, Log};
use embertally_core::store::MemoryStore;
use embertally_core::sync::{Config, Effect, Engine, Event, Limits, PROTOCOL, Stage};
use embertally_testkit::Rng;
use embertally_testkit::builders::{VolleyBuilder, outing};
use futures_util::{SinkExt, StreamExt};
use rustls::pki_types::ServerName;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpSocket, TcpStream};
use tokio_rustls::client::TlsStream;
use tokio_tungstenite::tungstenite::Message;
use tokio_tungstenite::tungstenite::client::IntoClientRequest;
use tokio_tungstenite::tungstenite::protocol::WebSocketConfig;
use tokio_tungstenite::{WebSocketStream, client_async_with_config};

use crate::server::Way;

/// A socket that counts what goes through it, TLS and all.
pub(crate) struct Counted {
    stream: TcpStream,
    bytes: Arc<AtomicU64>,
}

impl AsyncRead for Counted {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = buffer.filled().len();
        let polled = Pin::new(&mut self.stream).poll_read(context, buffer);
        self.bytes.fetch_add((buffer.filled().len() - before) as u64, Ordering::Relaxed);
        polled
    }
}

impl AsyncWrite for Counted {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write(context, bytes);
        if let Poll::Ready(Ok(n)) = polled {
            self.bytes.fetch_add(n as u64, Ordering::Relaxed);
        }
        polled
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

pub(crate) fn now_ms() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_millis() as u64
}

pub(crate) struct Device {
    pub(crate) id: DeviceId,
    pub(crate) log: Log<MemoryStore>,
    pub(crate) rng: Rng,
    pub(crate) seen: HashSet<EntryId>,
    n: u64,
}

pub(crate) type Socket = WebSocketStream<TlsStream<Counted>>;

/// A device in conversation.
pub(crate) struct Talk {
    pub(crate) device: Device,
    engine: Engine,
    socket: Socket,
    pub(crate) bytes: Arc<AtomicU64>,
}

/// Connects from another address of this machine, so that it counts as somebody else.
pub(crate) async fn connect_from(from: IpAddr, to: SocketAddr) -> io::Result<TcpStream> {
    let socket = TcpSocket::new_v4()?;
    socket.bind(SocketAddr::new(from, 0))?;
    socket.connect(to).await
}

/// Agrees on encryption, from another address of this machine; `None` where the server does not want it.
pub(crate) async fn tls_from(from: IpAddr, way: &Way, bytes: Arc<AtomicU64>) -> Option<TlsStream<Counted>> {
    let stream = connect_from(from, way.address).await.ok()?;
    stream.set_nodelay(true).ok()?;
    let name = ServerName::try_from("localhost").expect("a name");
    way.tls.connect(name, Counted { stream, bytes }).await.ok()
}

/// Opens a WebSocket from another address of this machine; `None` where the server does not want it.
pub(crate) async fn call_from(from: IpAddr, way: &Way, token: &str) -> Option<Socket> {
    counted(from, way, token, Arc::new(AtomicU64::new(0))).await
}

async fn counted(from: IpAddr, way: &Way, token: &str, bytes: Arc<AtomicU64>) -> Option<Socket> {
    let stream = tls_from(from, way, bytes).await?;
    let mut request = format!("wss://{}/sync", way.address).into_client_request().expect("a request");
    request.headers_mut().insert("authorization", format!("Bearer {token}").parse().expect("a header"));
    request.headers_mut().insert("sec-websocket-protocol", PROTOCOL.parse().expect("a header"));
    let config = WebSocketConfig::default().read_buffer_size(4096).write_buffer_size(0);
    Some(client_async_with_config(request, stream, Some(config)).await.ok()?.0)
}

impl Device {
    pub(crate) fn new(seed: u64) -> Self {
        let mut rng = Rng::new(seed);
        let log = Log::open(MemoryStore::new(), rng.fork());
        Self { id: DeviceId::named(&format!("device {seed}")), log, rng, seen: HashSet::new(), n: 0 }
    }

    /// A volley of ten shots, written to this device's log.
    pub(crate) fn volley(&mut self) -> (EntryId, DocumentId) {
        let home = Home::Outing(outing(0));
        let entry: Entry = VolleyBuilder {
            device: self.id,
            observer: PersonId::named("somebody"),
            outing: outing(0),
            at_ms: 1_900_000_000_000 + self.n as i64 * 10_000,
            shots: 10,
            first_unit: self.n * 10,
        }
        .build(&mut self.rng);
        self.n += 1;
        self.log.write(home, &entry).expect("writable");
        self.seen.insert(entry.id);
        (entry.id, home.part(1))
    }

    /// Joins, and speaks first.
    pub(crate) async fn join(mut self, way: &Way, token: &str) -> Talk {
        let bytes = Arc::new(AtomicU64::new(0));
        let socket = counted(Ipv4Addr::LOCALHOST.into(), way, token, bytes.clone()).await.expect("a WebSocket");
        // Devices that pull much more than they send: no limit but the server's.
        let limits = Limits::default();
        let mut engine = Engine::opener(Config { device: self.id, limits, peer_reads_only: false });
        let effects = engine.handle(&mut self.log, now_ms(), Event::Opened).expect("a log");
        let mut talk = Talk { device: self, engine, socket, bytes };
        talk.act(effects).await;
        talk
    }
}

impl Talk {
    async fn act(&mut self, effects: Vec<Effect>) -> Vec<DocumentId> {
        let mut changed = Vec::new();
        for effect in effects {
            match effect {
                Effect::Send(bytes) => self.socket.send(Message::Binary(bytes.into())).await.expect("sent"),
                Effect::Changed { document, .. } => changed.push(document),
                Effect::Met => {}
                Effect::Close(refusal) => panic!("refused: {refusal}"),
            }
        }
        changed
    }

    /// Waits for the next message. Giving up the wait loses nothing.
    pub(crate) async fn hear(&mut self) -> Message {
        self.socket.next().await.expect("a message").expect("a message")
    }

    /// Deals with the next message; returns the entries that were new. To be waited for to the end.
    pub(crate) async fn step(&mut self) -> Vec<EntryId> {
        let message = self.hear().await;
        self.deal_with(message).await
    }

    /// Deals with a message; returns the entries that were new.
    pub(crate) async fn deal_with(&mut self, message: Message) -> Vec<EntryId> {
        let Message::Binary(bytes) = message else { return Vec::new() };
        let effects = self.engine.handle(&mut self.device.log, now_ms(), Event::Frame(&bytes)).expect("a log");
        let changed = self.act(effects).await;
        let mut new = Vec::new();
        for document in changed {
            let seen = &mut self.device.seen;
            let each = |_, entry: Entry| {
                if seen.insert(entry.id) {
                    new.push(entry.id);
                }
            };
            self.device.log.replay_document(document, each).expect("readable");
        }
        new
    }

    pub(crate) fn has_met(&self) -> bool {
        self.engine.progress().stage == Stage::Met
    }

    pub(crate) async fn meet(&mut self) {
        while !self.has_met() {
            self.step().await;
        }
    }

    /// Writes a volley and tells the server; `written` hears of it between the two.
    pub(crate) async fn volley(&mut self, written: impl FnOnce(EntryId)) -> EntryId {
        let (entry, document) = self.device.volley();
        written(entry);
        let effects = self.engine.handle(&mut self.device.log, now_ms(), Event::Changed(&[document])).expect("a log");
        self.act(effects).await;
        entry
    }

    /// Bytes of frames sent and received.
    pub(crate) fn frame_bytes(&self) -> (u64, u64) {
        let progress = self.engine.progress();
        (progress.bytes_out, progress.bytes_in)
    }

    pub(crate) fn wire_bytes(&self) -> u64 {
        self.bytes.load(Ordering::Relaxed)
    }
}
