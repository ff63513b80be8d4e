//! A server in this process, in a folder of its own.

use std::net::{IpAddr, SocketAddr};

use embertally_server::{Config, CrewId, Running, Server, Tls};
use serde_json::Value;
use tempfile::TempDir;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};

/// An answer to a request.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: Vec<u8>,
}

impl Answer {
    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {self:?}"))
    }

    pub(crate) fn text(&self) -> &str {
        std::str::from_utf8(&self.body).unwrap()
    }

    pub(crate) fn code(&self) -> String {
        assert!(self.head.contains("application/problem+json"), "{self:?}");
        self.json()["code"].as_str().unwrap().to_owned()
    }
}

pub(crate) struct Rig {
    pub(crate) folder: TempDir,
    pub(crate) server: Running,
    pub(crate) admin: String,
}

/// A configuration for tests: a free port, no TLS, which one test has to itself.
pub(crate) fn config(folder: &std::path::Path) -> Config {
    let mut config = Config::new(folder);
    config.listen = SocketAddr::from(([127, 0, 0, 1], 0));
    config.tls = Tls::Plain;
    config.threads = 2;
    config
}

impl Rig {
    pub(crate) async fn new() -> Self {
        Self::with(|_| ()).await
    }

    pub(crate) async fn with(change: impl FnOnce(&mut Config)) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut config = config(folder.path());
        change(&mut config);
        let mut server = Server::start(config).await.unwrap();
        let admin = server.admin_token.take().unwrap();
        Self { folder, server, admin }
    }

    pub(crate) fn address(&self) -> SocketAddr {
        self.server.address
    }

    /// Makes a crew; returns it and the secret of a writer's token.
    pub(crate) fn crew(&self, title: &str) -> (CrewId, String) {
        let (crew, invitation) = self.server.invite(title).unwrap();
        (crew, secret(&invitation))
    }

    pub(crate) async fn get(&self, path: &str, token: &str) -> Answer {
        request(self.address(), "GET", path, token, "").await
    }

    pub(crate) async fn post(&self, path: &str, token: &str, body: &str) -> Answer {
        request(self.address(), "POST", path, token, body).await
    }
}

/// Returns a number from the metrics.
pub(crate) fn counted(rig: &Rig, name: &str) -> u64 {
    let text = rig.server.metrics();
    let line = text.lines().find(|l| l.starts_with(name) && l[name.len()..].starts_with(' '));
    line.map_or(0, |l| l.rsplit(' ').next().unwrap().parse().unwrap())
}

/// Takes the secret out of an invitation.
pub(crate) fn secret(invitation: &str) -> String {
    let (_, rest) = invitation.split_once("token=").unwrap();
    rest.split('&').next().unwrap().to_owned()
}

/// Connects from another address of this machine, so that it counts as somebody else.
pub(crate) async fn connect_from(from: IpAddr, to: SocketAddr) -> std::io::Result<TcpStream> {
    let socket = TcpSocket::new_v4()?;
    socket.bind(SocketAddr::new(from, 0))?;
    socket.connect(to).await
}

pub(crate) async fn request(to: SocketAddr, method: &str, path: &str, token: &str, body: &str) -> Answer {
    let mut stream = TcpStream::connect(to).await.unwrap();
    let mut head =
        format!("{method} {path} HTTP/1.1\r\nhost: {to}\r\nconnection: close\r\ncontent-length: {}\r\n", body.len());
    if !token.is_empty() {
        head.push_str(&format!("authorization: Bearer {token}\r\n"));
    }
    stream.write_all(format!("{head}\r\n{body}").as_bytes()).await.unwrap();
    let mut all = Vec::new();
    stream.read_to_end(&mut all).await.unwrap();
    answer(&all)
}

fn answer(all: &[u8]) -> Answer {
    let end =
        all.windows(4).position(|w| w == b"\r\n\r\n").unwrap_or_else(|| panic!("{}", String::from_utf8_lossy(all)));
    let head = String::from_utf8(all[..end].to_vec()).unwrap().to_lowercase();
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    let raw = &all[end + 4..];
    let body = if head.contains("transfer-encoding: chunked") { unchunked(raw) } else { raw.to_vec() };
    Answer { status, head, body }
}

fn unchunked(mut raw: &[u8]) -> Vec<u8> {
    let mut body = Vec::new();
    loop {
        let end = raw.windows(2).position(|w| w == b"\r\n").expect("a chunk's length");
        let length = usize::from_str_radix(std::str::from_utf8(&raw[..end]).unwrap(), 16).unwrap();
        if length == 0 {
            return body;
        }
        body.extend_from_slice(&raw[end + 2..end + 2 + length]);
        raw = &raw[end + 2 + length + 2..];
    }
}
