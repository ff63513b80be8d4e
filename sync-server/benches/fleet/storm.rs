//! What bad devices cost the good ones: fifty devices at work, alone and beside ten that do what they can.
//!
//! Ten bad devices keep two processors busy whatever they call, so the good ones are also measured while the bad ones
//! call another server on the same machine. What is over that is what the server lets them do to each other.

use std::path::Path;
use std::time::{Duration, Instant};

use futures_util::future::join_all;
use tokio::time::sleep;

use crate::bad::{BAD, BadOnes};
use crate::device::{Device, Talk};
use crate::server::ServerProcess;

const PAIRS: usize = 25;
const ROUNDS: usize = 40;
const EVERY: Duration = Duration::from_millis(250);
/// How often each of the two is measured, in turn.
const TURNS: usize = 3;

/// Each pair hands volleys over, one after the other; returns how long each took to arrive.
async fn exchanges(pairs: &mut [(Talk, Talk)]) -> Vec<Duration> {
    let all = join_all(pairs.iter_mut().enumerate().map(|(n, (a, b))| async move {
        let mut waits = Vec::new();
        // Not all in the same moment.
        sleep(EVERY.mul_f64(n as f64 / PAIRS as f64)).await;
        for _ in 0..ROUNDS {
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
            sleep(EVERY.saturating_sub(began.elapsed())).await;
        }
        waits
    }));
    all.await.into_iter().flatten().collect()
}

/// Prints the figures of a part; returns its p99 in milliseconds.
fn told(what: &str, waits: &mut [Duration]) -> f64 {
    waits.sort_unstable();
    let at = |share: f64| waits.get((waits.len() as f64 * share) as usize).map_or(f64::NAN, |w| w.as_secs_f64() * 1e3);
    let longest = waits.last().map_or(f64::NAN, |w| w.as_secs_f64() * 1e3);
    println!(
        "  {what}: p50 {:.1} ms, p99 {:.1} ms, longest {longest:.1} ms ({} volleys)",
        at(0.5),
        at(0.99),
        waits.len()
    );
    at(0.99)
}

/// Measures while ten bad devices call a server.
async fn beside(pairs: &mut [(Talk, Talk)], called: &ServerProcess, folder: &Path) -> Vec<Duration> {
    let bad = BadOnes::start(called, folder);
    sleep(Duration::from_millis(500)).await;
    let waits = exchanges(pairs).await;
    drop(bad);
    waits
}

pub(crate) async fn run() {
    println!(
        "storm: {} devices in crews of two, a volley every {} ms each pair; ten bad ones",
        PAIRS * 2,
        EVERY.as_millis()
    );
    let (folder, elsewhere) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    let server = ServerProcess::start(folder.path(), PAIRS + BAD);
    let other = ServerProcess::start(elsewhere.path(), PAIRS + BAD);
    let mut pairs = Vec::new();
    for n in 0..PAIRS {
        let token = &server.crews[n].1;
        let mut a = Device::new(2 * n as u64 + 1).join(&server.way, token).await;
        let mut b = Device::new(2 * n as u64 + 2).join(&server.way, token).await;
        a.meet().await;
        b.meet().await;
        pairs.push((a, b));
    }
    told("alone", &mut exchanges(&mut pairs).await);
    let (mut apart, mut together) = (Vec::new(), Vec::new());
    let (mut before_kb, mut most_kb) = (u64::MAX, 0);
    for _ in 0..TURNS {
        apart.extend(beside(&mut pairs, &other, elsewhere.path()).await);
        before_kb = before_kb.min(server.memory_kb());
        together.extend(beside(&mut pairs, &server, folder.path()).await);
        most_kb = most_kb.max(server.memory_kb());
    }
    let apart = told("the bad ones call another server", &mut apart);
    let together = told("the bad ones call this one", &mut together);
    println!(
        "  p99 is {:.2} times as long; {:.1} MB before, {:.2} MB more a bad one",
        together / apart,
        before_kb as f64 / 1e3,
        most_kb.saturating_sub(before_kb) as f64 / 1e3 / BAD as f64
    );
}
