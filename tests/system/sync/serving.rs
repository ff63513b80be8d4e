//! Two logs that meet through the server.

use std::thread;
use std::time::{Duration, Instant};

use embertally_tests::{Device, Outcome, Rng};

use super::running::Server;
use super::{assert_same, logged};

#[test]
fn two_logs_are_one_after_both_have_met_the_server() {
    let server = Server::new();
    let (heron, otter) = (logged("heron", "KB-104"), logged("otter", "KB-105"));
    let first = heron.json(&format!("sync {}", server.invitation));
    assert_eq!((&first["met"], &first["entries_came"]), (&1.into(), &0.into()), "{first:#}");
    assert!(first["entries_went"].as_u64() > Some(0), "{first:#}");
    let second = otter.json(&format!("sync {}", server.invitation));
    assert!(second["entries_came"].as_u64() > Some(0) && second["newly_live"].as_u64() > Some(0), "{second:#}");
    // The invitation is kept: from now on the word alone is enough.
    let said = heron.done("sync").saying("Saved on this device").saying("on the server's disk");
    said.saying("The live list changed").saying("embertally live");
    assert_same(&[&heron, &otter]);
    assert_eq!(heron.rows().len(), 88);
    let again = heron.json("sync");
    assert_eq!((&again["entries_came"], &again["entries_went"]), (&0.into(), &0.into()));
    let bytes = again["bytes_came"].as_u64().zip(again["bytes_went"].as_u64());
    assert!(bytes.is_some_and(|(came, went)| came + went < 1024), "a device that is up to date costs {again:#}");
}

#[test]
fn what_was_acknowledged_is_there_after_the_server_was_killed_in_the_middle() {
    let mut rng = Rng::new(20_310_412);
    let shot = |n: usize| format!("Meadow test,test,KB-104,{n},fired,visco\n");
    let sheet = "outing,outing_kind,lot,unit,ignition,fuse\n".to_owned() + &(1..=3000).map(shot).collect::<String>();
    let mut whole = None;
    for _ in 0..4 {
        let mut server = Server::new();
        let (heron, otter) = (Device::new(), Device::new());
        heron.import("sheet.csv", &sheet);
        let line = format!("sync {}", server.invitation);
        let began = Instant::now();
        let outcome = thread::scope(|scope| {
            let run = scope.spawn(|| Outcome::new(&line, heron.call_on_log(&line).output().expect("it runs")));
            // The first round is not disturbed, and shows how long it takes.
            if let Some(whole) = whole {
                thread::sleep(Duration::from_micros(rng.in_range(0..=whole)));
                server.kill();
            }
            run.join().expect("it ends")
        });
        let took = began.elapsed().as_micros() as u64;
        if whole.is_some() {
            server.start_again("");
        }
        whole.get_or_insert(took);
        if outcome.code != Some(0) {
            outcome.ended_with(1).saying("is safe");
            heron.done("sync");
        }
        otter.done(&line);
        assert_same(&[&heron, &otter]);
        assert_eq!(otter.rows().len(), 3000);
    }
}

#[test]
fn a_server_that_is_asked_to_end_ends_well_and_is_there_again_with_its_crew() {
    let mut server = Server::new();
    let heron = logged("heron", "KB-104");
    heron.done(&format!("sync {}", server.invitation));
    assert_eq!(server.terminate(), Some(0));
    let before = heron.log_files().len();
    heron.refused("sync").saying("nobody listens there").saying("is safe");
    assert_eq!(heron.log_files().len(), before);
    let told = server.start_again("--invite --role reader --label 'the hut'");
    assert!(told["admin_token"].is_null(), "a secret is shown twice: {told:#}");
    let reading = told["invitation"].as_str().expect("an invitation").to_owned();
    heron.done("sync");

    // Who may only read takes everything, and gives nothing.
    let hut = logged("hut", "KB-106");
    let met = hut.json(&format!("sync {reading}"));
    assert_eq!(met["reads_only"], true);
    hut.done("sync").saying("for reading");
    assert_eq!(hut.rows().len(), 88);
    let rows = heron.rows().len();
    heron.done("sync");
    assert_eq!(heron.rows().len(), rows, "a reader has written");
}

#[test]
fn a_server_that_runs_knows_an_invitation_that_is_made_beside_it() {
    let server = Server::new();
    let told = server.beside("--invite --label 'phone 2'");
    assert_eq!(told["running"], true, "{told:#}");
    let invitation = told["invitation"].as_str().expect("an invitation");
    assert_ne!(invitation, server.invitation);
    let heron = logged("heron", "KB-104");
    let began = Instant::now();
    loop {
        let line = format!("sync {invitation}");
        let outcome = Outcome::new(&line, heron.call_on_log(&line).output().expect("it runs"));
        if outcome.code == Some(0) {
            break;
        }
        assert!(began.elapsed() < Duration::from_secs(30), "{outcome:?}");
    }
}

#[test]
fn an_invitation_may_be_given_where_nobody_sees_it() {
    let server = Server::new();
    let heron = logged("heron", "KB-104");
    heron.write("invitation.txt", format!("{}\n", server.invitation));
    let mut call = heron.call_on_log("sync -");
    call.stdin(std::fs::File::open(heron.path("invitation.txt")).expect("it is there"));
    Outcome::new("sync -", call.output().expect("it runs")).ended_with(0).saying("on the server's disk");
}
