//! What is still live on the field.

use super::{at_the_meadow, table, volley};

#[test]
fn failed_and_unlit_shots_are_live_until_somebody_says_that_they_are_safe() {
    let device = at_the_meadow();
    let id = volley(&device, "2f1x1u1o KB-104:1-5 -f visco -w parallel -m Box-1 -c 3");
    let live = table(&device, "live");
    let units: Vec<_> = live.iter().map(|row| row["unit"].clone()).collect();
    assert_eq!(units, ["3", "4", "5"]);
    for row in &live {
        assert_eq!((&row["module"], &row["channel"], &row["wait_minutes"]), (&"Box-1".into(), &3.into(), &30.into()));
    }
    device.done(&format!("safe {id}:3 --how soaked --by Pim"));
    assert_eq!(table(&device, "live").len(), 2);
    assert_eq!(device.json("safe --all")["shots"], 2);
    assert!(table(&device, "live").is_empty());
    device.refused("safe --all");
}

#[test]
fn the_live_list_and_a_failed_volley_speak_of_caution() {
    let device = at_the_meadow();
    let said = device.done("volley 2f1x KB-104:1-3 -f visco -w parallel");
    let listed = device.done("live");
    for text in [&said.stderr, &listed.stderr] {
        for words in ["as live", "site's rules", "person in charge", "No number here is a permission"] {
            assert!(text.contains(words), "{words:?} is not said: {text}");
        }
    }
    let caution = device.json("live")["caution"].to_string();
    assert!(caution.contains("No number here is a permission"), "{caution}");
}

#[test]
fn an_empty_live_list_is_not_said_to_be_safe() {
    let device = at_the_meadow();
    device.done("volley f KB-104:1 -f visco");
    assert!(device.done("live").text().contains("no proof"));
}

#[test]
fn a_shot_whose_fuse_nobody_saw_is_listed_apart() {
    let device = at_the_meadow();
    device.done("volley n KB-104:1 -f visco");
    let live = device.json("live");
    assert_eq!(live["rows"].as_array().map(Vec::len), Some(0));
    assert_eq!(live["fuse_not_seen"].as_array().map(Vec::len), Some(1));
}

#[test]
fn a_shot_that_somebody_saw_fail_is_live_even_if_others_saw_it_fire() {
    let device = at_the_meadow();
    let id = volley(&device, "f KB-104:1 -f visco");
    assert!(table(&device, "live").is_empty());
    device.done(&format!("sight {id} x --observer Pim"));
    assert_eq!(table(&device, "live").len(), 1);
}
