//! Two devices that found a crew and meet by file; who watches is told.

use std::sync::{Arc, Mutex, mpsc};

use embertally_mobile::*;

use crate::harness::{opened, wait};
use crate::scenario::{evening, seen, volley};

struct Ear(Mutex<mpsc::Sender<Changes>>, Arc<Embertally>);

impl Observer for Ear {
    fn changed(&self, changes: Changes) -> Result<(), CallbackError> {
        // An observer may call back: no lock is held.
        self.1.live(None).unwrap();
        self.0.lock().unwrap().send(changes).unwrap();
        Ok(())
    }
}

#[test]
fn devices_of_a_crew_meet_by_file_and_who_watches_is_told_of_what_is_newly_live() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    let path = |name: &str| at(name).display().to_string();
    let (chief, other) = (opened(&at("chief")), opened(&at("other")));
    evening(&chief);
    assert_eq!(chief.crew().unwrap(), None);
    wait(chief.found_crew("Night Hands".to_owned())).unwrap();
    assert!(wait(chief.found_crew("Night Hands".to_owned())).is_err());
    assert_eq!(chief.volleys(None, 9).unwrap().len(), 4, "what was written before is vouched for");
    let code = chief.invite(Role::Recorder, 48).unwrap();
    assert!(other.invite(Role::Recorder, 48).is_err());
    other.join_crew(code.code, Some("phone 2".to_owned())).unwrap();
    wait(chief.carry(path("one"))).unwrap();
    let came = wait(other.absorb(path("one"))).unwrap();
    assert!(came.newly_live > 0, "{came:?}");

    let (send, told) = mpsc::channel();
    let watching = chief.observe(Arc::new(Ear(Mutex::new(send), chief.clone())));
    other.go_to_outing("Dry run, 9 May 2031".to_owned()).unwrap();
    let failed =
        ShotEntry { lot: "KB-104".to_owned(), unit: Some("77".to_owned()), seen: seen(Ignition::Failed, None) };
    other.log_volley(volley(vec![failed])).unwrap();
    assert_eq!(other.volleys(None, 9).unwrap().len(), 5);
    wait(other.carry(path("two"))).unwrap();
    wait(chief.absorb(path("two"))).unwrap();
    let mut newly_live = 0;
    while newly_live == 0 {
        newly_live += told.recv_timeout(std::time::Duration::from_secs(20)).expect("nobody was told").newly_live;
    }
    assert_eq!(newly_live, 1);
    let crew = chief.crew().unwrap().unwrap();
    let standing: Vec<(&str, Option<Role>, &str)> =
        crew.members.iter().map(|m| (m.name.as_str(), m.role, m.standing.as_str())).collect();
    assert!(standing.contains(&("phone 2", Some(Role::Recorder), "confirmed")), "{standing:?}");
    assert_eq!((crew.name.as_str(), crew.open_invitations), ("Night Hands", 0));
    assert_eq!(chief.volleys(None, 9).unwrap().len(), 5);
    assert!(chief.apart().unwrap().is_empty());
    watching.stop();

    // A stranger's entries are kept apart, and their shots are spoken of beside the live list.
    let stranger = opened(&at("stranger"));
    evening(&stranger);
    wait(stranger.carry(path("three"))).unwrap();
    wait(chief.absorb(path("three"))).unwrap();
    assert_eq!(chief.volleys(None, 9).unwrap().len(), 5);
    assert!(!chief.apart().unwrap().is_empty());
    assert!(chief.live(None).unwrap().incomplete.iter().any(|text| text.contains("40 shots")));
}

#[test]
fn an_import_that_nobody_waits_for_any_more_writes_nothing_or_all() {
    let dir = tempfile::tempdir().unwrap();
    let log = opened(&dir.path().join("log"));
    let mut text = String::from("outing,lot,unit,ignition\n");
    (0..20_000).for_each(|n| text.push_str(&format!("Old sheet,ZZ-1,{n},fired\n")));
    let file = dir.path().join("old.csv");
    std::fs::write(&file, text).unwrap();
    let begun = wait(async {
        let import = log.import_file(file.display().to_string(), FileFormat::Csv, false);
        let mut import = std::pin::pin!(import);
        // Asked once, so that the work has begun, and let go.
        std::future::poll_fn(|cx| std::task::Poll::Ready(import.as_mut().poll(cx).is_pending())).await
    });
    assert!(begun);
    let again = wait(log.import_file(file.display().to_string(), FileFormat::Csv, false)).unwrap();
    assert!(again.added == 0 || again.already == 0, "{again:?}");
    let (by, measure) = (vec![Group::Lot], Measure::Raw);
    let rates = wait(log.rates(RatesQuery { by, measure, only: Vec::new(), level: 0.95 })).unwrap();
    assert_eq!(rates[0].rate.shots, 20_000);
}
