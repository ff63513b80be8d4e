//! Crews of eight at work: each device logs a volley every ten seconds.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use embertally_core::facts::EntryId;
use futures_util::future::join_all;
use tokio::time::{Instant as At, sleep, sleep_until};

use crate::device::Device;
use crate::server::ServerProcess;

const CREW: usize = 8;
const EVERY: Duration = Duration::from_secs(10);

#[derive(Default)]
struct Seen {
    written: HashMap<EntryId, Instant>,
    waited: Vec<Duration>,
}

pub(crate) async fn run(devices: usize, seconds: usize) {
    println!("evening: {devices} devices in crews of {CREW}, each logs a volley of ten every 10 s, for {seconds} s");
    let folder = tempfile::tempdir().expect("a folder");
    let server = Arc::new(ServerProcess::start(folder.path(), devices.div_ceil(CREW).max(40)));
    let empty_kb = server.memory_kb();
    let mut talks = Vec::new();
    let began = Instant::now();
    for batch in (0..devices).collect::<Vec<_>>().chunks(50) {
        let joining = batch.iter().map(|n| {
            let (server, n) = (&server, *n);
            async move {
                let mut talk = Device::new(n as u64 + 1).join(&server.way, &server.crews[n / CREW].1).await;
                talk.meet().await;
                talk
            }
        });
        talks.extend(join_all(joining).await);
    }
    println!("  all joined after {:.1} s", began.elapsed().as_secs_f64());
    sleep(Duration::from_secs(1)).await;
    let joined_kb = server.memory_kb();
    let seen = Arc::new(Mutex::new(Seen::default()));
    let end = At::now() + Duration::from_secs(seconds as u64);
    let before_s = server.processor_s();
    let work = talks.into_iter().enumerate().map(|(n, mut talk)| {
        let seen = seen.clone();
        tokio::spawn(async move {
            // Spread over the ten seconds, a crew's own devices too.
            let mut next = At::now() + EVERY.mul_f64((n as f64 * 0.618_033_988_75).fract());
            loop {
                tokio::select! {
                    message = talk.hear() => {
                        let new = talk.deal_with(message).await;
                        let now = Instant::now();
                        let mut seen = seen.lock().expect("no panic");
                        let waits: Vec<Duration> = new.iter().filter_map(|id| seen.written.get(id)).map(|at| now - *at).collect();
                        seen.waited.extend(waits);
                    }
                    () = sleep_until(next.min(end)) => {
                        if At::now() >= end {
                            // What is under way still comes in.
                            return drain(talk, seen).await;
                        }
                        next += EVERY;
                        let at = Instant::now();
                        let written = |id| seen.lock().expect("no panic").written.extend([(id, at)]);
                        talk.volley(written).await;
                    }
                }
            }
        })
    });
    let work: Vec<_> = work.collect();
    let watched = server.clone();
    let watching = tokio::spawn(async move {
        // Every ten seconds, to tell growth from a level.
        let mut levels = Vec::new();
        for _ in 0..seconds / 10 {
            sleep(EVERY).await;
            levels.push(format!("{:.1}", watched.memory_kb().saturating_sub(empty_kb) as f64 / devices as f64));
        }
        levels.join(", ")
    });
    let talks = join_all(work).await;
    println!("  kB a device, every 10 s: {}", watching.await.expect("no panic"));
    let kb = server.memory_kb();
    let mut seen = seen.lock().expect("no panic");
    seen.waited.sort_unstable();
    let at = |share: f64| {
        let index = ((seen.waited.len() as f64 * share) as usize).min(seen.waited.len().saturating_sub(1));
        seen.waited.get(index).map_or(f64::NAN, |w| w.as_secs_f64() * 1e3)
    };
    let wanted: usize = (0..devices)
        .map(|n| {
            let crew = CREW.min(devices - n / CREW * CREW);
            crew - 1
        })
        .sum::<usize>()
        * seen.written.len()
        / devices.max(1);
    println!(
        "  {} volleys reached the others {} times (of about {wanted}); p50 {:.1} ms, p99 {:.1} ms, longest {:.1} ms",
        seen.written.len(),
        seen.waited.len(),
        at(0.5),
        at(0.99),
        at(1.0)
    );
    println!(
        "  server: {:.1} MB empty; {:.1} kB a device joined, {:.1} kB a device at the end; {:.0} % of one processor",
        empty_kb as f64 / 1e3,
        joined_kb.saturating_sub(empty_kb) as f64 / devices as f64,
        kb.saturating_sub(empty_kb) as f64 / devices as f64,
        (server.processor_s() - before_s) / seconds as f64 * 100.0
    );
    drop(talks);
}

async fn drain(mut talk: crate::device::Talk, seen: Arc<Mutex<Seen>>) -> crate::device::Talk {
    while let Ok(message) = tokio::time::timeout(Duration::from_secs(2), talk.hear()).await {
        let new = talk.deal_with(message).await;
        let now = Instant::now();
        let mut seen = seen.lock().expect("no panic");
        let waits: Vec<Duration> = new.iter().filter_map(|id| seen.written.get(id)).map(|at| now - *at).collect();
        seen.waited.extend(waits);
    }
    talk
}
