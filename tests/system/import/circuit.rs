//! The igniter's fault is told from the circuit's.

use embertally_tests::Device;

use super::{numbers, only_lot};

const HEADER: &str = "outing,time,device,volley,module,channel,wiring,lot,unit,attempt,fuse,ignition,transfer\n";

/// Returns a series string of ten on one pulse: the first fired and opened the string before the others had theirs.
fn broken_string() -> String {
    let shot = |unit: usize| {
        let seen = if unit == 1 { "fired,lit" } else { "failed,unlit" };
        format!("Meadow test,2031-04-12T10:00:00+02:00,heron,A1,Box-1,1,series,KB-104,{unit},1,visco,{seen}\n")
    };
    HEADER.to_owned() + &(1..=10).map(shot).collect::<String>()
}

/// Returns a later pulse on one unit alone.
fn retry(unit: usize, seen: &str) -> String {
    format!("{HEADER}Meadow test,2031-04-12T10:20:00+02:00,heron,B{unit},Box-1,2,single,KB-104,{unit},2,visco,{seen}\n")
}

#[test]
fn a_broken_string_of_ten_is_not_nine_bad_igniters() {
    let device = Device::new();
    device.import("string.csv", broken_string());
    let row = only_lot(&device);
    assert_eq!(numbers(&row, ["shots", "failures", "unresolved"]), [10, 0, 9]);
    assert_eq!((&row["rate_if_circuit"], &row["rate_if_igniter"]), (&0.0.into(), &0.9.into()));
    let live = device.json("live");
    assert_eq!(live["rows"].as_array().map(Vec::len), Some(9), "whatever the cause, all nine are live: {live:#}");
}

#[test]
fn a_retry_that_fires_clears_its_unit() {
    let device = Device::new();
    device.import("string.csv", broken_string());
    device.import("retry.csv", retry(5, "fired,lit"));
    assert_eq!(numbers(&only_lot(&device), ["failures", "unresolved"]), [0, 8]);
    let live = device.json("live");
    let units: Vec<_> = live["rows"].as_array().into_iter().flatten().map(|row| row["unit"].clone()).collect();
    assert!(units.len() == 8 && !units.contains(&"5".into()), "{units:?}");
}

#[test]
fn a_retry_alone_that_fails_again_is_the_igniters_own_failure() {
    let device = Device::new();
    device.import("string.csv", broken_string());
    device.import("retry.csv", retry(5, "failed,unlit"));
    assert_eq!(numbers(&only_lot(&device), ["failures"]), [1]);
}

#[test]
fn a_failure_alone_on_a_module_that_fires_others_is_the_igniters_own() {
    let device = Device::new();
    device.import("alone.csv", retry(1, "failed,unlit"));
    // On a module that fired nothing at the outing it may be the module's.
    assert_eq!(numbers(&only_lot(&device), ["shots", "failures", "unresolved"]), [1, 0, 1]);
    device.import("other.csv", retry(2, "fired,lit"));
    assert_eq!(numbers(&only_lot(&device), ["shots", "failures", "unresolved"]), [2, 1, 0]);
}

#[test]
fn a_cause_outside_the_igniter_is_no_trial_of_it() {
    let device = Device::new();
    let sheet =
        "outing,lot,unit,ignition,cause\nT,KB-104,1,fired,\nT,KB-104,2,failed,wiring\nT,KB-104,3,failed,igniter\n";
    device.import("causes.csv", sheet);
    assert_eq!(numbers(&only_lot(&device), ["shots", "failures", "unresolved"]), [2, 1, 0]);
}
