//! A crew's evening, by commands.

mod deciding;
mod logging;
mod register;
mod safety;

use embertally_tests::Device;
use serde_json::Value;

/// A device at an outing, with two lots, a fuse, a module and two members in its register.
fn at_the_meadow() -> Device {
    let device = Device::new();
    for line in [
        "crew device heron",
        "crew add Marlo --role chief",
        "crew add Pim",
        "crew observer Marlo",
        "type add 'Type one' --bridge-ohm 1.6 --no-fire-a 0.2 --all-fire-a 0.6",
        "lot add KB-104 --type 'Type one' --made-on 2030-05-01 --count 100",
        "lot add KB-105 --type 'Type one'",
        "fuse add visco --kind visco",
        "module add Box-1 --channels 8 --supply-v 24",
        "outing begin 'Meadow test' --place 'the lower meadow' --slow-ms 200 --wait-min 30",
    ] {
        device.done(line);
    }
    device
}

/// Logs a volley and returns its id.
#[track_caller]
fn volley(device: &Device, line: &str) -> String {
    let saved = device.json(&format!("volley {line}"));
    saved["volley"].as_str().expect("a volley has an id").to_owned()
}

/// Returns the rows of a table.
#[track_caller]
fn table(device: &Device, line: &str) -> Vec<Value> {
    let object = device.json(line);
    object["rows"].as_array().unwrap_or_else(|| panic!("no rows: {object:#}")).clone()
}

/// Returns the counts of a log as one group: shots, failures, unresolved.
#[track_caller]
fn counts(device: &Device, measure: &str) -> [u64; 3] {
    // No outing has another kind of name, so this groups all together.
    let rows = table(device, &format!("rates --by outing --measure {measure}"));
    assert!(rows.len() < 2, "{rows:#?}");
    ["shots", "failures", "unresolved"].map(|name| rows.first().and_then(|row| row[name].as_u64()).unwrap_or(0))
}
