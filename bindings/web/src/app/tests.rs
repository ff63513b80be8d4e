//! The app over a store in memory, as the page drives it: JSON in, JSON out.

use embertally_core::facts::Moment;
use embertally_core::store::MemoryStore;
use serde_json::{Value, json};

use super::{App, Now};

const NOON: i64 = 1_936_000_000_000;

fn at(minutes: i64) -> Now {
    Now(Moment { unix_ms: NOON + minutes * 60_000, offset_minutes: 120 })
}

fn device(seed: u64) -> App<MemoryStore> {
    let mut state = seed;
    let random = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        state
    };
    App::open(MemoryStore::new(), random, at(0)).expect("opens")
}

fn call(app: &mut App<MemoryStore>, command: &str, arguments: Value, now: Now) -> Value {
    let text = app.call(command, &arguments.to_string(), now).unwrap_or_else(|e| panic!("{command}: {e:?}"));
    serde_json::from_str(&text).expect("JSON")
}

fn refused(app: &mut App<MemoryStore>, command: &str, arguments: Value) -> &'static str {
    app.call(command, &arguments.to_string(), at(9)).expect_err("is refused").code
}

/// Puts a key of its own beside a request's arguments.
fn keyed(key: &str, minutes: i64, mut arguments: Value) -> Value {
    arguments["key"] = json!(format!("{key:-<20}"));
    arguments["at_ms"] = json!(NOON + minutes * 60_000);
    arguments["offset_minutes"] = json!(120);
    arguments
}

fn outing(app: &mut App<MemoryStore>) -> String {
    let request =
        keyed("outing", 0, json!({ "what": "outing", "name": "Dry run", "kind": "test", "wait_minutes": 30 }));
    call(app, "add", request, at(0))["id"].as_str().expect("an id").to_owned()
}

/// Three shots in series on a fuse: fired and lit, fired and not lit, failed.
fn volley(key: &str, outing: &str, first: u32) -> Value {
    let shot = |n: u32, ignition: &str, transfer: Option<&str>| json!({ "lot": "KB-104", "unit": (first + n).to_string(), "fuse": "visco", "ignition": ignition, "transfer": transfer });
    let shots = [shot(0, "fired", Some("lit")), shot(1, "fired", Some("unlit")), shot(2, "failed", None)];
    keyed(key, 1, json!({ "outing": outing, "module": "north", "channel": 4, "wiring": "series", "shots": shots }))
}

#[test]
fn a_volley_is_logged_shown_live_and_made_safe_by_somebody() {
    let mut app = device(1);
    let outing = outing(&mut app);
    let said = call(&mut app, "log", volley("v", &outing, 1), at(1));
    assert_eq!(said["text"], "Saved on this device: 3 shots. 2 are live.");
    let live = call(&mut app, "live", json!({}), at(2));
    let rows = live["groups"][0]["rows"].as_array().expect("rows");
    assert_eq!((rows.len(), rows[0]["place"].as_str()), (2, Some("north, channel 4")));
    // The rules' waiting time runs from the pulse.
    assert_eq!(rows[0]["wait_until_ms"], NOON + 31 * 60_000);
    assert!(live["cautions"][0].as_str().is_some_and(|c| c.contains("as live")));

    let person = call(&mut app, "add", keyed("p", 2, json!({ "what": "person", "name": "Marlo" })), at(2));
    let request = keyed("s", 40, json!({ "shots": [rows[0]["shot"]], "by": person["id"], "how": "shunted" }));
    call(&mut app, "safe", request, at(40));
    let live = call(&mut app, "live", json!({}), at(41));
    assert_eq!((live["live"].as_u64(), live["made_safe"][0]["by"].as_str()), (Some(1), Some("Marlo")));
    call(&mut app, "unsafe", keyed("u", 42, json!({ "shot": live["made_safe"][0]["shot"] })), at(42));
    assert_eq!(call(&mut app, "live", json!({}), at(43))["live"], 2);
}

#[test]
fn the_same_request_asked_twice_is_written_once() {
    let mut app = device(2);
    let outing = outing(&mut app);
    let first = call(&mut app, "log", volley("v", &outing, 1), at(1));
    let again = call(&mut app, "log", volley("v", &outing, 1), at(3));
    assert_eq!((&first["volley"], &first["shots"]), (&again["volley"], &again["shots"]));
    assert_eq!(call(&mut app, "state", json!({}), at(3))["shots"], 3);
    let shot = format!("{}:3", first["volley"].as_str().expect("an id"));
    let ruling = json!({ "shot": shot, "cause": "wiring", "reason": "a loose lead" });
    for _ in 0..2 {
        call(&mut app, "rule", keyed("r", 5, ruling.clone()), at(5));
    }
    let withdrawal = keyed("w", 6, json!({ "fact": first["volley"], "reason": "by mistake" }));
    for _ in 0..2 {
        call(&mut app, "withdraw", withdrawal.clone(), at(6));
    }
    assert_eq!(call(&mut app, "state", json!({}), at(7))["shots"], 0);
}

#[test]
fn what_contradicts_itself_is_refused_and_nothing_is_written() {
    let mut app = device(3);
    let outing = outing(&mut app);
    call(&mut app, "log", volley("v", &outing, 1), at(1));
    assert_eq!(refused(&mut app, "log", volley("w", &outing, 2)), "E_TRIED_BEFORE");
    let mut other = volley("x", &outing, 9);
    other["shots"][1]["unit"] = json!("9");
    assert_eq!(refused(&mut app, "log", other.clone()), "E_USAGE");
    other["shots"][1] = json!({ "lot": "KB-104", "fuse": null, "ignition": "fired", "transfer": "unlit" });
    assert_eq!(refused(&mut app, "log", other.clone()), "E_USAGE");
    other["shots"][1] =
        json!({ "lot": "KB-104", "ignition": "fired", "delay": { "by": "clip", "pulse": 9, "light": 3, "fps": 120 } });
    assert_eq!(refused(&mut app, "log", other.clone()), "E_USAGE");
    other["outing"] = json!("00000000-0000-5000-8000-000000000000");
    assert_eq!(refused(&mut app, "log", other), "E_NO_OUTING");
    assert_eq!(refused(&mut app, "review", json!({ "section": "heat", "only": [["lot", "nobody's"]] })), "E_USAGE");
    assert_eq!(refused(&mut app, "nothing", json!({})), "E_INTERNAL");
    assert_eq!(call(&mut app, "state", json!({}), at(9))["shots"], 3);
}

#[test]
fn the_next_free_unit_and_the_last_volley_are_offered_again() {
    let mut app = device(4);
    let outing = outing(&mut app);
    call(&mut app, "log", volley("v", &outing, 11), at(1));
    let field = call(&mut app, "field", json!({ "today": "2031-05-09" }), at(2));
    assert_eq!((&field["lots"][0]["next_unit"], &field["last"]["channel"]), (&json!(14), &json!(4)));
    assert_eq!((&field["last"]["fuse"], &field["last"]["wiring"]), (&json!("visco"), &json!("series")));
    let clip = call(&mut app, "delay", json!({ "by": "clip", "pulse": 30, "light": 42, "fps": 120 }), at(2));
    assert_eq!(clip["text"], "91.7 to 108.3 ms");
}

#[test]
fn every_section_of_the_desk_has_its_figures_and_a_file() {
    let mut app = device(5);
    let outing = outing(&mut app);
    let weather = json!({ "outing": outing, "temperature_c": 8.5, "precipitation": "rain" });
    call(&mut app, "weather", keyed("t", 0, weather), at(0));
    for n in 0..6 {
        call(&mut app, "log", volley(&format!("v{n}"), &outing, 1 + 3 * n), at(1));
    }
    for section in ["forest", "heat", "weather", "delays", "trend", "volleys", "disputes"] {
        for narrow in [false, true] {
            let request = json!({ "section": section, "narrow": narrow });
            let answer = call(&mut app, "review", request, at(2));
            assert!(answer["figures"].is_array() && answer["cautions"].is_array(), "{section}");
            assert!(!answer.to_string().contains("NaN"), "{section}");
        }
    }
    let pairings = call(&mut app, "review", json!({ "section": "pairings", "tolerable": 0.05 }), at(2));
    let measures = &pairings["pairings"]["rows"][0]["measures"];
    assert_eq!((&measures[0]["measure"], &measures[1]["counts"]), (&json!("ignition"), &json!("6 of 12")));
    let file = call(&mut app, "csv", json!({ "section": "forest", "figure": 1 }), at(2));
    let text = file["text"].as_str().expect("text");
    assert!(text.starts_with("lot,fuse,failures,settled,") && text.contains("KB-104,visco,6,12,0,0.5,"), "{text}");
}

#[test]
fn devices_that_hand_each_other_files_disagree_until_somebody_rules() {
    let (mut one, mut two) = (device(6), device(7));
    let outing = outing(&mut one);
    let logged = call(&mut one, "log", volley("v", &outing, 1), at(1));
    two.absorb(&one.carry().expect("a file"), at(2)).expect("taken in");
    let saw = |ignition: &str| json!({ "ignition": ignition, "transfer": "lit" });
    let sight = json!({ "volley": logged["volley"], "seen": [saw("fired"), saw("fired"), saw("fired")] });
    call(&mut two, "sight", keyed("s", 2, sight), at(2));
    one.absorb(&two.carry().expect("a file"), at(3)).expect("taken in");
    for app in [&mut one, &mut two] {
        let disputes = call(app, "review", json!({ "section": "disputes" }), at(3));
        assert_eq!(disputes["disputes"]["rows"].as_array().map(Vec::len), Some(3), "{disputes}");
    }
    let dispute = call(&mut one, "review", json!({ "section": "disputes" }), at(3))["disputes"]["rows"][0].clone();
    let mut ruling = json!({ "shot": dispute["shot"]["shot"], "reason": "the clip" });
    ruling[dispute["field"].as_str().expect("a field")] = dispute["said"][0]["says"].clone();
    call(&mut one, "rule", keyed("r", 4, ruling), at(4));
    assert_eq!(call(&mut one, "state", json!({}), at(5))["disputes"], 2);
}

#[test]
fn an_invitation_is_checked_and_one_browser_keeps_one_crew() {
    let mut app = device(8);
    let invitation = |crew: &str| json!({ "crew": crew.repeat(16), "token": "a".repeat(43), "pin": "web" });
    assert_eq!(
        refused(&mut app, "crew", json!({ "do": "join", "invitation": { "crew": "0a", "token": "b", "pin": "web" } })),
        "E_USAGE"
    );
    call(&mut app, "crew", json!({ "do": "join", "invitation": invitation("0a") }), at(0));
    // Nothing is logged yet: it may still be another one.
    call(&mut app, "crew", json!({ "do": "join", "invitation": invitation("0b") }), at(0));
    outing(&mut app);
    assert_eq!(refused(&mut app, "crew", json!({ "do": "join", "invitation": invitation("0c") })), "E_OTHER_CREW");
    let qr = call(&mut app, "qr", json!({ "text": "https://box.example/#crew=0a" }), at(1));
    assert!(qr["svg"].as_str().is_some_and(|svg| svg.starts_with("<svg viewBox=\"0 0 ")));
}
