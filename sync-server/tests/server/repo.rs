//! Stock automerge-repo clients at `/repo`, beside a device of our own.

use std::collections::BTreeSet;
use std::time::Duration;

use embertally_core::facts::{DeviceId, DocumentId, Entry, EntryId, LotId, PersonId, RegisterId};
use embertally_core::ledger::Ledger;
use embertally_core::log::Home;
use embertally_core::sync::Refusal;
use embertally_core::sync::repo::RepoMessage;
use embertally_server::CrewId;
use embertally_server::access::Role;
use embertally_testkit::Rng;
use embertally_testkit::builders::{VolleyBuilder, outing};
use futures_util::{SinkExt, StreamExt};
use serde_json::{Value, json};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_tungstenite::tungstenite::Message;
use tokio_tungstenite::tungstenite::client::IntoClientRequest;

use crate::device::{Device, End, PATIENCE, Socket};
use crate::node::{self, NodeClient};
use crate::rig::{Rig, request, secret};

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn unhex(text: &str) -> Vec<u8> {
    (0..text.len()).step_by(2).map(|n| u8::from_str_radix(&text[n..n + 2], 16).unwrap()).collect()
}

fn put(url: &str, entry: &Entry) -> Value {
    json!({ "do": "put", "url": url, "id": entry.id.to_string(), "bytes": hex(&entry.to_bytes().unwrap()) })
}

fn address(rig: &Rig, token: &str) -> String {
    format!("ws://x:{token}@{}/repo", rig.address())
}

/// A volley of ten shots that no device has written yet.
fn volley(n: u64) -> Entry {
    VolleyBuilder {
        device: DeviceId::named("a page"),
        observer: PersonId::named("somebody else"),
        outing: outing(0),
        at_ms: 1_900_000_100_000 + n as i64,
        shots: 10,
        first_unit: 2_000_000 + 10 * n,
    }
    .build(&mut Rng::new(n))
}

async fn crew_of(rig: &Rig, crew: CrewId, token: &str) -> Value {
    rig.get(&format!("/api/v1/crews/{crew}"), token).await.json()
}

/// Writes volleys on a device until both outings have some; returns what it wrote.
async fn some_volleys(device: &mut Device, count: usize) -> BTreeSet<EntryId> {
    let mut written = BTreeSet::new();
    for _ in 0..count {
        written.insert(device.volley().await);
    }
    device.meet().await;
    written
}

fn ids(contents: &Value) -> BTreeSet<EntryId> {
    let entries = contents["entries"].as_object().unwrap_or_else(|| panic!("{contents}"));
    entries.keys().map(|id| id.parse().unwrap()).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stock_client_joins_reads_and_writes_and_devices_and_other_clients_see_it() {
    if !node::is_there() {
        return;
    }
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let mut device = Device::join(rig.address(), &token, 1).await.unwrap();
    let written = some_volleys(&mut device, 8).await;

    let kept = crew_of(&rig, crew, &token).await;
    let urls: Vec<&str> = kept["documents"].as_array().unwrap().iter().map(|d| d["url"].as_str().unwrap()).collect();
    let mut one = NodeClient::joined(&address(&rig, &token));
    // What the device wrote, byte for byte.
    let mut read = BTreeSet::new();
    for url in &urls {
        let contents = one.tell(json!({ "do": "find", "url": url }));
        for (id, bytes) in contents["entries"].as_object().unwrap() {
            let id: EntryId = id.parse().unwrap();
            let entry = Entry::from_bytes(id, &unhex(bytes.as_str().unwrap())).unwrap();
            assert_eq!(hex(&entry.to_bytes().unwrap()), *bytes);
            read.insert(id);
        }
    }
    assert_eq!(read, written);

    // It writes an entry and a label; the device and another client see them.
    let document = Home::Outing(outing(0)).part(1);
    let mut here = kept["documents"].as_array().unwrap().iter().filter(|d| d["document"] == document.to_string());
    let url = here.next().unwrap()["url"].as_str().unwrap();
    let register = kept["register_url"].as_str().unwrap();
    let mut two = NodeClient::joined(&address(&rig, &token));
    two.tell(json!({ "do": "find", "url": url }));
    let new = volley(1);
    let key = format!("{}/note", RegisterId::Lot(LotId::named("A 1")));
    assert_eq!(one.tell(put(url, &new)), json!({ "done": "put" }));
    assert_eq!(one.tell(json!({ "do": "label", "url": register, "key": key, "text": "kept dry" }))["done"], "label");
    let seen = two.tell(json!({ "do": "until", "url": url, "id": new.id.to_string() }));
    assert_eq!(seen["entries"][new.id.to_string()], hex(&new.to_bytes().unwrap()));

    let mut wanted = written;
    wanted.insert(new.id);
    device.until_holds(&wanted).await;
    while device.log.labels().unwrap().is_empty() {
        assert!(device.step().await, "{:?}", device.end);
    }
    let labels = device.log.labels().unwrap();
    assert_eq!((labels[0].field.as_str(), labels[0].text.as_str()), ("note", "kept dry"));
    let mut ledger = Ledger::new();
    device.log.replay(|_, entry| ledger.add(&entry)).unwrap();
    ledger.settle();
    assert_eq!(ledger.shots().count(), 90, "nine volleys of ten");

    // And what the device writes then reaches both clients unasked.
    let mut later = device.volley().await;
    while !stands_in(&mut device, document, later) {
        later = device.volley().await;
    }
    device.meet().await;
    for client in [&mut one, &mut two] {
        let seen = client.tell(json!({ "do": "until", "url": url, "id": later.to_string() }));
        assert!(ids(&seen).contains(&later) && ids(&seen).contains(&new.id));
    }
    assert!(one.events.is_empty() && two.events.is_empty(), "neither was cut off, and nothing went wrong");
}

fn stands_in(device: &mut Device, document: DocumentId, entry: EntryId) -> bool {
    let mut found = false;
    device.log.replay(|there, e| found |= there == document && e.id == entry).unwrap();
    found
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_token_is_refused_and_a_reader_only_reads() {
    if !node::is_there() {
        return;
    }
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let mut device = Device::join(rig.address(), &token, 2).await.unwrap();
    let written = some_volleys(&mut device, 6).await;
    let mut wrong = NodeClient::start(&address(&rig, &"A".repeat(43)));
    assert!(wrong.until_event("error")["what"].as_str().unwrap().contains("401"));

    let kept = crew_of(&rig, crew, &token).await;
    let url = kept["documents"][0]["url"].as_str().unwrap();
    let reader = secret(&rig.server.invitation(crew, Role::Reader, "a reader").unwrap());
    let mut reader = NodeClient::joined(&address(&rig, &reader));
    let before = ids(&reader.tell(json!({ "do": "find", "url": url })));
    assert!(!before.is_empty() && before.is_subset(&written));
    let new = volley(2);
    reader.tell(put(url, &new));
    // A writer's entry after it reaches the device; the reader's does not.
    let mut writer = NodeClient::joined(&address(&rig, &token));
    let other = volley(3);
    writer.tell(put(url, &other));
    device.until_holds(&BTreeSet::from([other.id])).await;
    let seen = reader.tell(json!({ "do": "until", "url": url, "id": other.id.to_string() }));
    assert!(ids(&seen).contains(&other.id));
    assert!(!device.entries().contains(&new.id));
    let fresh = Device::join(rig.address(), &token, 3).await.unwrap().entries();
    assert_eq!(fresh.len(), written.len() + 1, "nor does the server have it");
    assert_eq!(reader.events, [] as [Value; 0]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_client_that_overwrites_an_entry_loses_its_connection_and_nobody_else_anything() {
    if !node::is_there() {
        return;
    }
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let mut device = Device::join(rig.address(), &token, 4).await.unwrap();
    some_volleys(&mut device, 6).await;
    let kept = crew_of(&rig, crew, &token).await;
    let url = kept["documents"][0]["url"].as_str().unwrap();
    let mut good = NodeClient::joined(&address(&rig, &token));
    let before = good.tell(json!({ "do": "find", "url": url }));
    let hostile = secret(&rig.server.invitation(crew, Role::Writer, "a stranger").unwrap());
    let mut bad = NodeClient::joined(&address(&rig, &hostile));
    let victim = *ids(&bad.tell(json!({ "do": "find", "url": url }))).first().unwrap();
    bad.tell(json!({ "do": "put", "url": url, "id": victim.to_string(), "bytes": "00" }));
    bad.until_event("left");
    assert!(rig.server.metrics().contains("E_SYNC_CONTENTS"), "{}", rig.server.metrics());
    // The others go on, with what was there.
    let new = volley(4);
    good.tell(put(url, &new));
    device.until_holds(&BTreeSet::from([new.id])).await;
    let after = NodeClient::joined(&address(&rig, &token)).tell(json!({ "do": "find", "url": url }));
    assert_eq!(after["entries"][victim.to_string()], before["entries"][victim.to_string()]);
    assert_eq!(good.events, [] as [Value; 0]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_revoked_token_ends_the_connection() {
    if !node::is_there() {
        return;
    }
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let mut client = NodeClient::joined(&address(&rig, &token));
    let register = crew_of(&rig, crew, &token).await["register_url"].as_str().unwrap().to_owned();
    // A new crew's register is there, and empty.
    let empty = client.tell(json!({ "do": "find", "url": register }));
    assert_eq!((&empty["entries"], &empty["labels"]), (&json!({}), &json!({})));
    let id = rig.server.access().tokens(Some(crew))[0].id;
    assert!(rig.server.access().revoke(Some(crew), id).unwrap());
    client.until_event("left");
}

/// Asks for a WebSocket with these headers; returns the status.
async fn upgrade(rig: &Rig, headers: &str) -> u16 {
    let mut stream = TcpStream::connect(rig.address()).await.unwrap();
    let asked = format!(
        "GET /repo HTTP/1.1\r\nhost: {}\r\nconnection: upgrade\r\nupgrade: websocket\r\nsec-websocket-version: 13\r\n\
         sec-websocket-key: dGhlIHNhbXBsZSBub25jZQ==\r\n{headers}\r\n",
        rig.address()
    );
    stream.write_all(asked.as_bytes()).await.unwrap();
    let mut first = [0; 12];
    stream.read_exact(&mut first).await.unwrap();
    String::from_utf8(first.to_vec()).unwrap().split(' ').nth(1).unwrap().parse().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_of_this_host_gets_a_cookie_and_a_page_of_another_gets_nothing() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let made = rig.post("/repo/session", &token, "").await;
    assert_eq!(made.status, 204, "{made:?}");
    let line = made.head.lines().find_map(|l| l.strip_prefix("set-cookie: ")).unwrap().to_owned();
    for word in ["httponly", "samesite=strict", "path=/repo", "max-age=3600"] {
        assert!(line.contains(word), "{line}");
    }
    assert!(!line.contains("secure"), "there is no TLS here");
    assert!(!line.contains(&token.to_lowercase()));
    let cookie = format!("cookie: {}\r\n", line.split(';').next().unwrap());
    let ours = format!("origin: http://{}\r\n", rig.address());
    let other = "origin: https://other.example\r\n";
    let bearer = format!("authorization: Bearer {token}\r\n");
    assert_eq!(upgrade(&rig, &format!("{cookie}{ours}")).await, 101);
    assert_eq!(upgrade(&rig, &format!("{cookie}{other}")).await, 403);
    assert_eq!(upgrade(&rig, &cookie).await, 401, "a browser says where its page is from");
    assert_eq!(upgrade(&rig, &bearer).await, 101);
    assert_eq!(upgrade(&rig, &format!("{bearer}{other}")).await, 403);
    assert_eq!(upgrade(&rig, "").await, 401);
    let (name, value) = cookie.trim().split_once('=').unwrap();
    let forged = format!("{name}={}{}\r\n{ours}", if value.starts_with('0') { "1" } else { "0" }, &value[1..]);
    assert_eq!(upgrade(&rig, &forged).await, 401);
    assert_eq!(upgrade(&rig, &format!("authorization: Bearer {}\r\n", rig.admin)).await, 403, "the administrator's");
    assert_eq!(request(rig.address(), "POST", "/repo/session", "", "").await.status, 401);
    let id = rig.server.access().tokens(Some(crew))[0].id;
    rig.server.access().revoke(Some(crew), id).unwrap();
    assert_eq!(upgrade(&rig, &format!("{cookie}{ours}")).await, 401, "it ends with its token");
}

async fn connect(rig: &Rig, token: &str) -> Socket {
    let mut request = format!("ws://{}/repo", rig.address()).into_client_request().unwrap();
    request.headers_mut().insert("authorization", format!("Bearer {token}").parse().unwrap());
    let stream = TcpStream::connect(rig.address()).await.unwrap();
    tokio_tungstenite::client_async(request, stream).await.unwrap().0
}

/// Reads until it is closed, and says with which status.
async fn until_closed(socket: &mut Socket) -> u16 {
    loop {
        match timeout(PATIENCE, socket.next()).await.expect("a word") {
            Some(Ok(Message::Close(frame))) => return frame.map_or(0, |f| f.code.into()),
            Some(Ok(_)) => {}
            Some(Err(_)) | None => return 0,
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn who_says_nothing_or_gives_no_sign_of_life_or_sends_no_message_is_cut_off() {
    let rig = Rig::with(|config| {
        config.limits.opening = Duration::from_millis(300);
        config.limits.ping = Duration::from_millis(200);
        config.limits.idle = Duration::from_millis(600);
    })
    .await;
    let (_, token) = rig.crew("Crew A");
    let join = || Message::Binary(RepoMessage::Join { sender: "c".to_owned(), speaks_ours: true }.to_bytes().into());
    let mut silent = connect(&rig, &token).await;
    assert_eq!(until_closed(&mut silent).await, 1008);

    // Whoever reads answers pings, and stays.
    let mut quiet = connect(&rig, &token).await;
    quiet.send(join()).await.unwrap();
    let mut dead = connect(&rig, &token).await;
    dead.send(join()).await.unwrap();
    let mut pings = 0;
    while pings < 6 {
        match timeout(PATIENCE, quiet.next()).await.expect("a word").expect("open").expect("open") {
            Message::Ping(_) => pings += 1,
            Message::Close(frame) => panic!("{frame:?}"),
            _ => {}
        }
    }
    // Meanwhile the other has read nothing, and so answered nothing.
    until_closed(&mut dead).await;
    assert!(rig.server.metrics().contains("E_SERVER_IDLE"), "{}", rig.server.metrics());

    // It may be cut off before all of this is sent.
    let _ = quiet.send(Message::Binary(vec![0; 2 << 20].into())).await;
    assert_ne!(until_closed(&mut quiet).await, 1000);
    let mut texts = connect(&rig, &token).await;
    texts.send(join()).await.unwrap();
    texts.send(Message::Text("{}".into())).await.unwrap();
    assert_eq!(until_closed(&mut texts).await, 1003);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_crew_whose_room_is_used_up_can_only_be_read() {
    if !node::is_there() {
        return;
    }
    let rig = Rig::with(|config| config.quota.entries = 3).await;
    let (crew, token) = rig.crew("Crew A");
    let mut device = Device::join(rig.address(), &token, 5).await.unwrap();
    for _ in 0..4 {
        device.volley().await;
    }
    assert!(matches!(device.until_ended().await, End::Refused(Refusal::NotAllowed { .. })));
    let kept = crew_of(&rig, crew, &token).await;
    let url = kept["documents"][0]["url"].as_str().unwrap();
    let mut client = NodeClient::joined(&address(&rig, &token));
    assert!(!ids(&client.tell(json!({ "do": "find", "url": url }))).is_empty());
    client.tell(put(url, &volley(5)));
    // Whatever is on its way has come when another document has.
    client.tell(json!({ "do": "find", "url": kept["register_url"] }));
    assert_eq!(crew_of(&rig, crew, &token).await["entries"], kept["entries"]);
    assert_eq!(client.events, [] as [Value; 0]);
}
