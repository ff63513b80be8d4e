//! What bad devices cost the good ones: fifty devices at work, first alone, then beside ten that do what they can.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use futures_util::future::join_all;
use futures_util::{SinkExt, StreamExt};
use tokio::io::AsyncWriteExt;
use tokio::time::{sleep, timeout};
use tokio_tungstenite::tungstenite::Message;

use crate::device::{Device, Talk, call_from, connect_from};
use crate::server::ServerProcess;

const PAIRS: usize = 25;
/// Where the bad ones come from.
const BAD: [u8; 4] = [127, 0, 0, 9];
const ROUNDS: usize = 40;

/// Each pair hands volleys over, one after the other; returns how long each took to arrive.
async fn exchanges(pairs: &mut [(Talk, Talk)]) -> Vec<Duration> {
    let all = join_all(pairs.iter_mut().map(|(a, b)| async {
        let mut waits = Vec::new();
        for _ in 0..ROUNDS {
            sleep(Duration::from_millis(50)).await;
            let began = Instant::now();
            let id = a.volley(|_| ()).await;
            let arrives = async {
                while !b.device.seen.contains(&id) {
                    b.step().await;
                }
                began.elapsed()
            };
            waits.push(tokio::join!(arrives, a.meet()).0);
            b.meet().await;
        }
        waits
    }));
    let mut waits: Vec<Duration> = all.await.into_iter().flatten().collect();
    waits.sort_unstable();
    waits
}

fn told(what: &str, waits: &[Duration], server: &ServerProcess) {
    let at = |share: f64| waits.get((waits.len() as f64 * share) as usize).map_or(f64::NAN, |w| w.as_secs_f64() * 1e3);
    println!(
        "  {what}: p50 {:.1} ms, p99 {:.1} ms; the server at {:.1} MB",
        at(0.5),
        at(0.99),
        server.memory_kb() as f64 / 1e3
    );
}

pub(crate) async fn run() {
    println!("storm: {} devices in crews of two, then ten bad ones beside them", PAIRS * 2);
    let folder = tempfile::tempdir().expect("a folder");
    let server = Arc::new(ServerProcess::start(folder.path(), PAIRS + 1));
    let mut pairs = Vec::new();
    for n in 0..PAIRS {
        let token = &server.crews[n].1;
        let mut a = Device::new(2 * n as u64 + 1).join(&server, token).await;
        let mut b = Device::new(2 * n as u64 + 2).join(&server, token).await;
        a.meet().await;
        b.meet().await;
        pairs.push((a, b));
    }
    told("alone", &exchanges(&mut pairs).await, &server);
    let going = Arc::new(AtomicBool::new(true));
    let bad: Vec<_> = (0..10)
        .map(|n| {
            let (server, going) = (server.clone(), going.clone());
            tokio::spawn(async move {
                while going.load(Ordering::Relaxed) {
                    match n % 4 {
                        0 => joins(server.address).await,
                        1 => flood(&server, vec![0x81, 0x10]).await,
                        2 => flood(&server, vec![0xff; 200 << 10]).await,
                        _ => half(&server).await,
                    }
                }
            })
        })
        .collect();
    sleep(Duration::from_millis(500)).await;
    told("beside ten bad ones", &exchanges(&mut pairs).await, &server);
    going.store(false, Ordering::Relaxed);
    bad.into_iter().for_each(|task| task.abort());
}

/// A hundred connections that say nothing, and go.
async fn joins(to: SocketAddr) {
    let mut held = Vec::new();
    for _ in 0..100 {
        if let Ok(stream) = connect_from(BAD.into(), to).await {
            held.push(stream);
        }
    }
    sleep(Duration::from_millis(20)).await;
}

/// One message again and again, until the server has enough.
async fn flood(server: &ServerProcess, message: Vec<u8>) {
    let Some(mut socket) = call_from(BAD.into(), server, &server.crews[PAIRS].1).await else {
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
async fn half(server: &ServerProcess) {
    let Some(mut socket) = call_from(BAD.into(), server, &server.crews[PAIRS].1).await else {
        return sleep(Duration::from_millis(50)).await;
    };
    // A masked binary frame of 200,000 bytes (RFC 6455 §5.2), and no more than its head.
    let head = [0x82, 0xff, 0, 0, 0, 0, 0, 3, 0x0d, 0x40, 1, 2, 3, 4, 9, 9, 9];
    let _ = socket.get_mut().write_all(&head).await;
    sleep(Duration::from_secs(1)).await;
}
