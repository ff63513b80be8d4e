//! A small server for these tests: one crew, one token, one log in memory. The real one has its own tests.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::{SystemTime, UNIX_EPOCH};

use embertally_core::facts::DeviceId;
use embertally_core::log::Log;
use embertally_core::store::MemoryStore;
use embertally_core::sync::{Config, Effect, Engine, Event, Limits, PROTOCOL};
use embertally_link::{Address, Invitation, Pass, Token, Trust, fingerprint};
use embertally_testkit::Rng;
use futures_util::{SinkExt, StreamExt};
use rustls::ServerConfig;
use rustls::pki_types::PrivatePkcs8KeyDer;
use tokio::net::{TcpListener, TcpStream};
use tokio::runtime::Runtime;
use tokio_rustls::TlsAcceptor;
use tokio_tungstenite::accept_hdr_async;
use tokio_tungstenite::tungstenite::Message;
use tokio_tungstenite::tungstenite::handshake::server::{ErrorResponse, Request, Response};
use tokio_tungstenite::tungstenite::http::{HeaderValue, StatusCode};

const TOKEN: &str = "a-token-of-the-test-crew";

/// How a server misbehaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum Habit {
    #[default]
    Good,
    /// Hangs up after so many frames, without a word; the first time only.
    HangsUpAfter(usize),
    /// Speaks another protocol.
    OtherProtocol,
    /// Its clock is ahead by so many milliseconds.
    ClockAhead(u64),
    /// Has no room.
    Full,
    /// Sends more in one message than is taken.
    TooMuch,
    /// Sends what is no frame.
    Nonsense,
}

/// A server that runs until it is dropped.
pub(crate) struct Server {
    pub(crate) log: Arc<Mutex<Log<MemoryStore>>>,
    pub(crate) invitation: Invitation,
    _runtime: Runtime,
}

impl Server {
    pub(crate) fn start(habit: Habit) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
        let runtime = runtime.expect("a runtime");
        let made = rcgen::generate_simple_self_signed(vec!["box.invalid".to_owned()]).expect("a certificate");
        let key = PrivatePkcs8KeyDer::from(made.signing_key.serialize_der()).into();
        let config = ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
            .with_safe_default_protocol_versions()
            .expect("TLS")
            .with_no_client_auth()
            .with_single_cert(vec![made.cert.der().clone()], key)
            .expect("a key that goes with it");
        let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a port");
        let port = listener.local_addr().as_ref().map(SocketAddr::port).expect("its number");
        let log = Arc::new(Mutex::new(Log::open(MemoryStore::new(), Rng::new(99))));
        let invitation = Invitation {
            addresses: vec![Address::new("127.0.0.1", port).expect("an address")],
            crew: [7; 16],
            pass: Pass::Token(Token::new(TOKEN).expect("a token")),
            trust: Trust::Pin(fingerprint(made.cert.der())),
            near: None,
        };
        runtime.spawn(accept(listener, TlsAcceptor::from(Arc::new(config)), Arc::clone(&log), habit));
        Self { log, invitation, _runtime: runtime }
    }
}

async fn accept(listener: TcpListener, acceptor: TlsAcceptor, log: Arc<Mutex<Log<MemoryStore>>>, mut habit: Habit) {
    while let Ok((stream, _)) = listener.accept().await {
        let task = serve(stream, acceptor.clone(), Arc::clone(&log), habit);
        if matches!(habit, Habit::HangsUpAfter(_)) {
            habit = Habit::Good;
        }
        tokio::spawn(task);
    }
}

/// Serves one connection; whatever breaks off ends it.
async fn serve(
    stream: TcpStream,
    acceptor: TlsAcceptor,
    log: Arc<Mutex<Log<MemoryStore>>>,
    habit: Habit,
) -> Option<()> {
    let stream = acceptor.accept(stream).await.ok()?;
    #[expect(clippy::result_large_err, reason = "the library's own type")]
    let check = |request: &Request, mut response: Response| -> Result<Response, ErrorResponse> {
        let refuse = |status| {
            let mut refused = ErrorResponse::new(None);
            *refused.status_mut() = status;
            Err(refused)
        };
        let header = |name| request.headers().get(name).and_then(|v: &HeaderValue| v.to_str().ok());
        if request.uri().path() != "/sync" || header("sec-websocket-protocol") != Some(PROTOCOL) {
            return refuse(StatusCode::NOT_FOUND);
        }
        if header("authorization") != Some(&format!("Bearer {TOKEN}")) {
            return refuse(StatusCode::UNAUTHORIZED);
        }
        if habit == Habit::Full {
            return refuse(StatusCode::SERVICE_UNAVAILABLE);
        }
        let spoken = if habit == Habit::OtherProtocol { "embertally-sync-9" } else { PROTOCOL };
        response.headers_mut().insert("sec-websocket-protocol", HeaderValue::from_static(spoken));
        Ok(response)
    };
    let mut wire = accept_hdr_async(stream, check).await.ok()?;
    match habit {
        Habit::TooMuch => wire.send(Message::Binary(vec![0; 300 << 10].into())).await.ok()?,
        Habit::Nonsense => wire.send(Message::Binary(vec![0xff; 100].into())).await.ok()?,
        _ => {}
    }
    let config = Config { device: DeviceId::named("the server"), limits: Limits::default(), peer_reads_only: false };
    let mut engine = Engine::answerer(config);
    let mut frames = 0;
    while let Some(Ok(message)) = wire.next().await {
        let Message::Binary(bytes) = message else { continue };
        frames += 1;
        if habit == Habit::HangsUpAfter(frames) {
            return None;
        }
        let ahead = if let Habit::ClockAhead(ms) = habit { ms } else { 0 };
        let now = SystemTime::now().duration_since(UNIX_EPOCH).ok()?.as_millis() as u64 + ahead;
        let effects = engine.handle(&mut *log.lock().ok()?, now, Event::Frame(&bytes)).ok()?;
        for effect in effects {
            match effect {
                Effect::Send(frame) => wire.send(Message::Binary(frame.into())).await.ok()?,
                Effect::Close(_) => return wire.close(None).await.ok(),
                _ => {}
            }
        }
    }
    Some(())
}
