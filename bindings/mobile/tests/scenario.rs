//! One evening, step by step; `tests/kotlin/Scenario.kt` and `tests/python/scenario.py` do the same.

use std::fs;
use std::sync::Arc;

use embertally_mobile::*;

use crate::harness::{Pocket, Steps, wait};

pub(crate) fn seen(ignition: Ignition, transfer: Option<Transfer>) -> Seen {
    Seen { ignition, transfer, delay_low_ms: None, delay_high_ms: None, strength: None, cause: None, note: None }
}

pub(crate) fn volley(shots: Vec<ShotEntry>) -> VolleyEntry {
    VolleyEntry {
        shots,
        fuse: Some("visco, green".to_owned()),
        wiring: Some(Wiring::Parallel),
        strings: Vec::new(),
        module: Some("north".to_owned()),
        channel: None,
        label: None,
        outing: None,
        at: None,
        weather: None,
        lead_m: None,
        lead_mm2: None,
        observer: None,
        retry: false,
        new_names: false,
    }
}

/// The volley of the evening with a number: ten shots, some of which fail, are late, or leave their fuse dark.
fn of_evening(number: u32) -> VolleyEntry {
    let shot = |i: u32| {
        let n = number * 10 + i;
        let mut seen = match n {
            n if n % 7 == 3 => seen(Ignition::Failed, None),
            n if n % 11 == 5 => seen(Ignition::Slow, Some(Transfer::Lit)),
            n if n % 5 == 4 => seen(Ignition::Fired, Some(Transfer::Unlit)),
            _ => seen(Ignition::Fired, Some(Transfer::Lit)),
        };
        if seen.ignition == Ignition::Slow {
            (seen.delay_low_ms, seen.delay_high_ms) = (Some(180.0), Some(220.5));
        }
        ShotEntry { lot: "KB-104".to_owned(), unit: Some((n + 1).to_string()), seen }
    };
    let label = Some(format!("v{number}"));
    VolleyEntry { label, channel: Some(number as u16 + 1), ..volley((0..10).map(shot).collect()) }
}

/// Names, an outing, and the volleys of an evening.
pub(crate) fn evening(log: &Embertally) -> Vec<Logged> {
    log.name_device("phone 1".to_owned()).unwrap();
    for name in ["First Watcher", "Second Watcher"] {
        log.add_person(Person { name: name.to_owned(), role: None }).unwrap();
    }
    log.set_observer(Some("First Watcher".to_owned())).unwrap();
    log.add_type(IgniterType {
        name: "TZ quick".to_owned(),
        bridge_ohm: Some(1.6),
        bridge_tolerance_ohm: None,
        no_fire_a: Some(0.2),
        all_fire_a: Some(0.6),
        series_a: None,
        impulse_mj_per_ohm: None,
        source: None,
    })
    .unwrap();
    let (igniter_type, use_by) = (Some("TZ quick".to_owned()), Some("2033-05-01".to_owned()));
    let lot = Lot { mark: "KB-104".to_owned(), igniter_type, made_on: None, use_by, count: Some(300), storage: None };
    log.add_lot(lot).unwrap();
    let fuse = Fuse { name: "visco, green".to_owned(), kind: Some(FuseKind::Visco), sheath: None, coupling: None };
    log.add_fuse(fuse).unwrap();
    let (channels, capacitor_uf) = (Some(32), Some(470.0));
    let module =
        FiringModule { name: "north".to_owned(), channels, supply_v: Some(24.0), source_ohm: None, capacitor_uf };
    log.add_module(module).unwrap();
    let (name, place) = ("Dry run, 9 May 2031".to_owned(), None);
    let (slow_limit_ms, wait_minutes) = (Some(150), Some(30));
    log.begin_outing(Outing { name, kind: OutingKind::Test, place, slow_limit_ms, wait_minutes }).unwrap();
    let (temperature_c, humidity_pct, precipitation) = (Some(12.5), Some(80.0), Some(Precipitation::Drizzle));
    log.log_weather(Weather { temperature_c, humidity_pct, wind_m_s: None, precipitation }, None).unwrap();
    (0..4).map(|n| log.log_volley(of_evening(n)).unwrap()).collect()
}

/// What is said of an evening, in the library's own words alone.
fn summary(log: &Embertally) -> String {
    let mut lines: Vec<String> = Vec::new();
    let live = log.live(None).unwrap();
    lines.extend(live.shots.iter().map(|s| format!("live: unit {} {}", s.unit.clone().unwrap_or_default(), s.reason)));
    let (by, measure) = (vec![Group::Lot, Group::Fuse, Group::Wet], Measure::Ignition);
    for row in wait(log.rates(RatesQuery { by, measure, only: Vec::new(), level: 0.95 })).unwrap() {
        let names: Vec<String> = row.names.into_iter().map(Option::unwrap_or_default).collect();
        lines.push(format!("rate: {}: {}", names.join("; "), row.words));
    }
    lines.extend(
        wait(log.pairings(0.02, Vec::new())).unwrap().rows.into_iter().map(|p| format!("pairing: {}", p.sentence)),
    );
    for dispute in wait(log.disputes()).unwrap().disputes {
        let said: Vec<String> = dispute.said.iter().map(|s| format!("{} says {}", s.by, s.says)).collect();
        lines.push(format!("dispute: {} {}: {}", dispute.about, dispute.field, said.join(", ")));
    }
    lines.extend(
        wait(log.delays(vec![Group::Lot], None)).unwrap().into_iter().map(|d| format!("delay: {}", d.sentence)),
    );
    let mut stranger = of_evening(9);
    stranger.shots[0].lot = "KB-140".to_owned();
    for refused in [log.log_volley(stranger), log.log_volley(of_evening(0))] {
        let EmbertallyError::Refused { code, reason } = refused.unwrap_err() else { panic!("refused in another way") };
        // The short id of a volley is another one each time.
        lines.push(format!("refused: {code} {}", reason.split(", in volley").next().unwrap()));
    }
    lines.join("\n") + "\n"
}

#[test]
fn an_evening_gives_the_same_bytes_in_every_language() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("log").display().to_string();
    let log = Embertally::open(folder, None, Some(Steps::new()), Some(Arc::new(Pocket::default()))).unwrap();
    let logged = evening(&log);
    assert_eq!((logged[0].shots, logged[0].failed_or_not_tried, logged[0].unlit), (10, 1, 2));
    assert!(logged[0].caution.is_some());

    let mut others: Vec<Seen> = of_evening(0).shots.into_iter().map(|s| s.seen).collect();
    others[0] = seen(Ignition::Fired, Some(Transfer::Unlit));
    log.log_sighting(logged[0].volley.clone(), others, Some("Second Watcher".to_owned())).unwrap();
    log.correct_volley(logged[1].volley.clone(), VolleyEntry { channel: Some(12), ..of_evening(1) }).unwrap();
    let shot = format!("{}:4", logged[0].volley);
    log.rule(Ruling {
        shot,
        reason: "the lead was found open".to_owned(),
        ignition: None,
        transfer: None,
        cause: Some(Cause::Wiring),
        by: None,
    })
    .unwrap();
    let live = log.live(None).unwrap();
    let two = live.shots[..2].iter().map(|s| s.shot.clone()).collect();
    assert_eq!(log.mark_safe(two, Some("drowned".to_owned()), None).unwrap().len(), 2);

    let said = summary(&log);
    let expected = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/expected");
    let mut found = vec![("summary.txt", said.into_bytes())];
    for (name, format) in [("shots.csv", FileFormat::Csv), ("shots.jsonl", FileFormat::JsonLines)] {
        let path = dir.path().join(name);
        assert_eq!(wait(log.export_file(path.display().to_string(), format)).unwrap(), 50);
        found.push((name, fs::read(path).unwrap()));
    }
    for (name, bytes) in found {
        let path = format!("{expected}/{name}");
        if std::env::var_os("EMBERTALLY_WRITE_EXPECTED").is_some() {
            fs::write(&path, &bytes).unwrap();
        }
        let known = String::from_utf8(fs::read(&path).unwrap()).unwrap();
        assert_eq!(String::from_utf8(bytes).unwrap(), known, "{name}");
    }
}
