//! Starting, stopping, being killed, being copied.

use std::collections::BTreeSet;

use embertally_core::sync::Refusal;
use embertally_server::Server;

use crate::child::ServerProcess;
use crate::device::{Device, End, HOME, PATIENCE, open};
use crate::rig::{Rig, config, request, secret};

#[tokio::test(flavor = "multi_thread")]
async fn a_killed_server_has_everything_that_it_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    let mut token = String::new();
    let (mut acknowledged, mut all) = (BTreeSet::new(), Vec::new());
    for round in 0..4 {
        let server = ServerProcess::start(folder.path());
        if round == 0 {
            token = secret(&server.invitation);
        }
        let mut devices = Vec::new();
        for n in 0..3 {
            devices.push(Device::join(server.address, &token, 100 * round + n).await.unwrap());
        }
        for device in &mut devices {
            for _ in 0..5 + 4 * round {
                device.volley().await;
                device.step().await;
            }
            device.meet().await;
            acknowledged.extend(device.entries());
            // These are on their way when it happens.
            device.volley().await;
        }
        server.kill();
        all.extend(devices);
    }
    let server = ServerProcess::start(folder.path());
    let mut fresh = Device::join(server.address, &token, 999).await.unwrap();
    fresh.until_holds(&acknowledged).await;
    assert!(acknowledged.len() >= 4 * 3 * 5, "{}", acknowledged.len());
    // What was committed and not acknowledged, or never arrived: it is sent again, and all end equal.
    let mut back = Vec::new();
    let mut written = BTreeSet::new();
    for device in all {
        let mut device = device.again(server.address, &token).await.unwrap();
        device.meet().await;
        written.extend(device.entries());
        back.push(device);
    }
    fresh.until_holds(&written).await;
    for device in &mut back {
        device.until_holds(&written).await;
        assert_eq!((device.entries(), device.outline()), (written.clone(), fresh.outline()));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn at_shutdown_devices_are_told_and_one_that_does_not_read_holds_nobody_up() {
    let rig = Rig::new().await;
    let (_, token) = rig.crew("Crew A");
    let mut device = Device::join(rig.address(), &token, 1).await.unwrap();
    let deaf = Device::join(rig.address(), &token, 2).await.unwrap();
    let mute = open(HOME.into(), rig.address(), &token).await.unwrap();
    let idle = tokio::net::TcpStream::connect(rig.address()).await.unwrap();
    let id = device.volley().await;
    device.meet().await;
    let (address, folder) = (rig.address(), rig.folder);
    let stopping = tokio::spawn(rig.server.shutdown());
    let end = device.until_ended().await;
    assert!(matches!(end, End::Refused(Refusal::Closing { .. })), "{end:?}");
    tokio::time::timeout(PATIENCE, stopping).await.expect("an end").unwrap();
    assert!(open(HOME.into(), address, &token).await.is_err());
    drop((deaf, mute, idle));

    let again = Server::start(config(folder.path())).await.unwrap();
    let mut fresh = Device::join(again.address, &token, 3).await.unwrap();
    fresh.until_holds(&BTreeSet::from([id])).await;
    let mut back = device.again(again.address, &token).await.unwrap();
    back.meet().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_backup_made_while_devices_write_is_a_server_of_its_own() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    rig.crew("Crew B, which never wrote");
    let mut device = Device::join(rig.address(), &token, 1).await.unwrap();
    let mut before = BTreeSet::new();
    for _ in 0..10 {
        before.insert(device.volley().await);
    }
    device.meet().await;
    let made = rig.post("/api/v1/backup", &rig.admin, "").await;
    assert_eq!(made.status, 201, "{made:?}");
    let made = made.json();
    assert_eq!(made["crews"], 1);
    // Acknowledged by the old server and not in the backup: the device must not think the new one has it.
    let after = device.volley().await;
    device.meet().await;
    let old_device = rig.server.device;
    let backup = rig.folder.path().join("backups").join(made["name"].as_str().unwrap());
    let restored = tempfile::tempdir().unwrap();
    copy(&backup, restored.path());
    rig.server.shutdown().await;

    let again = Server::start(config(restored.path())).await.unwrap();
    assert_eq!(again.admin_token, None, "tokens are in the backup");
    assert_ne!(again.device, old_device, "a restored server is another device");
    let titles = request(again.address, "GET", "/api/v1/crews", &rig.admin, "").await.json();
    assert_eq!(titles["crews"].as_array().map(Vec::len), Some(2));
    let one = request(again.address, "GET", &format!("/api/v1/crews/{crew}"), &token, "").await.json();
    assert_eq!(one["entries"], 10);
    let mut fresh = Device::join(again.address, &token, 2).await.unwrap();
    fresh.until_holds(&before).await;
    let mut back = device.again(again.address, &token).await.unwrap();
    back.meet().await;
    fresh.until_holds(&BTreeSet::from([after])).await;
}

fn copy(from: &std::path::Path, to: &std::path::Path) {
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            std::fs::create_dir_all(&target).unwrap();
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_crew_whose_store_fails_is_told_to_try_again_and_the_others_go_on() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let (_, other) = rig.crew("Crew B");
    // A file where the crew's folder should be.
    let place = rig.folder.path().join("crews").join(crew.to_string());
    std::fs::write(&place, b"in the way").unwrap();
    let mut device = Device::call(HOME, rig.address(), &token, 1).await.unwrap();
    let end = device.until_ended().await;
    assert!(matches!(&end, End::Refused(refusal @ Refusal::Store { .. }) if refusal.may_pass()), "{end:?}");
    let answer = rig.get(&format!("/api/v1/crews/{crew}"), &token).await;
    assert_eq!(answer.status, 500);
    assert!(!answer.text().contains(rig.folder.path().to_str().unwrap()), "no paths go out: {}", answer.text());
    Device::join(rig.address(), &other, 2).await.unwrap();
    // Once it is mended the device comes back.
    std::fs::remove_file(&place).unwrap();
    let mut back = device.again(rig.address(), &token).await.unwrap();
    back.meet().await;
    back.volley().await;
    back.meet().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn crews_and_tokens_are_there_after_a_restart_and_revoked_ones_stay_revoked() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let (_, gone) = rig.crew("Crew B");
    let listed = rig.server.access().crews();
    let b = listed.iter().find(|c| c.title == "Crew B").unwrap().id;
    let id = rig.server.access().tokens(Some(b))[0].id;
    assert!(!rig.server.access().revoke(Some(crew), id).unwrap(), "not a token of that crew");
    assert!(rig.server.access().revoke(Some(b), id).unwrap());
    let (device, folder) = (rig.server.device, rig.folder);
    rig.server.shutdown().await;
    let again = Server::start(config(folder.path())).await.unwrap();
    assert_eq!(again.device, device);
    assert_eq!(again.access().crews().len(), 2);
    Device::join(again.address, &token, 1).await.unwrap();
    assert_eq!(open(HOME.into(), again.address, &gone).await.err(), Some(401));
}
