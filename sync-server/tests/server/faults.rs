//! The real server and real couriers over lines that delay, break, go deaf and stay half open.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use embertally_core::facts::EntryId;
use embertally_server::{CrewId, Tls};
use embertally_testkit::Rng;

use crate::carried::{Carried, by_way_of, ids_of, until};
use crate::proxy::{FATES, Fate, Proxy};
use crate::rig::{Rig, counted};

const DEVICES: usize = 4;
/// Outings in which volleys are logged: a document each.
const DOCUMENTS: u64 = 3;
const ROUNDS: usize = 6;

async fn on_server(rig: &Rig, crew: CrewId) -> BTreeSet<EntryId> {
    rig.server.hub().with_log(crew, |log| (ids_of(log), Vec::new())).await.expect("the server's log opens")
}

fn frames(rig: &Rig) -> u64 {
    counted(rig, "embertally_frames_in_total") + counted(rig, "embertally_frames_out_total")
}

struct World {
    rig: Rig,
    crew: CrewId,
    devices: Vec<(Carried, Proxy)>,
}

impl World {
    async fn new(seed: u64) -> Self {
        let mut rng = Rng::new(seed);
        let rig = Rig::with(|c| {
            c.tls = Tls::SelfMade;
            c.limits.opening = Duration::from_secs(2);
            c.limits.ping = Duration::from_millis(300);
            c.limits.idle = Duration::from_millis(1_500);
            // All devices of this test come from one address, and again and again.
            c.limits.joins_at_once = 100_000;
        })
        .await;
        let (crew, invitation) = rig.server.invite("Crew A").unwrap();
        let mut devices = Vec::new();
        for n in 0..DEVICES {
            let proxy = Proxy::start(rig.address(), rng.fork()).await;
            let mut device = Carried::new(seed * 100 + n as u64);
            device.connect(&by_way_of(&invitation, &[proxy.address]));
            devices.push((device, proxy));
        }
        Self { rig, crew, devices }
    }

    fn logged(&self) -> BTreeSet<EntryId> {
        self.devices.iter().flat_map(|(device, _)| device.own.iter().copied()).collect()
    }

    /// Waits until every device and the server hold exactly what was logged: nothing lost, nothing invented.
    async fn until_all_hold(&mut self, what: &str) {
        let logged = self.logged();
        let (rig, crew, devices) = (&self.rig, self.crew, &mut self.devices);
        until(what, async || {
            on_server(rig, crew).await == logged && devices.iter_mut().all(|(device, _)| device.entries() == logged)
        })
        .await;
    }

    /// Volleys are logged while every line breaks again and again.
    async fn storm(&mut self, rng: &mut Rng) {
        for round in 0..ROUNDS {
            let made: Vec<u64> = self.devices.iter().map(|(_, proxy)| proxy.made()).collect();
            for (device, _) in &mut self.devices {
                for _ in 0..rng.in_range(1..=3) {
                    device.volley();
                }
            }
            let (rig, crew, devices) = (&self.rig, self.crew, &self.devices);
            until(&format!("round {round}: each line broke, or gave all that it had to"), async || {
                let there = on_server(rig, crew).await;
                let is_done = |(n, (device, proxy)): (usize, &(Carried, Proxy))| {
                    proxy.made() > made[n] || device.own.is_subset(&there)
                };
                devices.iter().enumerate().all(is_done)
            })
            .await;
        }
    }

    /// Every byte is swallowed, and nobody is told: both sides must find out.
    async fn part(&mut self) {
        self.devices.iter().for_each(|(_, proxy)| proxy.part());
        let offline: Vec<u64> = self.devices.iter().map(|(device, _)| device.offline()).collect();
        for (device, _) in &mut self.devices {
            device.volley();
        }
        let (rig, devices) = (&self.rig, &self.devices);
        until("the server drops what is half open", async || {
            counted(rig, "embertally_sessions") == 0 && counted(rig, "embertally_connections") == 0
        })
        .await;
        until("the devices notice too", async || {
            devices.iter().zip(&offline).all(|((device, _), before)| device.offline() > *before)
        })
        .await;
    }
}

async fn run(seed: u64) -> BTreeMap<Fate, usize> {
    let mut rng = Rng::new(seed);
    let mut world = World::new(seed).await;
    world.storm(&mut rng).await;
    world.part().await;

    let before = frames(&world.rig);
    world.devices.iter().for_each(|(_, proxy)| proxy.heal());
    world.until_all_hold("all hold all after the lines are well").await;
    let took = frames(&world.rig) - before;
    let devices = DEVICES as u64;
    // Each meets (two first words, at most eight messages a document), and hears what each other one brought.
    let most = devices * (2 + 8 * DOCUMENTS) + devices * (devices - 1) * 4 * DOCUMENTS;
    assert!(took <= most, "seed {seed}: {took} frames after the lines were well, {most} would be many");
    let first = world.devices[0].0.outline();
    assert_eq!(first.len() as u64, DOCUMENTS);
    let crew = world.crew;
    let of_server = world.rig.server.hub().with_log(crew, |log| (log.outline().unwrap(), Vec::new())).await.unwrap();
    assert_eq!(of_server, first, "seed {seed}: the server");
    world.devices.iter_mut().for_each(|(device, _)| assert_eq!(device.outline(), first, "seed {seed}"));

    // Nothing goes round and round: one more volley costs what one volley costs.
    let before = frames(&world.rig);
    world.devices[0].0.volley();
    world.until_all_hold("one more volley arrives").await;
    let took = frames(&world.rig) - before;
    assert!(took <= 6 * devices, "seed {seed}: {took} frames for one volley");

    world.devices.iter_mut().for_each(|(device, _)| device.stop());
    let rig = &world.rig;
    until("nobody is left", async || {
        counted(rig, "embertally_sessions") == 0 && counted(rig, "embertally_connections") == 0
    })
    .await;
    assert_eq!(counted(rig, "embertally_panics_total"), 0);
    let mut met = BTreeMap::new();
    for (_, proxy) in &world.devices {
        proxy.met().into_iter().for_each(|(fate, n)| *met.entry(fate).or_default() += n);
    }
    met
}

#[tokio::test(flavor = "multi_thread")]
async fn over_lines_that_break_in_every_way_all_end_equal_and_both_sides_let_go_of_what_is_half_open() {
    let number = |name: &str| std::env::var(name).ok().and_then(|s| s.parse::<u64>().ok());
    let (first, seeds) = (number("EMBERTALLY_FIRST_SEED").unwrap_or(1), number("EMBERTALLY_FAULT_SEEDS").unwrap_or(2));
    let mut met: BTreeMap<Fate, usize> = BTreeMap::new();
    for seed in first..first + seeds {
        for (fate, n) in run(seed).await {
            *met.entry(fate).or_default() += n;
        }
    }
    assert!(FATES.iter().all(|fate| met.contains_key(fate)), "not every fate was met: {met:?}");
}
