//! Ten thousand calls from eight threads at once.

use std::collections::BTreeSet;

use embertally_mobile::*;

use crate::harness::{opened, wait};
use crate::scenario::{evening, seen, volley};

#[test]
fn ten_thousand_calls_from_eight_threads_lose_nothing_and_count_nothing_twice() {
    let dir = tempfile::tempdir().unwrap();
    let log = opened(&dir.path().join("log"));
    evening(&log);
    let refused: usize = std::thread::scope(|scope| {
        let work = |thread: u32| {
            let log = &log;
            move || {
                let mut refused = 0;
                for call in 0..1_250_u32 {
                    match call % 25 {
                        // Every unit is wanted by two threads: one gets it, the other is refused.
                        0 => {
                            let unit = Some(format!("s{}-{call}", thread / 2));
                            let entry =
                                ShotEntry { lot: "KB-104".to_owned(), unit, seen: seen(Ignition::Failed, None) };
                            match log.log_volley(volley(vec![entry])) {
                                Ok(_) => {}
                                Err(EmbertallyError::Refused { code, .. }) if code == "E_TRIED_BEFORE" => refused += 1,
                                Err(error) => panic!("{error}"),
                            }
                        }
                        1 => drop(log.volleys(None, 5).unwrap()),
                        2 => drop(log.register().unwrap()),
                        3 if call % 50 == 3 => drop(wait(log.pairings(0.02, Vec::new())).unwrap()),
                        4 => drop(log.live(None).unwrap()),
                        5 if call == 505 => wait(log.reload()).unwrap(),
                        n => drop((log.sync_status(), log.device_id(), n)),
                    }
                }
                refused
            }
        };
        let threads: Vec<_> = (0..8).map(|thread| scope.spawn(work(thread))).collect();
        threads.into_iter().map(|t| t.join().unwrap()).sum()
    });
    assert_eq!(refused, 4 * 50);
    let check = |log: &Embertally| {
        let live = log.live(None).unwrap().shots;
        let units: BTreeSet<String> =
            live.iter().filter_map(|s| s.unit.clone()).filter(|u| u.starts_with('s')).collect();
        assert_eq!(units.len(), 4 * 50);
        assert_eq!(live.iter().filter(|s| s.unit.as_deref().is_some_and(|u| u.starts_with('s'))).count(), 4 * 50);
        live
    };
    let live = check(&log);
    drop(log);
    assert_eq!(check(&opened(&dir.path().join("log"))), live);
}
