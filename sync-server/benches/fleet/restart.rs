//! A million shots in five hundred outings: from the start to the first device that is up to date.

use std::time::Instant;

use embertally_core::facts::{DeviceId, Entry, PersonId};
use embertally_core::log::{Home, Log};
use embertally_store_sqlite::SqliteStore;
use embertally_testkit::Rng;
use embertally_testkit::builders::{VolleyBuilder, outing};

use crate::device::Device;
use crate::server::ServerProcess;

const OUTINGS: u64 = 500;
const VOLLEYS: u64 = 200;

pub(crate) async fn run() {
    println!("restart: {} shots in {OUTINGS} outings", OUTINGS * VOLLEYS * 10);
    let folder = tempfile::tempdir().expect("a folder");
    let crew = ServerProcess::start(folder.path(), 1).crews[0].0.clone();
    let store = SqliteStore::open(folder.path().join("crews").join(&crew)).expect("a store");
    let mut log = Log::open(store, Rng::new(1));
    let mut rng = Rng::new(2);
    let began = Instant::now();
    for number in 0..OUTINGS {
        let home = outing(number);
        let entries: Vec<(Home, Entry)> = (0..VOLLEYS)
            .map(|n| {
                let builder = VolleyBuilder {
                    device: DeviceId::named(&format!("device {}", n % 8)),
                    observer: PersonId::named("somebody"),
                    outing: home,
                    at_ms: 1_900_000_000_000 + (number * VOLLEYS + n) as i64 * 90_000,
                    shots: 10,
                    first_unit: n * 10,
                };
                (Home::Outing(home), builder.build(&mut rng))
            })
            .collect();
        log.write_all(&entries).expect("writable");
    }
    drop(log);
    println!("  (written in {:.1} s)", began.elapsed().as_secs_f64());
    for _ in 0..3 {
        let began = Instant::now();
        let server = ServerProcess::start(folder.path(), 1);
        let listening = began.elapsed();
        let empty_kb = server.memory_kb();
        // The first answer holds the outline of all outings.
        let mut talk = Device::new(9).join(&server.way, &server.crews[0].1).await;
        talk.step().await;
        println!(
            "  listening after {:.3} s; the first device has the outline after {:.3} s; {:.1} MB then, {:.1} MB before",
            listening.as_secs_f64(),
            began.elapsed().as_secs_f64(),
            server.memory_kb() as f64 / 1e3,
            empty_kb as f64 / 1e3
        );
    }
    let server = ServerProcess::start(folder.path(), 1);
    let began = Instant::now();
    let mut talk = Device::new(10).join(&server.way, &server.crews[0].1).await;
    talk.meet().await;
    println!(
        "  a new device has all of it after {:.1} s, {:.1} MB on the wire, the server at {:.1} MB",
        began.elapsed().as_secs_f64(),
        talk.wire_bytes() as f64 / 1e6,
        server.memory_kb() as f64 / 1e3
    );
}
