//! Volleys as they are typed on the field.

use super::{at_the_meadow, counts, table, volley};

const TEN: &str = "9f1x KB-104:1-10 --fuse visco --wiring series --module Box-1 --channel 3";

#[test]
fn a_volley_of_ten_is_one_short_command() {
    let device = at_the_meadow();
    let saved = device.json(&format!("volley {TEN}"));
    assert_eq!(
        (&saved["saved"], &saved["shots"], &saved["failed_or_not_tried"]),
        (&true.into(), &10.into(), &1.into())
    );
    let rows = device.rows();
    let units: Vec<_> = rows.iter().map(|row| row["unit"].as_str()).collect();
    assert_eq!(units, ["1", "2", "3", "4", "5", "6", "7", "8", "9", "10"]);
    for row in &rows {
        let place =
            ["outing", "device", "observer", "module", "channel", "wiring", "lot"].map(|name| row[name].as_str());
        assert_eq!(place, ["Meadow test", "heron", "Marlo", "Box-1", "3", "series", "KB-104"]);
    }
    let seen: Vec<_> = rows.iter().map(|row| (row["ignition"].as_str(), row["transfer"].as_str())).collect();
    assert_eq!((seen[0], seen[9]), (("fired", "lit"), ("failed", "unlit")));
}

#[test]
fn every_letter_says_what_it_stands_for() {
    let device = at_the_meadow();
    device.done("volley funswxo KB-104:1-7 -f visco -w parallel");
    let seen: Vec<_> = device.rows().iter().map(|row| format!("{} {}", row["ignition"], row["transfer"])).collect();
    let wanted =
        ["fired lit", "fired unlit", "fired unseen", "slow lit", "slow unlit", "failed unlit", "skipped unlit"];
    assert_eq!(seen, wanted);
    assert_eq!(counts(&device, "ignition"), [6, 1, 0]);
    assert_eq!(counts(&device, "slow"), [5, 2, 0]);
    assert_eq!(counts(&device, "transfer"), [4, 2, 0]);
}

#[test]
fn a_mistyped_lot_is_refused_with_the_one_that_was_meant_and_nothing_is_written() {
    let device = at_the_meadow();
    let before = device.log_files();
    device.refused("volley 3f KB-140:1-3 -f visco -w parallel").saying("Did you mean \"KB-104\"?");
    device.refused("volley 3f KB-104:1-3 -f visko -w parallel").saying("Did you mean \"visco\"?");
    assert_eq!(device.log_files(), before);
}

#[test]
fn a_unit_tried_before_is_refused_unless_it_is_a_retry() {
    let device = at_the_meadow();
    volley(&device, TEN);
    device.refused("volley f KB-104:10 -f visco").saying("tried before").saying("--retry");
    assert_eq!(device.rows().len(), 10, "the refused volley was written");
    device.done("volley f KB-104:10 -f visco --retry");
    let rows = device.rows();
    let attempts: Vec<_> = rows.iter().filter(|row| row["unit"] == "10").map(|row| row["attempt"].as_str()).collect();
    assert_eq!(attempts, ["1", "2"]);
    // It fired on its own, so the string was at fault; the retry itself is a good shot.
    assert_eq!(counts(&device, "ignition"), [10, 0, 0]);
}

#[test]
fn a_delay_above_the_outings_limit_is_slow() {
    let device = at_the_meadow();
    device.done("volley 3f KB-104:1-3 -f visco -w parallel --delay-ms 40-60,210-260,150-250");
    // The third lies on both sides of 200 ms, so what the observer said of it stands: it was not slow.
    assert_eq!(counts(&device, "slow"), [3, 1, 0]);
}

#[test]
fn a_volley_that_two_devices_saved_is_one() {
    let (one, other) = (at_the_meadow(), at_the_meadow());
    other.done("crew device otter");
    volley(&one, TEN);
    volley(&other, TEN);
    one.absorb(&other.carry());
    assert_eq!(one.rows().len(), 20, "both devices' words are kept");
    assert_eq!(counts(&one, "ignition"), [10, 0, 1]);
    assert_eq!(counts(&one, "ignition"), counts(&other, "ignition"));
    assert_eq!(table(&one, "live").len(), 1);
}

#[test]
fn a_reading_holds_for_the_volleys_after_it() {
    let device = at_the_meadow();
    device.done("weather --temperature -4 --humidity 80 --wind 3 --precipitation snow --at 2031-01-05T18:00:00Z");
    device.done("volley f KB-104:1 -f visco --at 2031-01-05T18:30:00Z");
    device.done("volley f KB-104:2 -f visco --at 2031-01-05T18:31:00Z --temperature 1 --precipitation none");
    let rows = device.rows();
    let weather: Vec<_> =
        rows.iter().map(|row| [&row["temperature_c"], &row["precipitation"], &row["wind_m_s"]]).collect();
    assert_eq!(weather[0], ["-4", "snow", "3"]);
    assert_eq!(weather[1][..2], ["1", "none"]);
}

#[test]
fn a_first_try_logged_as_a_retry_is_refused() {
    let device = at_the_meadow();
    volley(&device, "2f KB-104:1-2 -f visco -w parallel");
    device.refused("volley f KB-104:3 -f visco --retry").saying("leave --retry out");
    device.done("outing begin 'Next day'");
    device.refused("volley f KB-104:1 -f visco --retry").saying("not tried before in this outing");
    device.done("volley x KB-104:1 -f visco");
    // A string that is fired again may have a new igniter in it.
    device.done("volley 2f KB-104:1,3 -f visco -w series --retry").saying("first try: unit 3");
}

#[test]
fn a_unit_stands_once_in_a_volley() {
    let device = at_the_meadow();
    device.wrong("volley 1x1f KB-104:9,9 -f visco -w parallel").saying("Unit 9 of lot KB-104 stands twice");
    device.wrong("volley 1x1f KB-104:A9 kb-104:a9 -f visco -w parallel").saying("twice");
    device.done("volley 1x1f KB-104:9 KB-105:9 -f visco -w parallel");
}
