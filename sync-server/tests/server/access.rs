//! Who is let in, and for how long.

use embertally_core::sync::Refusal;
use embertally_server::access::Role;
use tokio_tungstenite::tungstenite::client::IntoClientRequest;

use crate::device::{Device, End, HOME, open};
use crate::rig::{Rig, request, secret};

#[tokio::test(flavor = "multi_thread")]
async fn only_a_crews_own_token_opens_a_conversation_and_only_in_the_header() {
    let rig = Rig::new().await;
    let (_, token) = rig.crew("Crew A");
    let to = rig.address();
    for wrong in ["", "x", &"A".repeat(43), &token[..42], &format!("{token}x")] {
        assert_eq!(open(HOME.into(), to, wrong).await.err(), Some(401), "{wrong:?}");
    }
    assert_eq!(open(HOME.into(), to, &rig.admin).await.err(), Some(403), "the administrator's is for no log");
    let in_url = rig.get(&format!("/sync?token={token}&access_token={token}"), "").await;
    assert_eq!((in_url.status, in_url.code().as_str()), (401, "E_SERVER_NO_TOKEN"));
    let plain = rig.get("/sync", &token).await;
    assert_eq!((plain.status, plain.code().as_str()), (426, "E_USAGE"));
    // A WebSocket of another kind.
    let stream = tokio::net::TcpStream::connect(to).await.unwrap();
    let mut other = format!("ws://{to}/sync").into_client_request().unwrap();
    other.headers_mut().insert("authorization", format!("Bearer {token}").parse().unwrap());
    let refused = tokio_tungstenite::client_async(other, stream).await.unwrap_err();
    assert!(refused.to_string().contains("400"), "{refused}");
    Device::join(to, &token, 1).await.unwrap();
    rig.server.shutdown().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_tokens_are_slowed_down_and_a_right_one_of_the_same_address_is_not() {
    let rig = Rig::new().await;
    let (_, token) = rig.crew("Crew A");
    let wrong = "B".repeat(43);
    let mut statuses = Vec::new();
    for _ in 0..14 {
        statuses.push(rig.get("/api/v1/crews", &wrong).await.status);
    }
    assert_eq!(statuses[..10], [401; 10]);
    assert!(statuses[10..].contains(&429), "{statuses:?}");
    let refused = rig.get("/api/v1/crews", &wrong).await;
    if refused.status == 429 {
        assert!(refused.head.contains("retry-after: 60"), "{}", refused.head);
    }
    Device::join(rig.address(), &token, 1).await.unwrap();
    assert_eq!(rig.get("/api/v1/crews", &rig.admin).await.status, 200);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_revoked_token_is_cut_off_at_once_and_others_of_its_crew_go_on() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let lost =
        rig.post(&format!("/api/v1/crews/{crew}/tokens"), &rig.admin, r#"{"role":"writer","label":"phone 2"}"#).await;
    assert_eq!(lost.status, 201);
    let lost = lost.json();
    let lost_secret = lost["token"].as_str().unwrap();
    assert_eq!(secret(lost["invitation"].as_str().unwrap()), lost_secret);
    let mut good = Device::join(rig.address(), &token, 1).await.unwrap();
    let mut bad = Device::join(rig.address(), lost_secret, 2).await.unwrap();
    let path = format!("/api/v1/crews/{crew}/tokens/{}", lost["id"].as_str().unwrap());
    assert_eq!(request(rig.address(), "DELETE", &path, &rig.admin, "").await.status, 204);
    let end = bad.until_ended().await;
    assert!(matches!(&end, End::Refused(Refusal::NotAllowed { what }) if what.contains("revoked")), "{end:?}");
    assert_eq!(bad.again(rig.address(), lost_secret).await.err(), Some(401));
    let listed = rig.get(&format!("/api/v1/crews/{crew}/tokens"), &rig.admin).await.json();
    // Two that were made in the same millisecond stand in any order.
    let tokens = listed["tokens"].as_array().unwrap();
    let revoked: Vec<_> = tokens.iter().filter(|t| t["revoked_ms"].is_u64()).map(|t| &t["id"]).collect();
    assert_eq!((tokens.len(), revoked), (2, vec![&lost["id"]]));
    assert!(!listed.to_string().contains(lost_secret) && !listed.to_string().contains("hash"));

    good.volley().await;
    good.meet().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reader_gets_everything_and_gives_nothing() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let reader = secret(&rig.server.invitation(crew, Role::Reader, "board").unwrap());
    let mut writer = Device::join(rig.address(), &token, 1).await.unwrap();
    let mut wanted = std::collections::BTreeSet::new();
    for _ in 0..5 {
        wanted.insert(writer.volley().await);
    }
    writer.meet().await;
    let mut board = Device::join(rig.address(), &reader, 2).await.unwrap();
    board.until_holds(&wanted).await;
    let own = board.volley().await;
    // Whether it is refused or passed over: it must not be there for others.
    let mut other = Device::join(rig.address(), &token, 3).await.unwrap();
    other.until_holds(&wanted).await;
    other.meet().await;
    assert!(!other.entries().contains(&own));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_token_has_a_number_of_sockets_and_gets_one_back_when_one_ends() {
    let rig = Rig::with(|c| c.limits.connections_per_token = 2).await;
    let (_, token) = rig.crew("Crew A");
    let first = Device::join(rig.address(), &token, 1).await.unwrap();
    let _second = Device::join(rig.address(), &token, 2).await.unwrap();
    assert_eq!(open(HOME.into(), rig.address(), &token).await.err(), Some(429));
    drop(first);
    loop {
        // Asked again until the server has noticed that it is gone.
        match Device::join(rig.address(), &token, 3).await {
            Ok(_) => return,
            Err(status) => assert_eq!(status, 429),
        }
    }
}
