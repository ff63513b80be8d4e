//! Two servers over one database, each a process of its own: one is killed, one stands still for a while.

use std::collections::BTreeSet;
use std::fs;
use std::sync::Arc;

use embertally_core::facts::EntryId;
use embertally_link::Invitation;
use embertally_postgres::testing::Cluster;
use tempfile::TempDir;

use crate::carried::{Carried, by_way_of, until};
use crate::child::ServerProcess;

struct Pair {
    url: String,
    folders: [TempDir; 2],
    servers: [Option<ServerProcess>; 2],
    ports: [u16; 2],
    invitation: String,
    _cluster: Arc<Cluster>,
}

impl Pair {
    fn start() -> Self {
        let cluster = Cluster::shared();
        let url = cluster.tcp_url(&cluster.new_database());
        let folders = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
        let one = ServerProcess::over(folders[0].path(), &url, 0);
        // Servers behind one invitation show one certificate.
        let tls = folders.each_ref().map(|folder| folder.path().join("tls"));
        fs::create_dir(&tls[1]).unwrap();
        for file in ["certificate.pem", "key.pem"] {
            fs::copy(tls[0].join(file), tls[1].join(file)).unwrap();
        }
        let two = ServerProcess::over(folders[1].path(), &url, 0);
        let (ports, invitation) = ([one.address.port(), two.address.port()], one.invitation.clone());
        Self { url, folders, servers: [Some(one), Some(two)], ports, invitation, _cluster: cluster }
    }

    fn kill(&mut self, n: usize) {
        self.servers[n].take().unwrap().kill();
    }

    fn start_again(&mut self, n: usize) {
        self.servers[n] = Some(ServerProcess::over(self.folders[n].path(), &self.url, self.ports[n]));
    }

    /// An invitation by which these servers are tried, in this order.
    fn invitation(&self, order: &[usize]) -> Invitation {
        let address = |n: &usize| ([127, 0, 0, 1], self.ports[*n]).into();
        by_way_of(&self.invitation, &order.iter().map(address).collect::<Vec<_>>())
    }

    /// Four devices, of which half prefer each server.
    fn devices(&self, seed: u64) -> Vec<Carried> {
        let device = |n: usize| {
            let mut device = Carried::new(seed + n as u64);
            device.connect(&self.invitation(&[n % 2, 1 - n % 2]));
            device
        };
        (0..4).map(device).collect()
    }
}

fn logged(devices: &[Carried]) -> BTreeSet<EntryId> {
    devices.iter().flat_map(|device| device.own.iter().copied()).collect()
}

fn each_logs(devices: &mut [Carried]) {
    for device in devices {
        device.volley();
    }
}

async fn until_all_hold(devices: &mut [Carried], wanted: &BTreeSet<EntryId>, what: &str) {
    until(what, async || devices.iter_mut().all(|device| device.entries() == *wanted)).await;
}

/// Every device logs some volleys; returns when the first of them has reached somebody else.
async fn until_under_way(devices: &mut [Carried], volleys: usize) {
    let before = logged(devices);
    (0..volleys).for_each(|_| each_logs(devices));
    let new: BTreeSet<EntryId> = logged(devices).difference(&before).copied().collect();
    let has_of_others = |device: &mut Carried| {
        let held = device.entries();
        held.intersection(&new).any(|id| !device.own.contains(id))
    };
    until("something is under way", async || devices.iter_mut().any(has_of_others)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn of_two_servers_one_is_killed_while_devices_write_and_nothing_is_lost() {
    let mut pair = Pair::start();
    // Acknowledged by the server that is killed, and by a device that never comes back to tell.
    let mut gone = Carried::new(50);
    for _ in 0..5 {
        gone.volley();
    }
    gone.meet(&pair.invitation(&[0])).unwrap();
    let acknowledged = std::mem::take(&mut gone.own);
    let mut devices = pair.devices(60);
    for killed in [0, 1] {
        until_under_way(&mut devices, 12).await;
        pair.kill(killed);
        each_logs(&mut devices);
        let wanted = &logged(&devices) | &acknowledged;
        until_all_hold(&mut devices, &wanted, "the devices of the killed server go on with the other").await;
        pair.start_again(killed);
    }
    let wanted = &logged(&devices) | &acknowledged;
    let outline = devices[0].outline();
    for n in [0, 1] {
        let mut fresh = Carried::new(70 + n as u64);
        fresh.meet(&pair.invitation(&[n])).unwrap();
        assert_eq!(fresh.entries(), wanted, "server {n}");
        assert_eq!(fresh.outline(), outline, "server {n}");
    }
    devices.iter_mut().for_each(Carried::stop);
}

#[tokio::test(flavor = "multi_thread")]
async fn of_two_servers_one_stands_still_for_a_while_and_the_other_serves_everybody() {
    let pair = Pair::start();
    let mut devices = pair.devices(80);
    until_under_way(&mut devices, 6).await;
    pair.servers[0].as_ref().unwrap().pause();
    each_logs(&mut devices);
    let wanted = logged(&devices);
    until_all_hold(&mut devices, &wanted, "all devices are served by the server that runs").await;

    pair.servers[0].as_ref().unwrap().go_on();
    until_under_way(&mut devices, 3).await;
    let wanted = logged(&devices);
    until_all_hold(&mut devices, &wanted, "all is even after it went on").await;
    // It knows what was written while it stood still, and takes in more.
    let mut fresh = Carried::new(90);
    let own = fresh.volley();
    fresh.meet(&pair.invitation(&[0])).unwrap();
    let wanted = &wanted | &BTreeSet::from([own]);
    assert_eq!(fresh.entries(), wanted);
    until_all_hold(&mut devices, &wanted, "devices of the other server hear of it").await;

    // Nothing goes round and round: twenty more volleys cost what twenty volleys cost.
    let before: u64 = devices.iter().map(Carried::bytes).sum();
    let mut wanted = wanted;
    for n in 0..20 {
        wanted.insert(devices[n % 4].volley());
        until_all_hold(&mut devices, &wanted, "one more volley arrives").await;
    }
    let bytes = devices.iter().map(Carried::bytes).sum::<u64>() - before;
    assert!(bytes < 20 * 4 * 2_000, "{bytes} bytes for twenty volleys");
    devices.iter_mut().for_each(Carried::stop);
}
