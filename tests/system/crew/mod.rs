//! A crew that can trust its log, on the real binary: who is let in, what is kept apart, what a seal holds.

use embertally_tests::Device;
use serde_json::Value;

fn device(name: &str) -> Device {
    let device = Device::new();
    device.done(&format!("crew device '{name}'"));
    device
}

/// Hands everything from one device to another by file.
fn hand_over(from: &Device, to: &Device) -> Value {
    from.done("carry handed.embertally --force");
    to.write("taken.embertally", from.read("handed.embertally"));
    to.json("absorb taken.embertally")
}

fn shots(device: &Device) -> u64 {
    let rates = device.json("rates");
    rates["rows"].as_array().expect("rows").iter().map(|row| row["shots"].as_u64().expect("shots")).sum()
}

fn apart(device: &Device) -> Vec<String> {
    let rows = device.json("apart");
    rows["rows"].as_array().expect("rows").iter().map(|row| row["code"].as_str().expect("code").to_owned()).collect()
}

fn role(device: &Device, name: &str) -> Option<String> {
    let rows = device.json("crew");
    let row = rows["rows"].as_array().expect("rows").iter().find(|r| r["what"] == "device" && r["name"] == name)?;
    row["role"].as_str().map(str::to_owned)
}

/// A chief who has logged a volley and founded a crew, and a recorder who joined by a code.
fn crew() -> (Device, Device) {
    let (chief, recorder) = (device("chief phone"), device("field phone"));
    chief.done("outing begin 'dry run'");
    chief.done("volley 9fx KB-104:1-10 --wiring series --new");
    chief.done("crew found 'Invented crew'");
    let code = chief.json("crew invite")["code"].as_str().expect("a code").to_owned();
    recorder.done(&format!("crew join {code}"));
    (chief, recorder)
}

#[test]
fn who_joined_by_a_code_counts_once_they_met_and_a_stranger_does_not() {
    let (chief, recorder) = crew();
    // Logging begins at once, with no network and before anybody was met.
    recorder.done("outing begin 'wet run'");
    recorder.done("volley 2f KB-104:11-12 --wiring series --new");
    assert_eq!(shots(&recorder), 2);
    hand_over(&recorder, &chief);
    assert_eq!(shots(&chief), 12);
    assert_eq!(role(&chief, "field phone").as_deref(), Some("recorder"));
    hand_over(&chief, &recorder);
    assert_eq!((shots(&recorder), role(&recorder, "chief phone").as_deref()), (12, Some("chief")));

    let stranger = device("strange phone");
    stranger.done("outing begin 'dry run'");
    stranger.done("volley 5x KB-104:20-24 --wiring series --new");
    stranger.done("safe --outing 'dry run' --all --how 'says a stranger'").ended_with(0);
    hand_over(&stranger, &chief);
    assert_eq!(shots(&chief), 12, "what a stranger wrote does not count");
    assert!(apart(&chief).iter().all(|code| code == "stranger") && !apart(&chief).is_empty());
    assert_eq!(chief.rates("ignition"), recorder.rates("ignition"));
    assert_eq!(chief.json("live")["rows"], recorder.json("live")["rows"], "and clears nothing");
}

#[test]
fn a_device_that_is_shut_out_adds_nothing_and_a_reader_never_did() {
    let (chief, recorder) = crew();
    recorder.done("outing begin 'wet run'");
    recorder.done("volley 2f KB-104:11-12 --wiring series --new");
    hand_over(&recorder, &chief);
    chief.refused("crew out 'chief phone' --reason 'a slip'");
    let out = chief.json("crew out 'field phone' --reason 'phone was stolen'");
    assert!(out["known"].as_u64().expect("known") >= 3, "{out}");
    recorder.done("volley 8x KB-104:13-20 --wiring series --new");
    hand_over(&recorder, &chief);
    assert_eq!(shots(&chief), 12, "what was known counts, and nothing after");
    assert_eq!(apart(&chief), ["shut_out"]);
    let late = chief.json("apart")["rows"][0]["entry"].as_str().expect("an id").to_owned();
    chief.done(&format!("crew vouch {late} --reason 'seen on the field'"));
    assert_eq!((shots(&chief), apart(&chief).len()), (20, 0), "unless a chief vouches for it");
    assert_eq!(role(&chief, "field phone"), None);

    let reader = device("office");
    let code = chief.json("crew invite --role reader")["code"].as_str().expect("a code").to_owned();
    reader.done(&format!("crew join {code}"));
    reader.done("outing begin 'paper run'");
    hand_over(&reader, &chief);
    assert!(apart(&chief).contains(&"not_allowed".to_owned()));
    hand_over(&chief, &reader);
    reader.refused("crew invite");
    reader.refused("seal 'dry run'");
    recorder.refused("crew join nonsense");
}

#[test]
fn a_seal_holds_and_names_what_does_not_fit() {
    let (chief, recorder) = crew();
    hand_over(&recorder, &chief);
    hand_over(&chief, &recorder);
    chief.done("seal 'dry run'");
    let checked = chief.json("verify");
    assert_eq!((&checked["fits"], &checked["seals"][0]["after"]), (&Value::Bool(true), &Value::from(0)));
    recorder.done("outing go 'dry run'");
    hand_over(&chief, &recorder);
    recorder.done("volley 3f KB-104:31-33 --wiring series").saying("after the seal");
    hand_over(&recorder, &chief);
    assert_eq!(chief.json("verify")["seals"][0]["after"], 1);

    // A carry file fits; a report fits until somebody improves it.
    chief.done("carry all.embertally");
    assert_eq!(chief.json("verify all.embertally")["fits"], true);
    chief.done("report out.html");
    assert_eq!(chief.json("verify out.html")["device_name"], "chief phone");
    let page = String::from_utf8(chief.read("out.html")).expect("text");
    chief.write("better.html", page.replacen("KB-104", "KB-105", 1));
    chief.refused("verify better.html").saying("altered");
}

#[test]
fn a_locked_key_reads_and_does_not_write() {
    let device = device("my phone");
    device.done("outing begin 'dry run'");
    let mut lock = device.call_on_log("crew lock");
    lock.env("EMBERTALLY_NEW_PASSPHRASE", "wet field");
    assert!(lock.status().expect("runs").success());
    device.done("outing");
    device.refused("volley f KB-104:1 --new").saying("passphrase");
    let with = |passphrase: &str| {
        let mut call = device.call_on_log("volley f KB-104:1 --new");
        call.env("EMBERTALLY_PASSPHRASE", passphrase);
        call.status().expect("runs").code()
    };
    assert_eq!((with("dry field"), with("wet field")), (Some(1), Some(0)));
    assert_eq!(shots(&device), 1);
}

#[cfg(unix)]
#[test]
fn the_key_is_for_its_owner_alone() {
    use std::os::unix::fs::PermissionsExt;
    let device = device("my phone");
    let mode = device.log_folder().join("device.key").metadata().expect("a key").permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
}
