//! Meeting a server.

use std::collections::BTreeSet;
use std::sync::mpsc;
use std::thread;

use embertally_core::facts::EntryId;
use embertally_link::{Note, Until};
use embertally_store_sqlite::SqliteStore;

use super::server::{Habit, Server};
use super::world::{Device, silent};

fn held(server: &Server) -> BTreeSet<EntryId> {
    let mut ids = BTreeSet::new();
    server.log.lock().expect("it is whole").replay(|_, entry| _ = ids.insert(entry.id)).expect("it is read");
    ids
}

#[test]
fn two_devices_have_the_same_log_after_both_have_met_the_server() {
    let server = Server::start(Habit::Good);
    let (mut heron, mut otter) = (Device::new(1), Device::new(2));
    heron.log_volleys(30);
    otter.log_volleys(20);
    for device in [&mut heron, &mut otter] {
        let outcome = device.courier().sync(&mut device.log, &server.invitation, Until::Met, &mut silent);
        assert_eq!(outcome.expect("they meet").tally.met, 1);
    }
    let outcome = heron.courier().sync(&mut heron.log, &server.invitation, Until::Met, &mut silent);
    assert_eq!(outcome.expect("they meet").tally.entries_came, 20);
    assert_eq!(heron.entries().len(), 50);
    assert_eq!(heron.entries(), otter.entries());
    assert_eq!(heron.entries(), held(&server));
    // Nothing is left to say: the next meeting costs next to nothing.
    let tally = heron.courier().sync(&mut heron.log, &server.invitation, Until::Met, &mut silent).expect("they meet");
    assert_eq!(tally.tally.entries_came, 0);
    assert!(tally.tally.bytes_came + tally.tally.bytes_went < 1024, "{tally:?}");
}

#[test]
fn a_conversation_that_is_cut_is_taken_up_again() {
    for frames in 2..6 {
        let server = Server::start(Habit::HangsUpAfter(frames));
        let mut heron = Device::new(3);
        heron.log_volleys(25);
        let mut cuts = 0;
        let mut notes = |_: &mut _, note| cuts += usize::from(matches!(note, Note::Offline { .. }));
        let outcome = heron.courier().sync(&mut heron.log, &server.invitation, Until::Met, &mut notes);
        assert!(outcome.is_ok(), "cut at frame {frames}: {outcome:?}");
        assert_eq!(cuts, 1, "it was not cut at frame {frames}");
        assert_eq!(held(&server), heron.entries());
    }
}

#[test]
fn what_another_process_writes_goes_out_and_comes_in_while_it_watches() {
    let server = Server::start(Habit::Good);
    let folder = tempfile::tempdir().expect("a folder");
    let open = || SqliteStore::open(folder.path()).expect("a store");
    let mut watching = Device::over(open(), 4);
    let mut writing = Device::over(open(), 5);
    let mut far = Device::new(6);
    let mut courier = watching.courier();
    let stopper = courier.stopper();
    let (tell, told) = mpsc::channel();
    let invitation = server.invitation.clone();
    let watcher = thread::spawn(move || {
        let mut notes = |_: &mut _, note| drop(tell.send(note));
        courier.sync(&mut watching.log, &invitation, Until::Stopped, &mut notes)
    });
    let up_to_date = || while !matches!(told.recv().expect("it still watches"), Note::UpToDate { .. }) {};
    up_to_date();
    writing.log_volleys(3);
    // One of them may go out before the others are written; the last word comes after all three.
    while held(&server).len() < 3 {
        up_to_date();
    }
    far.log_volleys(2);
    far.courier().sync(&mut far.log, &server.invitation, Until::Met, &mut silent).expect("they meet");
    assert_eq!(far.entries().len(), 5);
    stopper.stop();
    let outcome = watcher.join().expect("it ends").expect("it ends well");
    assert!(outcome.stopped);
}

#[test]
fn how_far_the_other_clock_is_off_is_told_once() {
    const YEARS: u64 = 40 * 365 * 86_400_000;
    let server = Server::start(Habit::ClockAhead(YEARS));
    let mut device = Device::new(1);
    device.log_volleys(3);
    let mut told = Vec::new();
    let mut take = |_: &mut _, note| {
        if let embertally_link::Note::Clock { ahead_ms, device, .. } = note {
            told.push((ahead_ms, device));
        }
    };
    let outcome = device.courier().sync(&mut device.log, &server.invitation, Until::Met, &mut take).expect("they meet");
    let is_off = |ms: i64| ms.abs_diff(YEARS as i64) < 60_000;
    assert!(outcome.tally.clock_ahead_ms.is_some_and(is_off), "{outcome:?}");
    assert!(told.len() == 1 && is_off(told[0].0) && told[0].1 != device.id, "{told:?}");
    assert_eq!(server.log.lock().expect("a log").outline().ok(), device.log.outline().ok());
}
