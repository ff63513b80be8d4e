//! A device: a log in memory, the opening side's engine, and a socket.

use std::collections::BTreeSet;
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use embertally_core::facts::{DeviceId, DocumentId, EntryId, PersonId};
use embertally_core::log::{Home, Log};
use embertally_core::store::MemoryStore;
use embertally_core::sync::{Config, Effect, Engine, Event, Limits, PROTOCOL, Refusal, Stage};
use embertally_testkit::Rng;
use embertally_testkit::builders::{VolleyBuilder, outing};
use futures_util::{SinkExt, StreamExt};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_tungstenite::tungstenite::client::IntoClientRequest;
use tokio_tungstenite::tungstenite::protocol::WebSocketConfig;
use tokio_tungstenite::tungstenite::{Error, Message};
use tokio_tungstenite::{WebSocketStream, client_async_with_config};

use crate::rig::connect_from;

/// Longer than anything here takes; a test that waits so long has failed.
pub(crate) const PATIENCE: Duration = Duration::from_secs(20);

pub(crate) type Socket = WebSocketStream<TcpStream>;

pub(crate) fn now_ms() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis() as u64
}

/// Opens a WebSocket at `/sync`; `Err` with the status where it is refused, 0 where the connection ends.
pub(crate) async fn open(from: IpAddr, to: SocketAddr, token: &str) -> Result<Socket, u16> {
    open_telling(from, to, token, "").await
}

/// The same, saying which crew's log it brings.
async fn open_telling(from: IpAddr, to: SocketAddr, token: &str, crew: &str) -> Result<Socket, u16> {
    let stream = connect_from(from, to).await.map_err(|_| 0_u16)?;
    let mut request = format!("ws://{to}/sync").into_client_request().unwrap();
    if !token.is_empty() {
        request.headers_mut().insert("authorization", format!("Bearer {token}").parse().unwrap());
    }
    if !crew.is_empty() {
        request.headers_mut().insert("embertally-crew", crew.parse().unwrap());
    }
    request.headers_mut().insert("sec-websocket-protocol", PROTOCOL.parse().unwrap());
    let config = WebSocketConfig::default().read_buffer_size(4096);
    match timeout(PATIENCE, client_async_with_config(request, stream, Some(config))).await.expect("an answer") {
        Ok((socket, answer)) => {
            assert_eq!(answer.headers()["sec-websocket-protocol"], PROTOCOL);
            Ok(socket)
        }
        Err(Error::Http(answer)) => Err(answer.status().as_u16()),
        Err(_) => Err(0),
    }
}

/// How a conversation ended, as the device saw it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum End {
    /// By a refusal in the conversation.
    Refused(Refusal),
    /// By the WebSocket's closing, with its status and reason.
    Closed(u16, String),
    /// Without a word.
    Broken,
}

pub(crate) struct Device {
    pub(crate) id: DeviceId,
    pub(crate) log: Log<MemoryStore>,
    engine: Engine,
    pub(crate) socket: Socket,
    rng: Rng,
    pub(crate) end: Option<End>,
}

pub(crate) const HOME: [u8; 4] = [127, 0, 0, 1];

impl Device {
    /// A new device that has joined with this token, and met.
    pub(crate) async fn join(to: SocketAddr, token: &str, seed: u64) -> Result<Self, u16> {
        Self::join_from(HOME, to, token, seed).await
    }

    /// The same, from another address of this machine.
    pub(crate) async fn join_from(from: [u8; 4], to: SocketAddr, token: &str, seed: u64) -> Result<Self, u16> {
        let mut device = Self::call(from, to, token, seed).await?;
        device.meet().await;
        Ok(device)
    }

    /// A new device that has said its first words and not read the answer.
    pub(crate) async fn call(from: [u8; 4], to: SocketAddr, token: &str, seed: u64) -> Result<Self, u16> {
        let mut rng = Rng::new(seed);
        let log = Log::open(MemoryStore::new(), rng.fork());
        let id = DeviceId::named(&format!("device {seed}"));
        Self::over(log, id, rng, IpAddr::from(from), to, token).await
    }

    /// The same device, with its log, in a new conversation.
    pub(crate) async fn again(self, to: SocketAddr, token: &str) -> Result<Self, u16> {
        Self::over(self.log, self.id, self.rng, IpAddr::from(HOME), to, token).await
    }

    /// A member's device, which signs what it writes.
    pub(crate) async fn over_log(
        log: Log<MemoryStore>,
        id: DeviceId,
        to: SocketAddr,
        secret: &str,
    ) -> Result<Self, u16> {
        Self::over(log, id, Rng::new(id.as_bytes().iter().map(|b| u64::from(*b)).sum()), HOME.into(), to, secret).await
    }

    /// The same device, in a new conversation by a token, saying which crew's log it brings.
    pub(crate) async fn again_telling(self, to: SocketAddr, token: &str, crew: &str) -> Result<Self, u16> {
        let socket = open_telling(HOME.into(), to, token, crew).await?;
        Self::on(socket, self.log, self.id, self.rng).await
    }

    /// Tells the engine what was written into the log.
    pub(crate) async fn wrote(&mut self, document: DocumentId) {
        let effects = self.engine.handle(&mut self.log, now_ms(), Event::Changed(&[document])).unwrap();
        self.act(effects).await;
    }

    async fn over(
        log: Log<MemoryStore>,
        id: DeviceId,
        rng: Rng,
        from: IpAddr,
        to: SocketAddr,
        token: &str,
    ) -> Result<Self, u16> {
        Self::on(open(from, to, token).await?, log, id, rng).await
    }

    async fn on(socket: Socket, mut log: Log<MemoryStore>, id: DeviceId, rng: Rng) -> Result<Self, u16> {
        let mut engine = Engine::opener(Config { device: id, limits: Limits::default(), peer_reads_only: false });
        let effects = engine.handle(&mut log, now_ms(), Event::Opened).unwrap();
        let mut device = Self { id, log, engine, socket, rng, end: None };
        device.act(effects).await;
        Ok(device)
    }

    async fn act(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::Send(bytes) => {
                    if self.socket.send(Message::Binary(bytes.into())).await.is_err() && self.end.is_none() {
                        // Why is read from what the server said last.
                        return;
                    }
                }
                Effect::Close(refusal) => {
                    self.end.get_or_insert(End::Refused(refusal));
                }
                Effect::Changed { .. } | Effect::Met => {}
            }
        }
    }

    /// Writes a volley of ten shots on this device, and tells the engine.
    pub(crate) async fn volley(&mut self) -> EntryId {
        let home = outing(self.rng.in_range(0..=1));
        let mut entry = VolleyBuilder {
            device: self.id,
            observer: PersonId::named("somebody"),
            outing: home,
            at_ms: 1_900_000_000_000 + self.rng.in_range(0..=1_000_000) as i64,
            shots: 10,
            first_unit: self.rng.in_range(1..=1_000_000),
        }
        .build(&mut self.rng);
        entry.name_by_content().unwrap();
        self.log.write(Home::Outing(home), &entry).unwrap();
        let document = Home::Outing(home).part(1);
        let effects = self.engine.handle(&mut self.log, now_ms(), Event::Changed(&[document])).unwrap();
        self.act(effects).await;
        entry.id
    }

    /// Deals with the next message; `false` once the conversation has ended.
    pub(crate) async fn step(&mut self) -> bool {
        if matches!(self.end, Some(End::Closed(..) | End::Broken)) {
            return false;
        }
        let message = timeout(PATIENCE, self.socket.next()).await.expect("something from the server");
        self.heard(message).await
    }

    /// Deals with the next message if one comes soon; nobody says that one will.
    pub(crate) async fn step_if_any(&mut self) {
        if let Ok(message) = timeout(Duration::from_millis(100), self.socket.next()).await {
            self.heard(message).await;
        }
    }

    async fn heard(&mut self, message: Option<Result<Message, Error>>) -> bool {
        match message {
            Some(Ok(Message::Binary(bytes))) => {
                let effects = self.engine.handle(&mut self.log, now_ms(), Event::Frame(&bytes)).unwrap();
                self.act(effects).await;
            }
            Some(Ok(Message::Close(frame))) => {
                let (code, reason) = frame.map_or((0, String::new()), |f| (f.code.into(), f.reason.to_string()));
                self.end.get_or_insert(End::Closed(code, reason));
                return false;
            }
            Some(Ok(_)) => {}
            Some(Err(_)) | None => {
                self.end.get_or_insert(End::Broken);
                return false;
            }
        }
        true
    }

    pub(crate) fn has_met(&self) -> bool {
        self.engine.progress().stage == Stage::Met
    }

    /// Goes on until both sides have what the other had.
    pub(crate) async fn meet(&mut self) {
        while !self.has_met() {
            assert!(self.step().await, "it ended before they met: {:?}", self.end);
        }
    }

    /// Goes on until this device holds all of these, and has given what it had.
    pub(crate) async fn until_holds(&mut self, wanted: &BTreeSet<EntryId>) {
        while !self.has_met() || !wanted.is_subset(&self.entries()) {
            assert!(self.step().await, "it ended before everything came: {:?}", self.end);
        }
    }

    /// Goes on until the conversation ends, and says how.
    pub(crate) async fn until_ended(&mut self) -> End {
        while self.step().await {}
        self.end.clone().unwrap()
    }

    pub(crate) fn entries(&mut self) -> BTreeSet<EntryId> {
        let mut ids = BTreeSet::new();
        self.log.replay(|_, entry| ids.extend([entry.id])).unwrap();
        ids
    }

    pub(crate) fn outline(&mut self) -> Vec<(DocumentId, [u8; 16])> {
        self.log.outline().unwrap()
    }
}
