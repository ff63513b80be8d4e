//! Readings of bridges, and what a type states of its firing.

use super::{causes, crew, volley};

#[test]
fn a_broken_string_is_settled_with_a_tester_alone() {
    let device = crew();
    device.done("crew add Marlo");
    device.done("outing begin Pier --wait-min 30");
    let id = volley(&device, "1f4x Q-1:1-5 -w series -m north -c 1 --at 2031-05-09T21:00:00Z");
    let read = |rest: &str| device.json(&format!("bridge {id}:{rest}"));
    let whole = read("2 --ohm 1.62 --at 2031-05-09T22:00:00Z --instrument 'galvanometer G' --by Marlo");
    assert_eq!((&whole["cause"], &whole["shows"]), (&"broken-string".into(), &"as stated".into()));
    assert!(whole["caution"].as_str().unwrap().contains("instrument made for live igniters"));
    assert_eq!(read("3 --open --at 2031-05-09T22:01:00Z")["cause"], "igniter");
    assert_eq!(read("4 --ohm 9 --at 2031-05-09T22:02:00Z")["cause"], "unresolved");
    assert_eq!(read("5 --ohm 1.6 --at 2031-05-09T20:00:00Z")["counts"], false);
    assert_eq!(causes(&device, &id), ["fired", "broken-string", "igniter", "unresolved", "unresolved"]);
    let rates = device.json("rates --by lot");
    assert_eq!((&rates["rows"][0]["failures"], &rates["rows"][0]["unresolved"]), (&1.into(), &2.into()));
    let told = device.done(&format!("string why {id}"));
    for part in ["bridge 1.62 Ω (as its type states), read by Marlo with galvanometer G", "2 failures are not settled"]
    {
        assert!(told.text().contains(part) || told.stderr.contains(part), "{part}: {} {}", told.text(), told.stderr);
    }
    let rows = device.json(&format!("string why {id}"))["rows"].clone();
    assert_eq!((&rows[2]["readings"][0]["open"], &rows[2]["readings"][0]["ohm"]), (&true.into(), &().into()));
    // Nothing of it makes a shot safe, and reading it too soon is said.
    assert_eq!(device.json("live")["rows"].as_array().unwrap().len(), 4);
    device.done(&format!("bridge {id}:5 --ohm 1.6 --at 2031-05-09T21:10:00Z")).saying("30 min before anybody");
    // A second reading that contradicts is a dispute until one is taken back.
    let again = read("3 --ohm 1.6 --at 2031-05-09T22:30:00Z");
    assert_eq!(again["reason"], "Readings of its bridge contradict each other.");
    let disputes = device.json("disputes")["rows"].clone();
    assert_eq!((&disputes[0]["field"], disputes[0]["said"].as_array().unwrap().len()), (&"bridge".into(), 2));
    device.done(&format!("withdraw {} --reason 'the wrong pair'", again["fact"].as_str().unwrap()));
    assert_eq!(causes(&device, &id)[2], "igniter");
    // Another device that takes the carry file says the same.
    let other = embertally_tests::Device::new();
    other.absorb(&device.carry());
    assert_eq!(causes(&other, &id), causes(&device, &id));
    device.wrong(&format!("bridge {id}:2")).saying("--ohm");
    device.wrong(&format!("bridge {id}:2 --ohm=-1")).saying("not a possible");
    device.refused(&format!("bridge {id}:9 --open")).saying("no shot 9");
}

#[test]
fn what_a_type_states_of_its_firing_is_used_and_can_be_overridden() {
    let device = crew();
    let ask = |more: &str| device.json(&format!("string fire stout:10 --module north {more}"));
    assert_eq!(ask("")["missing"].as_array().unwrap().len(), 2);
    let given = ask("--impulse-spread 0.05 --lag-ms 2 --lag-spread-ms 0.1");
    device.done("type add stout --impulse-spread 0.45 --lag-ms 2 --lag-spread-ms 0.1");
    let stated = ask("");
    assert_eq!((&stated["missing"], &stated["chance_all_fire"]), (&serde_json::json!([]), &given["chance_all_fire"]));
    assert_eq!(stated["used"][0]["impulse_spread_mj_per_ohm"], 0.45);
    assert!(
        ask("--impulse-spread 0.2")["chance_all_fire"]["value"].as_f64() < stated["chance_all_fire"]["value"].as_f64()
    );
    let kept = device.json("type");
    let stout = kept["rows"].as_array().unwrap().iter().find(|r| r["type"] == "stout").unwrap().clone();
    assert_eq!((&stout["impulse_mj_per_ohm"], &stout["lag_ms"]), (&9.0.into(), &2.0.into()));
    volley(&device, "5f S-1:1-5 -w series -m north -c 1");
    let length = device.json("string length")["rows"][0].clone();
    assert_eq!(length["longest_proved"], serde_json::Value::Null);
    assert_eq!(length["reckoned"]["length"], stated["longest"]["length"]);
    assert!(length["reckoned"]["chance"].as_f64().unwrap() >= 0.95);
    device.wrong("type add stout --lag-ms=-1").saying("not a possible");
}
