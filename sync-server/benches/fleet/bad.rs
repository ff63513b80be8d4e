//! Ten bad devices, in a process of their own that has the lowest priority: what they do to the good ones they do by way
//! of a server, not by taking their processor.

use std::net::{IpAddr, Ipv4Addr};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::time::Duration;

use futures_util::{SinkExt, StreamExt};
use tokio::io::AsyncWriteExt;
use tokio::time::{sleep, timeout};
use tokio_tungstenite::tungstenite::Message;

use crate::device::{Device, call_from, connect_from, tls_from};
use crate::server::{ServerProcess, Way};

pub(crate) const BAD: usize = 10;

const ADDRESS: &str = "EMBERTALLY_FLEET_BAD_ADDRESS";
const FOLDER: &str = "EMBERTALLY_FLEET_BAD_FOLDER";
const TOKENS: &str = "EMBERTALLY_FLEET_BAD_TOKENS";

pub(crate) fn is_child() -> bool {
    std::env::var_os(ADDRESS).is_some()
}

/// The process of the bad ones; ended when this is dropped.
pub(crate) struct BadOnes(Child);

impl BadOnes {
    /// Lets them loose on a server; each is of the last crews, with a token of its own.
    pub(crate) fn start(server: &ServerProcess, folder: &Path) -> Self {
        let tokens: Vec<&str> = server.crews.iter().rev().take(BAD).map(|(_, token)| token.as_str()).collect();
        let child = Command::new("nice")
            .args(["-n", "19"])
            .arg(std::env::current_exe().expect("this program"))
            .env(ADDRESS, server.way.address.to_string())
            .env(FOLDER, folder)
            .env(TOKENS, tokens.join(" "))
            .stdin(Stdio::null())
            .spawn();
        Self(child.expect("a child"))
    }
}

impl Drop for BadOnes {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Is the bad ones, until it is killed.
pub(crate) fn run() {
    let text = |name: &str| std::env::var(name).expect("told by whoever started it");
    let way = Way::to(text(ADDRESS).parse().expect("an address"), Path::new(&text(FOLDER)));
    let tokens: Vec<String> = text(TOKENS).split(' ').map(str::to_owned).collect();
    tokio::runtime::Runtime::new().expect("a runtime").block_on(async {
        for (n, token) in tokens.into_iter().enumerate() {
            let way = way.clone();
            // Each from an address of its own.
            let from = IpAddr::V4(Ipv4Addr::new(127, 0, 1, n as u8 + 1));
            tokio::spawn(async move {
                loop {
                    match n {
                        0 | 5 => joins(from, &way).await,
                        1 => handshakes(from, &way).await,
                        2 | 6 => flood(from, &way, &token, vec![0x81, 0x10]).await,
                        3 | 7 => flood(from, &way, &token, vec![0xff; 200 << 10]).await,
                        4 => half(from, &way, &token).await,
                        8 => never_reads(&way, &token).await,
                        _ => drop(call_from(from, &way, &"B".repeat(43)).await),
                    }
                }
            });
        }
        std::future::pending::<()>().await;
    });
}

/// A hundred connections that say nothing, and go.
async fn joins(from: IpAddr, way: &Way) {
    let mut held = Vec::new();
    for _ in 0..100 {
        if let Ok(stream) = connect_from(from, way.address).await {
            held.push(stream);
        }
    }
    sleep(Duration::from_millis(20)).await;
}

/// Agrees on encryption, which costs the server more than anything else before it knows who is there, and goes.
async fn handshakes(from: IpAddr, way: &Way) {
    drop(tls_from(from, way, Arc::new(AtomicU64::new(0))).await);
}

/// One message again and again, until the server has enough.
async fn flood(from: IpAddr, way: &Way, token: &str, message: Vec<u8>) {
    let Some(mut socket) = call_from(from, way, token).await else {
        return sleep(Duration::from_millis(50)).await;
    };
    for _ in 0..20_000 {
        if timeout(Duration::from_secs(1), socket.send(Message::Binary(message.clone().into()))).await.is_err() {
            break;
        }
    }
    let _ = timeout(Duration::from_millis(100), socket.next()).await;
}

/// The beginning of a large frame, whose rest does not come.
async fn half(from: IpAddr, way: &Way, token: &str) {
    let Some(mut socket) = call_from(from, way, token).await else {
        return sleep(Duration::from_millis(50)).await;
    };
    // A masked binary frame of 200,000 bytes (RFC 6455 §5.2), and no more than its head.
    let head = [0x82, 0xff, 0, 0, 0, 0, 0, 3, 0x0d, 0x40, 1, 2, 3, 4, 9, 9, 9];
    let _ = socket.get_mut().write_all(&head).await;
    sleep(Duration::from_secs(1)).await;
}

/// A device that gives a hundred volleys and reads none of the answers.
async fn never_reads(way: &Way, token: &str) {
    let mut talk = Device::new(999).join(way, token).await;
    for _ in 0..100 {
        talk.volley(|_| ()).await;
    }
    sleep(Duration::from_secs(2)).await;
}
