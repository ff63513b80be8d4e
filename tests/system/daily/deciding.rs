//! Disputes, rulings, proposals, withdrawals.

use super::{at_the_meadow, counts, table, volley};

#[test]
fn another_observer_makes_a_dispute_and_a_ruling_settles_it() {
    let device = at_the_meadow();
    let id = volley(&device, "2f1x KB-104:1-3 -f visco -w parallel");
    assert_eq!(counts(&device, "ignition"), [3, 1, 0]);
    device.done(&format!("sight {id} 3f --observer Pim"));

    let disputes = device.json("disputes");
    let rows = disputes["rows"].as_array().expect("rows are a list");
    let on_ignition = rows.iter().find(|row| row["field"] == "ignition").expect("nobody disagrees");
    assert_eq!(on_ignition["id"], format!("{id}:3"));
    let said = on_ignition["said"].to_string();
    for word in ["Marlo", "failed", "Pim", "fired"] {
        assert!(said.contains(word), "{said}");
    }
    assert_eq!(disputes["agreement"][0]["shots"], 3);
    assert_eq!(counts(&device, "ignition"), [3, 0, 1], "a disputed shot is unresolved");

    device.done(&format!("rule shot {id}:3 --ignition fired --transfer lit --reason 'as the clip shows' --by Marlo"));
    assert!(table(&device, "disputes").is_empty());
    assert_eq!(counts(&device, "ignition"), [3, 0, 0]);
    assert_eq!(device.rows().len(), 6, "the words that were overruled are kept");
}

#[test]
fn who_sees_the_same_volley_again_corrects_themselves() {
    let device = at_the_meadow();
    let id = volley(&device, "2f1x KB-104:1-3 -f visco -w parallel");
    assert_eq!(device.json(&format!("sight {id} 3f"))["corrected"], true);
    assert!(table(&device, "disputes").is_empty());
    assert_eq!(counts(&device, "ignition"), [3, 0, 0]);
}

#[test]
fn a_ruling_on_the_cause_takes_the_failure_off_the_igniter() {
    let device = at_the_meadow();
    let id = volley(&device, "x KB-104:1 -f visco");
    assert_eq!(counts(&device, "ignition"), [1, 1, 0]);
    device.done(&format!("rule shot {id} --cause wiring --reason 'a lead hung loose'"));
    assert_eq!(counts(&device, "ignition"), [0, 0, 0]);
    assert_eq!(table(&device, "live").len(), 1, "whatever the cause, it is live");
}

#[test]
fn a_withdrawn_volley_no_longer_counts_and_is_still_handed_over() {
    let device = at_the_meadow();
    let kept = volley(&device, "2f KB-104:1-2 -f visco -w parallel");
    let mistaken = volley(&device, "3x KB-104:3-5 -f visco -w parallel");
    assert_eq!(counts(&device, "ignition")[0], 5);
    let entries = |device: &embertally_tests::Device| device.json("carry out.carry --force")["entries"].as_u64();
    let before = entries(&device);
    device.done(&format!("withdraw {mistaken} --reason 'the wrong box was typed'"));
    assert_eq!(counts(&device, "ignition"), [2, 0, 0]);
    assert!(table(&device, "live").is_empty(), "{kept}");
    assert_eq!(entries(&device), before.map(|n| n + 1), "the volley and its withdrawal are both carried");

    let other = embertally_tests::Device::new();
    other.absorb(&device.carry());
    assert_eq!(counts(&other, "ignition"), [2, 0, 0]);
    assert_eq!(entries(&other), entries(&device));
}

#[test]
fn volleys_that_are_only_likely_one_are_proposed_and_joined_by_a_ruling_alone() {
    let (one, other) = (at_the_meadow(), at_the_meadow());
    other.done("crew device otter");
    let line = "3f1x KB-104 -f visco -w parallel --at 2031-04-12T10:00";
    let first = volley(&one, &format!("{line}:00Z"));
    let second = volley(&other, &format!("{line}:30Z"));
    one.absorb(&other.carry());
    let proposals =
        |device: &embertally_tests::Device| device.json("disputes")["proposals"].as_array().map_or(0, Vec::len);
    assert_eq!((proposals(&one), counts(&one, "ignition")[0]), (1, 8), "nothing is joined unasked");

    let apart = embertally_tests::Device::new();
    apart.absorb(&one.carry());
    apart.done(&format!("rule apart {first} {second}"));
    assert_eq!((proposals(&apart), counts(&apart, "ignition")[0]), (0, 8));

    one.done(&format!("rule same {first} {second}"));
    assert_eq!((proposals(&one), counts(&one, "ignition")[0]), (0, 4));
}

#[test]
fn a_ruling_on_the_cause_keeps_what_the_same_person_ruled_on_the_shot() {
    let device = at_the_meadow();
    let id = volley(&device, "x KB-104:1 -f visco");
    device.done(&format!("sight {id} f --observer Pim"));
    device.done(&format!("rule shot {id} --ignition failed --transfer unlit --reason 'as the clip shows'"));
    let said = device.json(&format!("rule shot {id} --cause wiring --reason 'a lead hung loose'"));
    assert_eq!((&said["corrected"], &said["kept"]), (&1.into(), &serde_json::json!(["ignition", "transfer"])));
    assert!(table(&device, "disputes").is_empty(), "the dispute is open again");
    assert_eq!(counts(&device, "ignition"), [0, 0, 0], "the cause takes it off the igniter");
    // What cannot go with the new word is not kept.
    let said = device.json(&format!("rule shot {id} --ignition fired --transfer lit --reason 'the other clip'"));
    assert_eq!(said["kept"], serde_json::json!([]));
    assert_eq!(counts(&device, "ignition"), [1, 0, 0]);
}

#[test]
fn a_ruling_by_nobody_in_particular_does_not_replace_that_of_another_device() {
    let (one, other) = (embertally_tests::Device::new(), embertally_tests::Device::new());
    one.done("outing begin 'Meadow test'");
    let id = volley(&one, "x KB-104:1 -f visco --new");
    one.done(&format!("rule shot {id} --cause igniter --reason 'the bridge is broken'"));
    other.absorb(&one.carry());
    let said = other.json(&format!("rule shot {id} --cause wiring --reason 'a lead hung loose'"));
    assert_eq!(said["corrected"], 0);
    assert_eq!(table(&other, "disputes").len(), 1);
    let said = other.json(&format!("rule shot {id} --cause operator --reason 'on second thoughts'"));
    assert_eq!(said["corrected"], 1);
}
