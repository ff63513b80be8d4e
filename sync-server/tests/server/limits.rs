//! What a device does wrong costs that device, and nobody else.

use std::collections::BTreeSet;
use std::time::Duration;

use embertally_core::sync::Refusal;
use futures_util::SinkExt;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_tungstenite::tungstenite::Message;

use crate::device::{Device, End, HOME, PATIENCE, open};
use crate::rig::{Rig, connect_from, counted};

/// Somebody else, on the same machine.
const BAD: [u8; 4] = [127, 0, 0, 9];

/// Asks until a number is what it should become.
async fn until(rig: &Rig, name: &str, is: impl Fn(u64) -> bool) -> u64 {
    let asking = async {
        loop {
            let n = counted(rig, name);
            if is(n) {
                return n;
            }
            // Nothing tells of a number that changes.
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    timeout(PATIENCE, asking).await.unwrap_or_else(|_| panic!("{name} did not become what it should"))
}

/// Two devices exchange a volley.
async fn exchange(a: &mut Device, b: &mut Device) {
    let id = a.volley().await;
    a.meet().await;
    b.until_holds(&BTreeSet::from([id])).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn bytes_that_are_no_frames_end_the_conversation_and_after_twenty_the_token_waits() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    let bad = crate::rig::secret(&rig.server.invitation(crew, embertally_server::access::Role::Writer, "bad").unwrap());
    let mut a = Device::join(rig.address(), &token, 1).await.unwrap();
    let mut b = Device::join(rig.address(), &token, 2).await.unwrap();
    let messages: [fn() -> Message; 5] = [
        || Message::Binary(vec![0; 300 << 10].into()),
        || Message::Text("hello".into()),
        || Message::Binary(vec![0xff; 100].into()),
        || Message::Binary(Vec::new().into()),
        // An array that claims 2^64 - 1 items.
        || Message::Binary(vec![0x9b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff].into()),
    ];
    for n in 0..20 {
        let mut device = Device::join(rig.address(), &bad, 10 + n as u64).await.unwrap();
        // The server may close while a large one is still being sent.
        let _ = device.socket.send(messages[n % messages.len()]()).await;
        let end = device.until_ended().await;
        let is_right = match &end {
            End::Refused(refusal) => matches!(refusal, Refusal::Grammar { .. } | Refusal::TooLarge { .. }),
            End::Closed(code, _) => [1003, 1008].contains(code),
            // Closed with bytes unread: the system resets the connection.
            End::Broken => n % messages.len() == 0,
        };
        assert!(is_right, "{n}: {end:?}");
    }
    until(&rig, "embertally_sessions", |n| n == 2).await;
    assert_eq!(open(HOME.into(), rig.address(), &bad).await.err(), Some(429));
    exchange(&mut a, &mut b).await;
    assert_eq!(counted(&rig, "embertally_panics_total"), 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn who_says_nothing_is_closed_at_each_step() {
    let rig = Rig::with(|c| c.limits.opening = Duration::from_millis(200)).await;
    let (_, token) = rig.crew("Crew A");
    let mut end = Vec::new();
    // Connected, and silent.
    let mut silent = TcpStream::connect(rig.address()).await.unwrap();
    timeout(PATIENCE, silent.read_to_end(&mut end)).await.expect("to be closed").unwrap();
    // Half a request.
    let mut half = TcpStream::connect(rig.address()).await.unwrap();
    half.write_all(b"GET /sync HTTP/1.1\r\nhost: x\r\nauthor").await.unwrap();
    let _ = timeout(PATIENCE, half.read_to_end(&mut end)).await.expect("to be closed");
    // A WebSocket that never says a word.
    let mut mute = open(HOME.into(), rig.address(), &token).await.unwrap();
    let said = timeout(PATIENCE, futures_util::StreamExt::next(&mut mute)).await.expect("to be closed");
    assert!(matches!(said, Some(Ok(Message::Close(Some(f)))) if f.reason == "E_SERVER_SILENT"));
    until(&rig, "embertally_sessions_ended_total{reason=\"E_SERVER_SILENT\"}", |n| n == 1).await;
    until(&rig, "embertally_connections", |n| n <= 1).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_that_never_reads_is_closed_and_one_that_reads_is_not() {
    let rig = Rig::with(|c| {
        c.limits.ping = Duration::from_millis(100);
        c.limits.idle = Duration::from_millis(600);
    })
    .await;
    let (_, token) = rig.crew("Crew A");
    let mut good = Device::join(rig.address(), &token, 1).await.unwrap();
    let dead = Device::call(BAD, rig.address(), &token, 2).await.unwrap();
    // The good one only reads, which answers the server's pings.
    let idle = "embertally_sessions_ended_total{reason=\"E_SERVER_IDLE\"}";
    tokio::select! {
        n = until(&rig, idle, |n| n >= 1) => assert_eq!(n, 1),
        _ = async { while good.step().await {} } => panic!("the good one was closed: {:?}", good.end),
    }
    good.volley().await;
    good.meet().await;
    drop(dead);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_that_lets_too_much_wait_is_cut_off() {
    let rig = Rig::with(|c| c.limits.waiting_bytes = 2_000).await;
    let (_, token) = rig.crew("Crew A");
    let mut writer = Device::join(rig.address(), &token, 1).await.unwrap();
    for _ in 0..20 {
        writer.volley().await;
    }
    writer.meet().await;
    let mut slow = Device::call(HOME, rig.address(), &token, 2).await.unwrap();
    assert_eq!(slow.until_ended().await, End::Broken);
    until(&rig, "embertally_sessions_ended_total{reason=\"E_SERVER_SLOW\"}", |n| n == 1).await;
    writer.volley().await;
    writer.meet().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_flood_of_frames_is_read_at_the_servers_pace_and_others_do_not_wait_for_it() {
    let rig = Rig::with(|c| {
        c.limits.frames_at_once = 200;
        c.limits.frames_per_s = 20;
        c.threads = 1;
    })
    .await;
    let (crew, token) = rig.crew("Crew A");
    let bad = crate::rig::secret(&rig.server.invitation(crew, embertally_server::access::Role::Writer, "bad").unwrap());
    let mut a = Device::join(rig.address(), &token, 1).await.unwrap();
    let mut b = Device::join(rig.address(), &token, 2).await.unwrap();
    let mut flood = Device::join_from(BAD, rig.address(), &bad, 3).await.unwrap();
    // A frame of a kind that is not known yet, to be passed over: [16].
    let flooding = tokio::spawn(async move {
        for _ in 0..200_000 {
            if flood.socket.send(Message::Binary(vec![0x81, 0x10].into())).await.is_err() {
                return;
            }
        }
        flood.until_ended().await;
    });
    until(&rig, "embertally_frames_in_total", |n| n > 150).await;
    for _ in 0..5 {
        exchange(&mut a, &mut b).await;
        exchange(&mut b, &mut a).await;
    }
    assert!(counted(&rig, "embertally_frames_in_total") < 2_000);
    flooding.abort();
}

#[tokio::test(flavor = "multi_thread")]
async fn ten_thousand_quick_joins_from_one_address_leave_the_others_alone() {
    let rig = Rig::with(|c| c.limits.connections_per_address = 50).await;
    let (_, token) = rig.crew("Crew A");
    let to = rig.address();
    let mut a = Device::join(to, &token, 1).await.unwrap();
    let mut b = Device::join(to, &token, 2).await.unwrap();
    let storm = tokio::spawn(async move {
        let mut held = Vec::new();
        for n in 0..10_000 {
            // Every tenth is held open.
            match connect_from(BAD.into(), to).await {
                Ok(stream) if n % 10 == 0 => held.push(stream),
                _ => {}
            }
        }
        held.len()
    });
    let mut rounds = 0;
    while !storm.is_finished() {
        exchange(&mut a, &mut b).await;
        rounds += 1;
    }
    let held = storm.await.unwrap();
    assert!(rounds > 0 && held > 500, "{rounds} rounds, {held} held");
    exchange(&mut b, &mut a).await;
    let refused = counted(&rig, "embertally_refused_total{reason=\"E_SERVER_JOINS\"}")
        + counted(&rig, "embertally_refused_total{reason=\"E_SERVER_ADDRESS\"}");
    assert!(refused > 8_000, "{refused}");
    until(&rig, "embertally_connections", |n| n < 10).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_crew_over_its_quota_is_told_so_keeps_what_was_accepted_and_can_still_read() {
    let rig = Rig::with(|c| c.quota.entries = 10).await;
    let (_, token) = rig.crew("Crew A");
    let (_, other) = rig.crew("Crew B");
    let mut writer = Device::join(rig.address(), &token, 1).await.unwrap();
    let mut wanted = BTreeSet::new();
    let end = loop {
        let id = writer.volley().await;
        while writer.end.is_none() && !writer.has_met() {
            writer.step().await;
        }
        if writer.end.is_some() {
            break writer.until_ended().await;
        }
        wanted.insert(id);
        assert!(wanted.len() < 50, "no quota was met");
    };
    assert!(
        matches!(&end, End::Refused(Refusal::NotAllowed { what }) if what.contains("at most 10 entries")),
        "{end:?}"
    );
    let mut reader = Device::join(rig.address(), &token, 2).await.unwrap();
    reader.until_holds(&wanted).await;
    Device::join(rig.address(), &other, 3).await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_request_too_large_or_too_long_is_refused_in_words() {
    let rig = Rig::new().await;
    let large = format!("{{\"title\":\"{}\"}}", "x".repeat(70 << 10));
    let answer = rig.post("/api/v1/crews", &rig.admin, &large).await;
    assert_eq!((answer.status, answer.code().as_str()), (413, "E_USAGE"));
    let mut long = TcpStream::connect(rig.address()).await.unwrap();
    let _ = long.write_all(format!("GET /{} HTTP/1.1\r\nhost: x\r\n\r\n", "x".repeat(64 << 10)).as_bytes()).await;
    let mut said = Vec::new();
    let _ = timeout(PATIENCE, long.read_to_end(&mut said)).await.expect("an answer");
    assert!(said.is_empty() || said.starts_with(b"HTTP/1.1 4"), "{}", String::from_utf8_lossy(&said));
}
