//! Eight devices that were out of reach all evening meet.

use std::time::Instant;

use futures_util::future::join_all;

use crate::device::{Device, Talk};
use crate::server::ServerProcess;

const DEVICES: u64 = 8;
const VOLLEYS: u64 = 100;

async fn until_all(talk: &mut Talk) {
    let all = (DEVICES * VOLLEYS) as usize;
    while talk.device.seen.len() < all || !talk.has_met() {
        talk.step().await;
    }
}

pub(crate) async fn run() {
    println!("meeting: {DEVICES} devices with {} shots each, in volleys of ten, over TLS", VOLLEYS * 10);
    for round in 0..3 {
        let folder = tempfile::tempdir().expect("a folder");
        let server = ServerProcess::start(folder.path(), 1);
        let (_, token) = &server.crews[0];
        let devices: Vec<Device> = (0..DEVICES)
            .map(|n| {
                let mut device = Device::new(1 + n + 100 * round);
                for _ in 0..VOLLEYS {
                    device.volley();
                }
                device
            })
            .collect();
        let began = Instant::now();
        let joined = devices.into_iter().map(|device| async {
            let mut talk = device.join(&server.way, token).await;
            until_all(&mut talk).await;
            talk
        });
        let talks = join_all(joined).await;
        let took = began.elapsed();
        let bytes: u64 = talks.iter().map(Talk::wire_bytes).sum();
        println!(
            "  all agree after {:.3} s; {:.2} MB on the wire; the server used {:.2} s of processor",
            took.as_secs_f64(),
            bytes as f64 / 1e6,
            server.processor_s()
        );
        // The same device, up to date, comes back.
        for talk in talks.into_iter().take(1) {
            let device = talk.device;
            let began = Instant::now();
            let mut again = device.join(&server.way, token).await;
            let opened = again.wire_bytes();
            again.meet().await;
            let (said, heard) = again.frame_bytes();
            println!(
                "  up to date, it comes back in {:.1} ms; {said} bytes of frames said, {heard} heard; {} on the wire in all, of them {opened} TLS, the WebSocket's opening and its first words",
                began.elapsed().as_secs_f64() * 1e3,
                again.wire_bytes()
            );
        }
    }
}
