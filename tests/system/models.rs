//! Clusters, ranking, models and trends, by the real tool.

use embertally_tests::Device;
use serde_json::Value;

const HEADER: &str =
    "outing,outing_kind,time,volley,wiring,lot,unit,fuse,ignition,transfer,temperature_c,precipitation\n";

/// Returns volleys of five, of which the given numbers of shots failed.
fn volleys(lot: &str, fuse: &str, temperature: i32, failed: &[usize]) -> String {
    let mut rows = String::new();
    for (n, failed) in failed.iter().enumerate() {
        for shot in 0..5 {
            let seen = if shot < *failed { "failed,unlit" } else { "fired,lit" };
            let volley = format!("{lot} {fuse} {temperature} {n}");
            let time = format!("2031-05-09T1{}:{n:02}:00Z", temperature.rem_euclid(7));
            rows += &format!(
                "Meadow test,test,{time},{volley},parallel,{lot},{volley}-{shot},{fuse},{seen},{temperature},none\n"
            );
        }
    }
    rows
}

/// A lot that fails and one that does not, in the warm and in the cold.
fn tested() -> Device {
    let device = Device::new();
    device.done("lot add KB-104 --made-on 2018-05-01 --use-by 2020-05-01");
    device.done("lot add KB-105 --made-on 2031-03-01 --use-by 2136-01-01");
    let sheet = HEADER.to_owned()
        + &volleys("KB-104", "visco", 4, &[1, 2, 0, 1, 1, 0, 2, 1])
        + &volleys("KB-104", "visco", 16, &[0, 1, 0, 0, 1, 0, 0, 0])
        + &volleys("KB-105", "visco", 4, &[0, 0, 0, 1, 0, 0, 0, 0])
        + &volleys("KB-105", "visco", 16, &[0; 8]);
    device.import("volleys.csv", sheet);
    device
}

#[track_caller]
fn number(value: &Value) -> f64 {
    let number = value.as_f64().unwrap_or_else(|| panic!("{value} is not a number"));
    assert!(number.is_finite());
    number
}

#[test]
fn rates_have_both_intervals_and_the_design_effect() {
    let table = tested().json("rates --by lot");
    assert_eq!(table["volleys"]["volleys"], 32, "{:#}", table["volleys"]);
    assert!(["estimated", "too-few"].iter().any(|basis| table["volleys"]["basis"] == *basis));
    for row in table["rows"].as_array().expect("rows are a list") {
        assert!(number(&row["design_effect"]) >= 1.0);
        assert!(number(&row["low_clustered"]) <= number(&row["low"]), "{row:#}");
        assert!(number(&row["high_clustered"]) >= number(&row["high"]), "{row:#}");
    }
    // SciPy 1.17.1: binomtest(10, 80).proportion_ci(0.95, 'exact'), shots taken as independent.
    let row = &table["rows"][0];
    assert_eq!((&row["lot"], &row["failures"], &row["shots"]), (&"KB-104".into(), &10.into(), &80.into()));
    assert!((number(&row["low"]) - 0.061_602_096_558_414_19).abs() < 1e-9, "{row:#}");
    assert!((number(&row["high"]) - 0.217_889_134_069_436_16).abs() < 1e-9, "{row:#}");
}

#[test]
fn one_broken_volley_is_one_piece_of_evidence_and_single_shots_are_what_they_were() {
    let device = Device::new();
    device.import("one.csv", HEADER.to_owned() + &volleys("KB-104", "visco", 4, &[5, 0, 0]));
    let table = device.json("rates --by lot");
    assert_eq!(table["volleys"]["basis"], "too-few");
    let row = &table["rows"][0];
    assert_eq!(number(&row["design_effect"]), 5.0);
    // A volley that failed as a whole may be the circuit's. If it is the igniters', it is one of three, not five of
    // fifteen: SciPy 1.17.1 binomtest(1, 3).proportion_ci(0.95, 'exact').high.
    assert_eq!((&row["unresolved"], number(&row["low_clustered"])), (&5.into(), 0.0));
    assert!((number(&row["high_clustered"]) - 0.905_700_675_949_286_6).abs() < 1e-9, "{row:#}");
    device.done("rates --by lot").saying("the conservative bound");
}

#[test]
fn pairings_are_seen_together_and_the_worse_one_is_flagged() {
    let device = tested();
    let table = device.json("pairings --measure ignition");
    let rows = table["rows"].as_array().expect("rows are a list");
    let together = &table["together"][0];
    assert!(number(&together["mean_low"]) < number(&together["mean"]), "{together:#}");
    assert!(number(&together["strength_low"]) < number(&together["strength_high"]), "{together:#}");
    for row in rows {
        let judged = &row["measures"][0];
        let shrunk = &judged["shrunk"];
        let (low, rate, high) = (number(&shrunk["low"]), number(&shrunk["rate"]), number(&shrunk["high"]));
        assert!(0.0 < low && low < rate && rate < high && high < 1.0, "{shrunk:#}");
        let worse = &judged["worse_than_rest"];
        assert!(number(&worse["p"]) <= number(&worse["q"]) && number(&worse["q"]) <= number(&worse["p_holm"]) + 1e-12);
    }
    assert_eq!(rows[0]["lot"], "KB-104");
    assert_eq!(rows[0]["past_use_by"], "2020-05-01");
    assert!(rows[1]["past_use_by"].is_null());
    let (bad, good) = (&rows[0]["measures"][0]["worse_than_rest"], &rows[1]["measures"][0]["worse_than_rest"]);
    assert!(number(&bad["q"]) < number(&good["q"]) && good["flag"] == false);
}

#[test]
fn a_model_tells_lot_from_cold_and_predicts_a_pairing_in_a_weather() {
    let device = tested();
    let found = device.json("model --terms lot,temperature --for lot=kb-105 --for temperature=4");
    let reading = &found["if_circuit"];
    let terms: Vec<&Value> = reading["coefficients"].as_array().expect("a list").iter().collect();
    assert_eq!((&terms[0]["term"], &terms[0]["kind"]), (&"lot".into(), &"KB-105".into()));
    assert!(number(&terms[0]["odds_ratio"]) < 0.3 && number(&terms[0]["p"]) < 0.01, "{found:#}");
    assert!(number(&terms[1]["high"]) < 1.0, "warmth fails less: {found:#}");
    let there = &reading["prediction"];
    assert!(number(&there["low"]) < number(&there["rate"]) && number(&there["rate"]) < number(&there["high"]));
    assert!((0.005..0.06).contains(&number(&there["rate"])), "{there}");
    // Wet says nothing where it never rained, and the fuse nothing where there is one.
    let all = device.json("model --terms lot,fuse,wet,age");
    assert_eq!(all["redundant"], serde_json::json!(["age"]), "{all:#}");
    device.done("model --terms lot").saying("need not be why").saying("No number here is a permission.");
}

#[test]
fn models_and_trends_refuse_with_a_reason() {
    let device = tested();
    device.refused("model --for lot=KB-999").saying("KB-104");
    device.wrong("model --for age=3").saying("not a term");
    device.wrong("model --terms lot,lot").saying("twice");
    device.wrong("model --terms colour").saying("no term");
    device.wrong("model --for temperature=warm").saying("no number");
    device.refused("model --where fuse=visco --measure slow --terms wind").saying("no shot");
    device.wrong("compare --trend colour");
    device.wrong("compare --trend age --lots KB-104,KB-105");
    device.wrong("compare --trend age --by wet");
}

#[test]
fn a_trend_along_temperature_and_age_is_found_in_both_readings() {
    let device = tested();
    let cold = device.json("compare --trend temperature");
    let groups = cold["groups"].as_array().expect("a list");
    assert_eq!(
        (&groups[0]["score"], &groups[0]["failures"], &groups[0]["shots"]),
        (&4.0.into(), &9.into(), &80.into())
    );
    assert_eq!(
        (&groups[1]["score"], &groups[1]["failures"], &groups[1]["shots"]),
        (&16.0.into(), &2.into(), &80.into())
    );
    // Two groups: the pooled score test, z = (2 − 9)/80 / √(p(1−p) · 2/80) with p = 11/160.
    let p: f64 = 11.0 / 160.0;
    let z = -7.0 / 80.0 / (p * (1.0 - p) * 2.0 / 80.0).sqrt();
    assert!((number(&cold["if_circuit"]["z"]) - z).abs() < 1e-9, "{cold:#}");
    assert!((number(&cold["if_circuit"]["slope"]) + 7.0 / 80.0 / 12.0).abs() < 1e-12);
    assert_eq!(cold["if_circuit"], cold["if_igniter"]);
    let age = device.json("compare --trend age");
    assert!(number(&age["if_circuit"]["z"]) > 2.0 && age["left_out"] == 0, "{age:#}");
    let wind = device.json("compare --trend wind");
    assert!(wind["if_circuit"]["refusal"].is_string() && wind["left_out"] == 160);
}

#[test]
fn the_report_draws_pairings_together_and_odds_ratios() {
    let device = tested();
    device.done("report out.html");
    let page = String::from_utf8(device.read("out.html")).expect("the page is not UTF-8");
    for part in ["id=\"together\"", "all together", "no difference", "Pairings seen together, ignition"] {
        assert!(page.contains(part), "{part}");
    }
    assert!(!page.contains("NaN") && !page.contains("inf\""));
}

#[test]
fn comparisons_models_and_trends_say_what_volleys_take_away() {
    let device = tested();
    let found = device.json("compare --lots KB-104,KB-105 --by temperature");
    let reading = &found["if_circuit"];
    let alike = &reading["clustered"];
    assert!(number(&alike["design_effect_first"]) > 1.0 && number(&alike["p"]) >= number(&reading["p_value"]));
    assert!(number(&alike["low"]) <= number(&reading["difference"]["low"]), "{reading:#}");
    let strata = &reading["strata"];
    assert!(number(&strata["clustered"]["p"]) >= number(&strata["test"]["p_corrected"]), "{strata:#}");
    let told = device.done("compare --lots KB-104,KB-105 --by temperature");
    assert!(told.text().contains("volleys alike"), "{}", told.text());
    let trend = device.json("compare --trend temperature");
    let reading = &trend["if_circuit"];
    assert!(number(&reading["p_clustered"]) > number(&reading["p"]), "{reading:#}");
    assert!(number(&trend["groups"][0]["design_effect"]) > 1.0);
    assert!(device.done("compare --trend temperature").text().contains("with volleys alike"));
    let model = device.json("model --terms lot,temperature");
    let effect = number(&model["design_effect"]);
    for one in model["if_circuit"]["coefficients"].as_array().expect("a list") {
        assert!(number(&one["p_clustered"]) > number(&one["p"]) && effect > 1.0, "{one:#}");
        assert!(number(&one["low_clustered"]) < number(&one["low"]), "{one:#}");
        assert!(number(&one["high_clustered"]) > number(&one["high"]), "{one:#}");
    }
}
