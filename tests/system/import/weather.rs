//! A weather log is attached to shots by the nearest earlier reading that is at most 90 minutes old.

use embertally_tests::Device;

/// Shots before the first reading, just before and after the second, and on both sides of its 90 minutes.
const SHOTS: [(&str, &str, &str); 6] = [
    ("2031-04-12T09:59:00+02:00", "", ""),
    ("2031-04-12T10:00:00+02:00", "15", "none"),
    ("2031-04-12T10:39:00+02:00", "15", "none"),
    ("2031-04-12T10:41:00+02:00", "5.5", "rain"),
    ("2031-04-12T12:10:00+02:00", "5.5", "rain"),
    ("2031-04-12T12:11:00+02:00", "", ""),
];

/// The readings stand in another offset from UTC, and not in their order.
const READINGS: &str = "\
time,temperature_c,humidity_pct,rain_mm
2031-04-12T08:40:00Z,5.5,90,1.2
2031-04-12T08:00:00Z,15,60,0
";

fn device() -> Device {
    let device = Device::new();
    let shot = |(n, (time, ..)): (usize, &(&str, &str, &str))| format!("Meadow test,test,{time},KB-104,{n},fired\n");
    let header = "outing,outing_kind,time,lot,unit,ignition\n".to_owned();
    device.import("shots.csv", header + &SHOTS.iter().enumerate().map(shot).collect::<String>());
    device
}

#[test]
fn shots_take_the_nearest_earlier_reading_of_at_most_90_minutes() {
    let device = device();
    device.write("weather.csv", READINGS);
    let read = device.json("weather --file weather.csv --outing 'Meadow test' --source 'a test'");
    assert_eq!(read["rows"], 2);
    let mut rows = device.rows();
    rows.sort_by(|a, b| a["unit"].cmp(&b["unit"]));
    for (row, (time, temperature, precipitation)) in rows.iter().zip(SHOTS) {
        assert_eq!(
            (row["temperature_c"].as_str(), row["precipitation"].as_str()),
            (temperature, precipitation),
            "{time}"
        );
    }
    let table = device.json("rates --by wet");
    let shots = |name: &str| {
        let rows = table["rows"].as_array().into_iter().flatten();
        rows.filter(|row| row["wet"].as_str().unwrap_or("unknown") == name)
            .filter_map(|row| row["shots"].as_i64())
            .sum()
    };
    let counted: [i64; 3] = ["dry", "wet", "unknown"].map(shots);
    assert_eq!(counted, [2, 2, 2], "{table:#}");
}

#[test]
fn a_weather_log_taken_in_twice_adds_nothing() {
    let device = device();
    device.write("weather.csv", READINGS);
    device.json("weather --file weather.csv --outing 'Meadow test'");
    let rates = device.all_rates();
    let again = device.json("weather --file weather.csv --outing 'Meadow test'");
    assert_eq!(again["entries_added"], 0);
    assert_eq!(device.all_rates(), rates);
}

#[test]
fn what_was_said_with_the_shot_goes_before_a_reading() {
    let device = Device::new();
    let sheet =
        "outing,time,lot,unit,ignition,temperature_c\nMeadow test,2031-04-12T10:41:00+02:00,KB-104,1,fired,-3\n";
    device.import("shot.csv", sheet);
    device.write("weather.csv", READINGS);
    device.json("weather --file weather.csv --outing 'Meadow test'");
    assert_eq!(device.rows()[0]["temperature_c"], "-3");
}

#[test]
fn a_bad_reading_is_named_and_none_is_taken() {
    let device = device();
    let before = device.log_files();
    device.write("weather.csv", "time,temperature_c\n2031-04-12T08:00:00Z,15\n2031-04-12T08:10:00Z,warm\n");
    drop(
        device.refused("weather --file weather.csv --outing 'Meadow test'").saying("line 3, column 2 (temperature_c)"),
    );
    assert_eq!(device.log_files(), before);
}
