//! 8 `samod` clients through one `samod` hub in a process of its own, over WebSockets on loopback, nothing stored.
//! One document with a map of byte strings, one change an entry.

mod counted;
mod entries;

use std::collections::HashSet;
use std::convert::Infallible;
use std::io::{BufRead, BufReader, Write};
use std::net::SocketAddr;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use automerge::transaction::Transactable;
use automerge::{Automerge, ObjType, ROOT, ReadDoc};
use futures::future::{BoxFuture, join_all};
use futures::{FutureExt, StreamExt};
use samod::storage::{InMemoryStorage, Storage, StorageKey};
use samod::{BackoffConfig, DialError, Dialer, DocHandle, Repo, Transport, Url};
use tokio::net::{TcpListener, TcpStream};

use counted::{Counted, transport};
use entries::{DEVICES, EACH, entries};

const HUB: &str = "SAMOD_PEER_HUB";

/// Is the hub, until whoever started it is gone.
async fn hub() {
    let repo = Repo::build_tokio().load().await;
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("an address");
    let acceptor = repo.make_acceptor(format!("ws://{address}").parse().expect("a URL")).expect("a running repo");
    println!("{address}");
    std::io::stdout().flush().expect("somebody listens");
    std::thread::spawn(|| {
        let _ = std::io::stdin().lines().count();
        std::process::exit(0);
    });
    loop {
        let (stream, _) = listener.accept().await.expect("a connection");
        stream.set_nodelay(true).expect("a socket");
        let acceptor = acceptor.clone();
        tokio::spawn(async move {
            let socket = tokio_tungstenite::accept_async(stream).await.expect("a WebSocket");
            acceptor.accept(transport(socket)).expect("a running repo");
        });
    }
}

struct Client {
    address: SocketAddr,
    bytes: Arc<AtomicU64>,
}

impl Dialer for Client {
    type Error = Infallible;

    fn url(&self) -> Url {
        format!("ws://{}", self.address).parse().expect("a URL")
    }

    fn connect(&self) -> BoxFuture<'static, Result<Transport, DialError<Infallible>>> {
        let (address, bytes, url) = (self.address, self.bytes.clone(), self.url());
        async move {
            let stream = TcpStream::connect(address).await.map_err(DialError::transient)?;
            stream.set_nodelay(true).map_err(DialError::transient)?;
            let opened = tokio_tungstenite::client_async(url.as_str(), Counted { stream, bytes }).await;
            Ok(transport(opened.map_err(DialError::transient)?.0))
        }
        .boxed()
    }
}

fn write(handle: &DocHandle, device: usize) {
    handle.with_document(|doc| {
        for (key, bytes) in entries(device) {
            let written = doc.transact(|tx| {
                let (_, map) = tx.get(ROOT, "entries")?.expect("a map");
                tx.put(map, key, bytes)
            });
            written.expect("writable");
        }
    });
}

fn size(handle: &DocHandle) -> usize {
    handle.with_document(|doc| {
        let (_, map) = doc.get(ROOT, "entries").expect("readable").expect("a map");
        doc.length(map)
    })
}

async fn devices() {
    let mut child = Command::new(std::env::current_exe().expect("this program"))
        .env(HUB, "1")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("a child");
    let mut line = String::new();
    BufReader::new(child.stdout.take().expect("its output")).read_line(&mut line).expect("its address");
    let address: SocketAddr = line.trim().parse().expect("an address");

    // All devices start from one document, as after an invitation: the first makes it, the others load it by its id.
    let storage = InMemoryStorage::new();
    let maker = Repo::build_tokio().with_storage(storage.clone()).load().await;
    let mut root = Automerge::new();
    root.transact(|tx| tx.put_object(ROOT, "entries", ObjType::Map)).expect("writable");
    let id = maker.create(root).await.expect("a running repo").document_id().clone();
    maker.stop().await;
    let mut devices = Vec::new();
    let prefix = StorageKey::from_parts([id.to_string()]).expect("a key");
    let saved = storage.load_range(prefix).await;
    for n in 0..DEVICES {
        let own = InMemoryStorage::new();
        for (key, bytes) in &saved {
            own.put(key.clone(), bytes.clone()).await;
        }
        let repo = Repo::build_tokio().with_storage(own).load().await;
        let handle = repo.find(id.clone()).await.expect("a running repo").expect("the document");
        write(&handle, n);
        assert_eq!(size(&handle), EACH);
        devices.push((repo, handle));
    }

    let bytes = Arc::new(AtomicU64::new(0));
    let began = Instant::now();
    let meeting = devices.iter().map(|(repo, handle)| {
        let bytes = bytes.clone();
        async move {
            let mut changes = handle.changes();
            let dialer = repo.dial(BackoffConfig::default(), Arc::new(Client { address, bytes })).expect("a running repo");
            while size(handle) < DEVICES * EACH {
                changes.next().await.expect("a running repo");
            }
            dialer
        }
    });
    let dialers = join_all(meeting).await;
    let seconds = began.elapsed().as_secs_f64();
    let bytes = bytes.load(Ordering::Relaxed);
    let heads: HashSet<String> = devices
        .iter()
        .map(|(_, handle)| {
            let mut heads = handle.with_document(|doc| doc.get_heads());
            heads.sort();
            format!("{heads:?}")
        })
        .collect();
    assert_eq!(heads.len(), 1, "different heads");
    println!(r#"{{"peer":"samod","seconds":{seconds},"bytes":{bytes}}}"#);
    drop(dialers);
    child.kill().expect("a child");
    child.wait().expect("a child");
}

#[tokio::main]
async fn main() {
    if std::env::var_os(HUB).is_some() { hub().await } else { devices().await }
}
