//! Two servers over one PostgreSQL database.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use embertally_core::sync::Refusal;
use embertally_postgres::testing::Cluster;
use embertally_server::{Config, Server, StoreChoice};

use crate::device::{Device, End, HOME, open};
use crate::rig::{config, request, secret};

fn over(folder: &std::path::Path, url: &str) -> Config {
    let mut config = config(folder);
    config.store = StoreChoice::Postgres(url.to_owned());
    config
}

#[tokio::test(flavor = "multi_thread")]
async fn what_one_server_accepts_reaches_devices_of_the_other_and_so_does_a_revocation() {
    let cluster = Cluster::shared();
    let url = cluster.tcp_url(&cluster.new_database());
    let folders = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    let one = Server::start(over(folders[0].path(), &url)).await.unwrap();
    let two = Server::start(over(folders[1].path(), &url)).await.unwrap();
    assert!(one.admin_token.is_some() && two.admin_token.is_none(), "one administrator for both");
    assert_eq!(one.device, two.device, "to devices the two are one");
    let (crew, invitation) = one.invite("Crew A").unwrap();
    let token = secret(&invitation);
    let id = one.access().tokens(Some(crew))[0].id;
    // The other server hears of the new crew within a second or so.
    let mut a = Device::join(one.address, &token, 1).await.unwrap();
    let mut b = loop {
        match Device::join(two.address, &token, 2).await {
            Ok(device) => break device,
            Err(status) => assert!([401, 429].contains(&status), "{status}"),
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    let (mut wanted, mut waits) = (BTreeSet::new(), Vec::new());
    for _ in 0..5 {
        let began = Instant::now();
        wanted.insert(a.volley().await);
        tokio::join!(a.meet(), b.until_holds(&wanted));
        waits.push(began.elapsed());
        let began = Instant::now();
        wanted.insert(b.volley().await);
        tokio::join!(b.meet(), a.until_holds(&wanted));
        waits.push(began.elapsed());
    }
    // Each server also looks by itself every two seconds: what is sooner came by the database's word.
    waits.sort_unstable();
    assert!(waits[5] < Duration::from_secs(1), "{waits:?}");
    assert_eq!(a.outline(), b.outline());
    let admin = one.admin_token.clone().unwrap();
    let backup = request(two.address, "POST", "/api/v1/backup", &admin, "").await;
    assert_eq!((backup.status, backup.code().as_str()), (501, "E_SERVER_BACKUP"));

    // One server goes; its devices go on with the other, and nothing is missing.
    one.shutdown().await;
    a.until_ended().await;
    let mut a = a.again(two.address, &token).await.unwrap();
    a.meet().await;
    wanted.insert(a.volley().await);
    a.meet().await;
    b.until_holds(&wanted).await;

    // Revoked on a server that has just come up; devices of the other are cut off.
    let three = Server::start(over(folders[0].path(), &url)).await.unwrap();
    assert!(three.access().revoke(Some(crew), id).unwrap());
    let end = b.until_ended().await;
    assert!(matches!(end, End::Refused(Refusal::NotAllowed { .. })), "{end:?}");
    // 429 where the tries before have used up the patience for wrong tokens.
    let refused = open(HOME.into(), two.address, &token).await.err();
    assert!(matches!(refused, Some(401 | 429)), "{refused:?}");
}
