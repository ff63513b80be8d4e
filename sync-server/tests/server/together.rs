//! Devices of a crew, and crews beside each other.

use std::collections::BTreeSet;
use std::sync::Arc;

use axum::http::HeaderMap;
use axum::routing::get;
use axum::{Extension, Router};
use embertally_core::facts::PersonId;
use embertally_core::log::Home;
use embertally_server::{Extend, Hub, Problem, Visit};
use embertally_testkit::Rng;
use embertally_testkit::builders::{VolleyBuilder, outing};

use futures_util::future::join_all;

use crate::device::Device;
use crate::rig::Rig;

#[tokio::test(flavor = "multi_thread")]
async fn what_one_device_writes_reaches_the_others_and_all_end_equal() {
    let rig = Rig::new().await;
    let (_, token) = rig.crew("Crew A");
    let mut devices = Vec::new();
    let mut wanted = BTreeSet::new();
    for seed in 1..=4 {
        let mut device = Device::join(rig.address(), &token, seed).await.unwrap();
        for _ in 0..10 {
            wanted.insert(device.volley().await);
        }
        devices.push(device);
    }
    join_all(devices.iter_mut().map(|device| device.until_holds(&wanted))).await;
    // Now all are there, and one more is written: the others hear of it without asking.
    wanted.insert(devices[0].volley().await);
    join_all(devices.iter_mut().map(|device| device.until_holds(&wanted))).await;
    let first = devices[0].outline();
    assert_eq!(first.len(), 2);
    for device in &mut devices {
        assert_eq!(device.outline(), first);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn two_crews_cannot_see_each_other() {
    let rig = Rig::new().await;
    let (crew_a, token_a) = rig.crew("Crew A");
    let (crew_b, token_b) = rig.crew("Crew B");
    let mut a = Device::join(rig.address(), &token_a, 1).await.unwrap();
    let mut b = Device::join(rig.address(), &token_b, 2).await.unwrap();
    let of_a = a.volley().await;
    let of_b = b.volley().await;
    a.meet().await;
    b.meet().await;
    assert_eq!(a.entries(), BTreeSet::from([of_a]));
    assert_eq!(b.entries(), BTreeSet::from([of_b]));
    for path in ["", "/rates", "/export"] {
        let own = rig.get(&format!("/api/v1/crews/{crew_b}{path}"), &token_b).await;
        assert_eq!(own.status, 200, "{path}");
        let other = rig.get(&format!("/api/v1/crews/{crew_b}{path}"), &token_a).await;
        assert_eq!((other.status, other.code().as_str()), (403, "E_SERVER_FORBIDDEN"), "{path}");
        // The same words for a crew that is not there.
        let nobody = rig.get(&format!("/api/v1/crews/{}{path}", "0".repeat(32)), &token_a).await;
        assert_eq!(nobody.body, other.body);
    }
    for (method, path) in [
        ("GET", "/api/v1/crews".to_owned()),
        ("POST", "/api/v1/crews".to_owned()),
        ("POST", "/api/v1/backup".to_owned()),
        ("GET", format!("/api/v1/crews/{crew_a}/tokens")),
    ] {
        let answer = crate::rig::request(rig.address(), method, &path, &token_a, r#"{"title":"x"}"#).await;
        assert_eq!(answer.status, 403, "{method} {path}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_route_of_others_writes_to_a_crews_log_and_hears_of_changes() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let hub = rig.server.hub();
    let mut heard = hub.listen(crew);
    let mut device = Device::join(rig.address(), &token, 1).await.unwrap();
    device.meet().await;
    let home = outing(0);
    let builder = VolleyBuilder {
        device: hub.device(),
        observer: PersonId::named("somebody"),
        outing: home,
        at_ms: 1_900_000_000_000,
        shots: 3,
        first_unit: 1,
    };
    let entry = builder.build(&mut Rng::new(9));
    let id = entry.id;
    let document = Home::Outing(home).part(1);
    let written = hub.with_log(crew, move |log| (log.write(Home::Outing(home), &entry).unwrap(), vec![document])).await;
    assert_eq!(written.unwrap().added, 1);
    device.until_holds(&BTreeSet::from([id])).await;
    assert_eq!(heard.recv().await.unwrap().to_vec(), [document]);
    device.volley().await;
    device.meet().await;
    assert!(heard.recv().await.is_some());
}

#[tokio::test(flavor = "multi_thread")]
async fn routes_of_others_stand_beside_the_servers_own_under_the_same_rules() {
    let extend = Extend(Arc::new(|hub: Hub| {
        let answer = |headers: HeaderMap, Extension(visit): Extension<Arc<Visit>>| async move {
            let token = hub.admit(&headers, visit.address())?;
            let seat = token.seat().map(|seat| seat.token().record().label.clone());
            Ok::<_, Problem>(format!("{} from {}", seat.unwrap_or_default(), visit.address()))
        };
        Router::new().route("/others", get(answer))
    }));
    let rig = Rig::with(|c| c.extend = vec![extend]).await;
    let (_, token) = rig.crew("Crew A");
    let answer = rig.get("/others", &token).await;
    assert_eq!((answer.status, answer.text()), (200, "first invitation from 127.0.0.1"));
    assert!(answer.head.contains("x-content-type-options: nosniff"), "{}", answer.head);
    assert_eq!(rig.get("/others", "").await.code(), "E_SERVER_NO_TOKEN");
    assert_eq!(rig.get("/healthz", "").await.status, 200);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_fault_on_a_crews_thread_is_contained_and_its_sessions_go_on() {
    let rig = Rig::with(|c| c.threads = 1).await;
    let (crew, token) = rig.crew("Crew A");
    let (_, other) = rig.crew("Crew B");
    let mut device = Device::join(rig.address(), &token, 1).await.unwrap();
    let mut beside = Device::join(rig.address(), &other, 2).await.unwrap();
    let first = device.volley().await;
    device.meet().await;
    beside.meet().await;
    let hub = rig.server.hub();
    let nothing: Option<()> = hub.with_log(crew, |_| panic!("on purpose, in a test")).await;
    assert_eq!(nothing, None);
    let second = device.volley().await;
    device.meet().await;
    beside.volley().await;
    beside.meet().await;
    let mut fresh = Device::join(rig.address(), &token, 3).await.unwrap();
    fresh.until_holds(&BTreeSet::from([first, second])).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn volleys_handed_over_one_by_one_all_arrive() {
    let rig = Rig::new().await;
    let (_, token) = rig.crew("Crew A");
    let mut a = Device::join(rig.address(), &token, 1).await.unwrap();
    let mut b = Device::join(rig.address(), &token, 2).await.unwrap();
    for _ in 0..200 {
        let id = a.volley().await;
        let wanted = BTreeSet::from([id]);
        tokio::join!(a.meet(), b.until_holds(&wanted));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn devices_that_all_write_at_once_lose_no_message_to_each_other() {
    let rig = Rig::new().await;
    let (_, token) = rig.crew("Crew A");
    let address = rig.address();
    let writing = (1..=8).map(|seed| {
        let token = token.clone();
        tokio::spawn(async move {
            let mut device = Device::join(address, &token, seed).await.unwrap();
            let mut own = BTreeSet::new();
            for _ in 0..60 {
                own.insert(device.volley().await);
                // Sometimes at once, sometimes after an answer or two.
                for _ in 0..own.len() % 3 {
                    device.step_if_any().await;
                }
            }
            (device, own)
        })
    });
    let (mut devices, mut wanted) = (Vec::new(), BTreeSet::new());
    for joined in join_all(writing).await {
        let (device, own) = joined.unwrap();
        devices.push(device);
        wanted.extend(own);
    }
    join_all(devices.iter_mut().map(|device| device.until_holds(&wanted))).await;
}
