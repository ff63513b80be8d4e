//! Delays and strengths, from a file to what is said of them.

use embertally_tests::Device;
use serde_json::Value;

/// The delays of a lot and their strengths, a row a shot; `stepped` by some ms, each known to a frame of 120 a second.
fn sheet(lot: &str, from: f64, step: f64, shots: u32, strength: u32) -> String {
    let row = |n: u32| {
        let low = from + step * f64::from(n);
        let high = low + 16.667;
        format!("Meadow test,test,{lot},{n},visco,fired,lit,{low:.3},{high:.3},{}\n", strength + n % 2)
    };
    let header = "outing,outing_kind,lot,unit,fuse,ignition,transfer,delay_low_ms,delay_high_ms,strength\n";
    header.to_owned() + &(0..shots).map(row).collect::<String>()
}

fn timed() -> Device {
    let device = Device::new();
    device.import("a.csv", sheet("KB-104", 30.0, 2.0, 50, 3));
    device.import("b.csv", sheet("KB-105", 60.0, 2.0, 20, 1));
    device
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

#[test]
fn a_lot_is_described_with_and_without_a_law() {
    let device = timed();
    let found = device.json("delays --limit-ms 100 --where lot=KB-104");
    let row = &found["rows"][0];
    assert_eq!((&row["lot"], &row["fired"], &row["measured"]), (&"KB-104".into(), &50.into(), &50.into()));
    // Low ends 30, 32 … 128: above 100 are those from 100 on (15); high ends above 100 from 84 on (23).
    assert_eq!((&row["slow"]["surely"], &row["slow"]["possibly"]), (&15.into(), &23.into()));
    let fit = &row["fits"][0];
    assert_eq!(fit["law"], "log-normal");
    let (median, low, high) = (&fit["median_ms"]["value"], &fit["median_ms"]["low"], &fit["median_ms"]["high"]);
    assert!(number(low) < number(median) && number(median) < number(high));
    assert!(number(&fit["bound_ms"]) > number(&fit["quantile_ms"]["value"]));
    // 45 suffice for 95 % with 90 %: of 50, the largest high end, 128 + 16.667.
    assert_eq!(row["bound_any_law_takes"], 45);
    assert!((number(&row["bound_any_law_ms"]) - 144.667).abs() < 1e-9);
    let mass: f64 = row["turnbull"].as_array().unwrap().iter().map(|m| number(&m["mass"])).sum();
    assert!((mass - 1.0).abs() < 1e-9);
}

#[test]
fn two_lots_are_told_apart_and_named() {
    let device = timed();
    let found = device.json("delays --compare KB-104,KB-105 --law weibull");
    assert_eq!(found["law"], "weibull");
    assert!(number(&found["tests"]["log_rank_p"]) <= 1.0);
    let strength = device.json("strength --compare KB-104,KB-105");
    assert_eq!(strength["shown"], true);
    assert!(strength["sentence"].as_str().unwrap().starts_with("KB-104 is stronger than KB-105"));
    assert_eq!(strength["first"]["counts"], serde_json::json!([0, 0, 25, 25, 0]));
    device.done("delays --compare KB-104,KB-105").saying("Treat every shot");
}

#[test]
fn what_is_not_known_is_said_and_what_is_wrong_is_refused() {
    let device = timed();
    let text = device.done("delays --where lot=KB-105").text().to_owned();
    assert!(text.contains("Not said: no bound without a law") && text.contains("at least 45"), "{text}");
    assert!(!text.contains("NaN"));
    device.refused("delays --where lot=nowhere");
    device.wrong("delays --limit-ms 0");
    device.wrong("delays --share 1");
    device.wrong("delays --by lot,fuse --compare KB-104,KB-105");
    device.wrong("delays --compare KB-104,KB-104");
    device.wrong("strength --level 2 --compare KB-104,KB-105");
    device.wrong("delays --law bell");
}
