//! Strings and thresholds with the real binary: the facts of the trade, from the log to the answer.

mod readings;

use embertally_tests::Device;

/// A device with two types, a lot of each, and a module whose voltage is known.
fn crew() -> Device {
    let device = Device::new();
    device.done("type add quick --bridge-ohm 1.6 --no-fire-a 0.18 --all-fire-a 0.6 --series-a 0.8 --impulse 3");
    device.done("type add stout --bridge-ohm 1.6 --no-fire-a 0.2 --all-fire-a 0.6 --series-a 0.8 --impulse 9");
    device.done("lot add Q-1 --type quick");
    device.done("lot add S-1 --type stout");
    device.done("module add north --supply-v 24 --source-ohm 1");
    device.done("outing begin Meadow");
    device
}

/// Logs a volley and returns its id.
fn volley(device: &Device, line: &str) -> String {
    let object = device.json(&format!("volley {line}"));
    object["volley"].as_str().expect("no id").to_owned()
}

fn causes(device: &Device, volley: &str) -> Vec<String> {
    let object = device.json(&format!("string why {volley}"));
    let rows = object["rows"].as_array().expect("no rows");
    rows.iter().map(|r| r["cause"].as_str().unwrap_or("fired").to_owned()).collect()
}

#[test]
fn one_fired_nine_did_not_is_no_row_of_bad_igniters() {
    let device = crew();
    let id = volley(&device, "1f9x Q-1:1-10 -w series -m north -c 1");
    assert_eq!(causes(&device, &id)[1..], ["unresolved"; 9]);
    let told = device.done(&format!("string why {id}"));
    assert!(told.text().contains("FAILED") && told.text().contains("may have been opened before"), "{}", told.text());
    // Eight fire when tried again alone; the ninth fails alone on a module that fires others.
    for unit in 2..10 {
        device.done(&format!("volley f Q-1:{unit} --retry -w single -m north -c 2"));
    }
    device.done("volley x Q-1:10 --retry -w single -m north -c 2");
    let after = causes(&device, &id);
    assert_eq!(after[1..9], ["broken-string"; 8]);
    assert_eq!(after[9], "igniter");
    let ignition = device.json("rates --by lot");
    assert_eq!(ignition["rows"][0]["failures"], 1);
    assert_eq!(ignition["rows"][0]["unresolved"], 0);
    // Without any attribution: 19 pulses, 10 of them dark.
    let raw = device.json("rates --by lot --measure raw");
    assert_eq!((&raw["rows"][0]["failures"], &raw["rows"][0]["shots"]), (&10.into(), &19.into()));
}

#[test]
fn mixed_types_in_one_string_are_warned_of_and_in_parallel_are_not() {
    let device = crew();
    let ask = |line: &str| device.json(&format!("string fire {line} --module north --impulse-spread 0.04 --lag-ms 1"));
    let codes = |object: &serde_json::Value| -> Vec<String> {
        object["warnings"].as_array().unwrap().iter().map(|w| w["code"].as_str().unwrap().to_owned()).collect()
    };
    let mixed = ask("'quick:2,stout:2'");
    assert!(codes(&mixed).contains(&"mixed-types".to_owned()), "{mixed}");
    let parallel = ask("'quick:2,stout:2' --wiring parallel");
    assert!(!codes(&parallel).contains(&"mixed-types".to_owned()));
    assert_eq!(parallel["chance_all_fire"]["method"], "simulation");
    assert_eq!(parallel["chance_all_fire"]["value"], 1.0);
    // Ten in a string of one type: proven by nothing yet, and less sure than five.
    let ten = ask("stout:10");
    assert!(codes(&ten).contains(&"longer-than-proven".to_owned()));
    assert_eq!(ten["chance_all_fire"]["method"], "closed form");
    let five = ask("stout:5");
    assert!(five["chance_all_fire"]["value"].as_f64() > ten["chance_all_fire"]["value"].as_f64());
}

#[test]
fn what_is_not_known_is_said_instead_of_guessed() {
    let device = crew();
    let told = device.done("string fire stout:5 --module north --lead-m 60 --awg 24");
    assert!(["is not known", "--lag-ms", "Ω leads"].iter().all(|t| told.text().contains(t)), "{}", told.text());
    told.saying("instrument made for it");
    device.wrong("string fire stout:5").saying("--supply-v");
    device.refused("string fire slim:5 --module north").saying("igniter type");
    device.wrong("string fire stout:5 --module north --supply-v 0").saying("supply voltage");
    device.refused("string fire stout:4 --module north --wiring series-parallel --strings 2,3").saying("Strings of 5");
    let told = device.done("string fire stout:5 --module north --continuity-ma 300");
    assert!(told.text().contains("continuity current"));
}

#[test]
fn proven_lengths_count_strings_of_one_module_type_and_wiring() {
    let device = crew();
    for n in 0..4 {
        volley(&device, &format!("5f S-1:{n}a,{n}b,{n}c,{n}d,{n}e -w series -m north -c 1"));
    }
    volley(&device, "2f8x S-1:1-10 -w series -m north -c 1");
    volley(&device, "3f2x S-1:50-51 Q-1:52-54 -w series -m north -c 1");
    let object = device.json("string length --reliability 0.5 --confidence 0.8");
    let rows = object["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 1, "mixed strings count for nobody: {object}");
    assert_eq!((&rows[0]["type"], &rows[0]["longest_proved"]), (&"stout".into(), &5.into()));
    let lengths = rows[0]["lengths"].as_array().unwrap();
    assert_eq!((&lengths[0]["whole"], &lengths[0]["tried"]), (&4.into(), &4.into()));
    assert_eq!((&lengths[1]["length"], &lengths[1]["whole"]), (&10.into(), &0.into()));
}

#[test]
fn a_broken_string_is_drawn_in_the_report() {
    let device = crew();
    volley(&device, "1f2x Q-1:1-3 -w series -m north -c 1");
    device.done("report out.html");
    let page = String::from_utf8(device.read("out.html")).unwrap();
    assert!(page.contains("<svg class=\"volley\"") && page.contains("unresolved") && page.contains("Q-1 2"));
}

#[test]
fn a_threshold_is_fitted_or_refused_with_the_reason() {
    let device = Device::new();
    // Wu & Tian, J. Stat. Plan. Inf. 149 (2014) 1–15: 9.9726 and 2.0705.
    let fit = device.json("threshold fit '5.5x 16.5f 11x 13.8f 10.1x 14.7f 10.4f 11.7f 9.7f'");
    assert!((fit["mean"].as_f64().unwrap() - 9.9726).abs() < 5e-5);
    assert!((fit["spread"].as_f64().unwrap() - 2.0705).abs() < 6e-5);
    assert!(fit["all_fire"]["high"].as_f64() > fit["all_fire"]["level"].as_f64());
    device.refused("threshold fit '1x 2x 3f'").saying("no overlap");
    device.wrong("threshold fit '1x 2q'").saying("not a shot");
    assert!(device.done("threshold next --plan langlie --low 0 --high 16 '8f 4x'").text().contains("6.0000"));
    device.wrong("threshold next --plan langlie 8f").saying("--low");
    device.write("levels.csv", "level,fired,tried\n1,0,5\n2,3,5\n3,4,5\n");
    assert_eq!(device.json("threshold fit --file levels.csv")["shots"], 15);
}

#[test]
fn a_starved_string_is_told_from_the_current() {
    let device = crew();
    device.done("module add weak --supply-v 1.5 --source-ohm 1");
    let id = volley(&device, "5x Q-1:1-5 -w series -m weak -c 1");
    assert_eq!(causes(&device, &id), ["unresolved"; 5]);
    // 1.5 V through 9 Ω.
    let object = device.json(&format!("string why {id}"));
    assert!((object["rows"][0]["first_ampere"].as_f64().unwrap() - 1.5 / 9.0).abs() < 1e-9);
    assert_eq!(object["warnings"][0]["code"], "below-no-fire-current");
    assert!(device.done(&format!("string why {id}")).text().contains("expected not to fire"));
}

#[test]
fn impulse_and_lag_come_from_delays_at_two_currents() {
    let device = crew();
    device.refused("string lag stout").saying("3 at 2");
    // 24 V through 2.6 Ω and 12 V through 2.6 Ω: 9.23 A and 4.62 A; 900 mJ/Ω and 5 ms give 15.56 and 47.25 ms.
    device.done("module add south --supply-v 12 --source-ohm 1");
    for (module, unit, ms) in [("north", 1, "15.5-15.62"), ("north", 2, "15.5-15.62"), ("south", 3, "47.2-47.3")] {
        device.done(&format!("volley f S-1:{unit} -w single -m {module} -c 1 --delay-ms {ms}"));
    }
    let fit = device.json("string lag stout");
    let number = |name: &str| fit[name].as_f64().unwrap();
    assert!((number("impulse_mj_per_ohm") - 900.0).abs() < 5.0 && (number("lag_ms") - 5.0).abs() < 0.1, "{fit}");
}
