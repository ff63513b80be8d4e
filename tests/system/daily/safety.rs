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

#[test]
fn a_fuse_that_was_not_lit_is_not_lost_because_its_name_was_left_out() {
    let device = at_the_meadow();
    let before = device.log_files();
    for seen in ["3u1w", "3f1u", "3f1w", "3f1n"] {
        device.wrong(&format!("volley {seen} KB-104:1-4 -w parallel")).saying("--fuse");
    }
    assert_eq!(device.log_files(), before);
    let id = volley(&device, "3f1x KB-104:1-4 -w parallel");
    device.wrong(&format!("sight {id} 3f1u --observer Pim")).saying("Shot 4 is u");
    device.done("volley 3u1w KB-104:5-8 -w parallel -f visco");
    assert_eq!(table(&device, "live").len(), 5);
}

#[test]
fn what_was_made_safe_by_mistake_is_live_again() {
    let device = at_the_meadow();
    let id = volley(&device, "1f3x KB-104:1-4 -f visco -w parallel -m Box-1 -c 3");
    let saved = device.json(&format!("safe {id}:2 {id}:3 --how soaked --by Pim"));
    assert_eq!(saved["facts"].as_array().map(Vec::len), Some(2));
    let safe = device.json("live")["made_safe"].clone();
    assert_eq!(safe[0]["shot"], format!("{id}:2"));
    assert_eq!((&safe[0]["by"], &safe[0]["how"], &safe[0]["unit"]), (&"Pim".into(), &"soaked".into(), &"2".into()));
    let listed = device.done("live --made-safe");
    for word in ["KB-104 unit 2", "KB-104 unit 3", "Pim", "soaked", "Box-1 channel 3"] {
        assert!(listed.text().contains(word), "{word}: {}", listed.text());
    }

    let undone = device.json(&format!("safe --undo {id}:2"));
    assert_eq!(undone["live_again"], serde_json::json!([format!("{id}:2")]));
    let live: Vec<_> = table(&device, "live").iter().map(|row| row["unit"].clone()).collect();
    assert_eq!(live, ["2", "4"]);
    assert_eq!(device.json("live")["made_safe"].as_array().map(Vec::len), Some(1));
    device.refused(&format!("safe --undo {id}:2")).saying("Nobody has said");
    device.done(&format!("safe --undo {id}:3 --reason 'it was unit 4'")).saying("KB-104 unit 3");
    device.wrong("safe --undo");
}

#[test]
fn shots_whose_fuse_nobody_saw_are_named_and_not_made_safe_unasked() {
    let device = at_the_meadow();
    device.done("volley 1n KB-104:7 -f visco -m Box-1 -c 2");
    let listed = device.done("live");
    for words in ["Fired, and nobody saw whether the fuse was lit", "KB-104 unit 7", "Box-1 channel 2", "no proof"] {
        assert!(listed.text().contains(words), "{words}: {}", listed.text());
    }
    assert!(!listed.text().contains("recorded as live"), "{}", listed.text());
    device.refused("safe --all").saying("--with-unseen");
    device.done("volley x KB-104:8 -f visco");
    let cleared = device.done("safe --all");
    assert!(cleared.stderr.contains("unit 8") && !cleared.stderr.contains("unit 7"), "{}", cleared.stderr);
    device.done("safe --all --with-unseen").saying("KB-104 unit 7");
    assert_eq!(device.json("live")["fuse_not_seen"].as_array().map(Vec::len), Some(0));
}

#[test]
fn a_withdrawn_volley_says_how_many_shots_leave_the_live_list() {
    let device = at_the_meadow();
    let id = volley(&device, "2x1f KB-104:1-3 -f visco -w parallel");
    let said = device.done(&format!("withdraw {id} --reason 'typed twice'")).saying("2 shots leave the live list");
    let undo = said.stderr.split("embertally withdraw ").nth(1).and_then(|rest| rest.split(' ').next());
    let undo = undo.expect("it says how to take it back");
    device.done(&format!("withdraw {undo} --reason 'it was not'")).saying("2 shots come back");
    assert_eq!(table(&device, "live").len(), 2);
}

#[test]
fn what_an_absorbed_file_changes_on_the_live_list_is_said() {
    let (one, other) = (at_the_meadow(), at_the_meadow());
    let id = volley(&one, "1f2x KB-104:1-3 -f visco -w parallel");
    let told = other.absorb(&one.carry());
    assert_eq!((&told["newly_live"], &told["no_longer_live"]), (&2.into(), &0.into()));
    one.done(&format!("safe {id}:2"));
    let told = other.absorb(&one.carry());
    assert_eq!((&told["newly_live"], &told["no_longer_live"]), (&0.into(), &1.into()));
    let told = other.absorb(&one.carry());
    assert_eq!((&told["newly_live"], &told["no_longer_live"]), (&0.into(), &0.into()));
}
