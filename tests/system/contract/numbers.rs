//! Numbers are given in full precision and are the published ones.

use embertally_tests::Device;
use serde_json::Value;

use super::tested;

/// Intervals for 1 failure in 30: options, low, high.
///
/// # Source
/// SciPy 1.17.1: `binomtest(1, 30).proportion_ci(level, method)` with methods `exact` and `wilson`, and the quantiles of
/// `beta(1.5, 29.5)` for Jeffreys (Brown, Cai & DasGupta, Statistical Science 16 (2001) 101–133).
const ONE_IN_THIRTY: [(&str, f64, f64); 5] = [
    ("--interval exact", 0.000_843_570_926_649_307_1, 0.172_169_455_633_412_93),
    ("--interval wilson", 0.005_908_590_381_612_441, 0.166_703_909_914_091_73),
    ("--interval jeffreys", 0.003_620_464_373_791_665_5, 0.145_417_777_354_020_14),
    ("--level 0.9", 0.001_708_315_644_465_739_4, 0.148_596_068_659_113_62),
    ("--interval wilson --level 0.9", 0.007_471_878_764_942_319, 0.136_404_142_151_817),
];

#[track_caller]
fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is not a number"))
}

#[track_caller]
fn assert_close(got: f64, wanted: f64) {
    assert!((got - wanted).abs() <= 1e-9 * wanted.abs(), "{got} is not {wanted}");
}

#[track_caller]
fn row_of(device: &Device, options: &str) -> Value {
    let table = device.json(&format!("rates --by lot --where lot=KB-104 {options}"));
    let rows = table["rows"].as_array().expect("rows are a list");
    assert_eq!(rows.len(), 1, "{table:#}");
    rows[0].clone()
}

#[test]
fn intervals_of_one_failure_in_thirty_are_the_published_ones() {
    let device = tested();
    for (options, low, high) in ONE_IN_THIRTY {
        let row = row_of(&device, options);
        assert_eq!((&row["shots"], &row["failures"], &row["unresolved"]), (&30.into(), &1.into(), &0.into()));
        assert_eq!(number(&row["rate"]), 1.0 / 30.0, "the rate is not in full precision");
        assert_close(number(&row["low"]), low);
        assert_close(number(&row["high"]), high);
    }
}

#[test]
fn the_exact_interval_at_95_percent_is_the_default() {
    let device = tested();
    assert_eq!(row_of(&device, ""), row_of(&device, "--interval exact --level 0.95"));
    let table = device.json("rates");
    assert_eq!((&table["interval"], &table["level"]), (&"exact".into(), &0.95.into()));
}

#[test]
fn unresolved_shots_widen_the_interval_to_both_readings() {
    let device = Device::new();
    let shot = |n: usize| format!("T,KB-104,{n},series,A,{}\n", if n == 0 { "fired" } else { "failed" });
    let sheet = "outing,lot,unit,wiring,volley,ignition\n".to_owned() + &(0..10).map(shot).collect::<String>();
    device.import("string.csv", sheet);
    let row = row_of(&device, "");
    assert_eq!((number(&row["rate_if_igniter"]), number(&row["rate_if_circuit"])), (0.9, 0.0));
    assert_eq!(number(&row["low"]), 0.0);
    // SciPy 1.17.1: binomtest(9, 10).proportion_ci(0.95, 'exact').high
    assert_close(number(&row["high"]), 0.997_471_421_455_537_5);
}

#[test]
fn only_the_group_named_by_where_is_counted() {
    let device = tested();
    let shots = |options: &str| device.json(&format!("rates --by wiring {options}"))["rows"][0]["shots"].clone();
    assert_eq!(shots(""), 42);
    assert_eq!(shots("--where lot=KB-105"), 12);
    assert_eq!(shots("--where 'lot= kb-105 '"), 12, "case and spacing of names do not matter");
    assert_eq!(shots("--where lot=KB-104 --where lot=KB-105"), 42);
    assert_eq!(shots("--where fuse=visco --where wet=dry"), 30);
}

#[test]
fn fifty_nine_clean_shots_prove_95_percent_with_95_percent() {
    let proof = Device::new().json("plan prove --reliability 0.95 --confidence 0.95");
    // The success-run rule: ln 0.05 / ln 0.95 = 58.4, rounded up.
    assert_eq!((&proof["shots"], &proof["failures"]), (&59.into(), &0.into()));
    let with_one = Device::new().json("plan prove --reliability 0.95 --confidence 0.95 --failures 1");
    // The least n with (0.95^n + n·0.05·0.95^(n−1)) ≤ 0.05.
    assert_eq!(with_one["shots"], 93);
}
