//! What is refused, in which words, and that nothing was written then.

use std::sync::Arc;

use embertally_mobile::*;

use crate::harness::{opened, wait};
use crate::scenario::{evening, seen, volley};

struct Broken;

impl Clock for Broken {
    fn now(&self) -> Result<Moment, CallbackError> {
        Err(CallbackError::Failed { reason: "the clock fell off the wall".to_owned() })
    }
}

impl KeyStore for Broken {
    fn load(&self) -> Result<Option<Vec<u8>>, CallbackError> {
        Err(CallbackError::Failed { reason: "the pocket has a hole".to_owned() })
    }

    fn save(&self, _: Vec<u8>) -> Result<(), CallbackError> {
        Ok(())
    }
}

fn shot(unit: &str, seen: Seen) -> ShotEntry {
    ShotEntry { lot: "KB-104".to_owned(), unit: Some(unit.to_owned()), seen }
}

#[test]
fn callbacks_that_fail_are_errors_with_their_own_words() {
    let dir = tempfile::tempdir().unwrap();
    let folder = || dir.path().display().to_string();
    let no_clock = Embertally::open(folder(), None, Some(Arc::new(Broken)), None).err().unwrap();
    assert_eq!(no_clock.to_string(), "The clock fell off the wall. Nothing was written.");
    let no_key = Embertally::open(folder(), None, None, Some(Arc::new(Broken))).err().unwrap();
    let EmbertallyError::Refused { code, reason } = no_key else { panic!("{no_key:?}") };
    assert_eq!(code, "E_KEY_STORE");
    assert!(reason.contains("The pocket has a hole. The log was not opened."), "{reason}");
}

#[test]
fn what_contradicts_itself_is_a_wrong_call_and_leaves_nothing_behind() {
    let dir = tempfile::tempdir().unwrap();
    let log = opened(dir.path());
    let nowhere =
        log.log_volley(VolleyEntry { new_names: true, ..volley(vec![shot("1", seen(Ignition::Fired, None))]) });
    assert!(matches!(nowhere, Err(EmbertallyError::Refused { code, .. }) if code == "E_NO_OUTING"));
    evening(&log);
    let before = log.volleys(None, 100).unwrap();
    let lit = Some(Transfer::Lit);
    let wrong = [
        volley(Vec::new()),
        volley(vec![shot("900", seen(Ignition::Failed, lit))]),
        volley(vec![shot("900", seen(Ignition::Fired, Some(Transfer::NoFuse)))]),
        VolleyEntry { fuse: None, ..volley(vec![shot("900", seen(Ignition::Fired, Some(Transfer::Unlit)))]) },
        volley(vec![shot("900", seen(Ignition::Fired, lit)), shot(" 900", seen(Ignition::Fired, lit))]),
        volley(vec![shot("900", Seen { strength: Some(6), ..seen(Ignition::Fired, lit) })]),
        volley(vec![shot("900", Seen { delay_low_ms: Some(1.0), ..seen(Ignition::Fired, lit) })]),
        volley(vec![shot(
            "900",
            Seen { delay_low_ms: Some(f64::NAN), delay_high_ms: Some(2.0), ..seen(Ignition::Fired, lit) },
        )]),
        VolleyEntry {
            wiring: None,
            ..volley(vec![shot("900", seen(Ignition::Fired, lit)), shot("901", seen(Ignition::Fired, lit))])
        },
        VolleyEntry {
            strings: vec![1, 2],
            wiring: Some(Wiring::SeriesParallel),
            ..volley(vec![shot("900", seen(Ignition::Fired, lit))])
        },
    ];
    for (n, entry) in wrong.into_iter().enumerate() {
        let refused = log.log_volley(entry);
        assert!(matches!(refused, Err(EmbertallyError::Usage { .. })), "{n}: {refused:?}");
    }
    for text in ["", "nonsense", "00000000-0000-7000-8000-000000000000.0", "00000000-0000-7000-8000-000000000000.0:3"] {
        assert!(log.mark_safe(vec![text.to_owned()], None, None).is_err(), "{text}");
        assert!(log.withdraw(text.to_owned(), "why not".to_owned()).is_err(), "{text}");
        assert!(log.log_sighting(text.to_owned(), Vec::new(), None).is_err(), "{text}");
    }
    assert!(wait(log.pairings(f64::NAN, Vec::new())).is_err());
    assert!(wait(log.compare(Group::Lot, "KB-104".to_owned(), "kb 104".to_owned(), Measure::Raw)).is_err());
    assert_eq!(log.volleys(None, 100).unwrap(), before);
}

#[test]
fn a_unit_tried_again_is_a_retry_and_what_is_withdrawn_comes_back_to_the_live_list() {
    let dir = tempfile::tempdir().unwrap();
    let log = opened(dir.path());
    evening(&log);
    let live = log.live(None).unwrap().shots;
    let dark = live.iter().find(|s| s.why == LiveReason::Failed).unwrap();
    let again = || volley(vec![shot(dark.unit.as_deref().unwrap(), seen(Ignition::Fired, Some(Transfer::Lit)))]);
    assert!(matches!(log.log_volley(again()), Err(EmbertallyError::Refused { code, .. }) if code == "E_TRIED_BEFORE"));
    let logged = log.log_volley(VolleyEntry { retry: true, ..again() }).unwrap();
    assert_eq!(log.live(None).unwrap().shots.len(), live.len() - 1);
    log.withdraw(logged.volley, "it was another unit".to_owned()).unwrap();
    assert_eq!(log.live(None).unwrap().shots.len(), live.len());
    let facts = log.mark_safe(live.iter().map(|s| s.shot.clone()).collect(), None, None).unwrap();
    assert!(log.live(None).unwrap().shots.is_empty());
    log.withdraw(facts[0].clone(), "it was not".to_owned()).unwrap();
    assert_eq!(log.live(None).unwrap().shots.len(), 1);
}

#[test]
fn a_log_opened_again_is_the_same_and_keeps_its_device() {
    let dir = tempfile::tempdir().unwrap();
    let (device, volleys, register) = {
        let log = opened(dir.path());
        evening(&log);
        (log.device_id(), log.volleys(None, 100).unwrap(), log.register().unwrap())
    };
    let log = opened(dir.path());
    assert_eq!(
        (log.device_id(), log.volleys(None, 100).unwrap(), log.register().unwrap()),
        (device, volleys, register)
    );
}
