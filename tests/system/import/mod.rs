//! Sheets in and out: spreadsheet habits, all or nothing, strings that broke, the way round, the weather.

mod circuit;
mod habits;
mod harmless;
mod round_trip;
mod weather;
mod whole;

use embertally_tests::Device;
use serde_json::Value;

/// Returns the only row of the rates of a log, by lot.
#[track_caller]
fn only_lot(device: &Device) -> Value {
    let table = device.json("rates --by lot");
    let rows = table["rows"].as_array().expect("rows are a list");
    assert_eq!(rows.len(), 1, "{table:#}");
    rows[0].clone()
}

/// Returns an object's fields of these names.
fn numbers<const N: usize>(row: &Value, names: [&str; N]) -> [i64; N] {
    names.map(|name| row[name].as_i64().unwrap_or_else(|| panic!("{name} is not a whole number: {row:#}")))
}
