//! Weather logs.

use super::*;
use crate::facts::{Humidity, Precipitation, Reading, Temperature, WindSpeed};

fn read(text: &str) -> Result<Import, ImportError> {
    let outing = OutingId::named("Invented");
    read_weather(text.as_bytes(), outing, Some("invented station"), &ImportOptions::default(), &Known::default())
}

fn readings(import: &Import) -> Vec<&Reading> {
    let facts = import.entries.iter().flat_map(|(_, e)| &e.facts);
    facts.filter_map(|s| if let Fact::Reading(r) = &s.fact { Some(r) } else { None }).collect()
}

#[test]
fn a_log_becomes_readings_in_the_order_of_time() {
    let import = read(
        "Time;Temperature (°F);Humidity %;Wind kt;Rain (mm);battery\n\
         2031-05-09 21:10:00+02:00;50,9;81;20;0,2;ok\n2031-05-09 21:00:00+02:00;;;;0;\n",
    )
    .unwrap();
    let all = readings(&import);
    assert_eq!(all.len(), 2);
    assert_eq!(all[0].conditions.precipitation, Some(Precipitation::Dry));
    let c = all[1].conditions;
    assert_eq!((c.temperature, c.humidity), (Some(Temperature(1050)), Some(Humidity(810))));
    assert_eq!((c.wind, c.precipitation), (Some(WindSpeed(1029)), Some(Precipitation::Rain)));
    assert_eq!(all[1].source.as_deref(), Some("invented station"));
    for code in ["delimiter", "decimal-comma", "temperature", "wind", "precipitation", "unknown-column"] {
        assert!(codes(&import).contains(&code), "{code}");
    }
}

#[test]
fn long_logs_are_entries_of_500_readings() {
    let lines: String =
        (0..1200).map(|n| format!("2031-05-09T{:02}:{:02}:{:02}Z,18.5\n", n / 3600, n / 60 % 60, n % 60)).collect();
    let text = format!("time,temperature_c\n{lines}");
    let import = read(&text).unwrap();
    let sizes: Vec<_> = import.entries.iter().map(|(home, e)| (home.is_some(), e.facts.len())).collect();
    assert_eq!(sizes, [(false, 1), (true, 500), (true, 500), (true, 200)]);
    assert_eq!(import, read(&text).unwrap());
}

#[test]
fn bad_weather_is_named_by_place() {
    for (text, said) in [
        (
            "time,temperature\n",
            "line 1: there is no column with a unit, such as temperature_c, humidity_pct, wind_m_s or rain_mm (did you mean \"temperature\"?)",
        ),
        ("temperature_c\n1\n", "line 1: there is no column time"),
        ("time,temperature_c,temp_f\n", "line 1, column 3: the temperature is there already, as column 2"),
        ("time,temperature_c\n2031-05-09T21:00:00Z,x\n", "line 2, column 2 (temperature_c): not a plain number"),
        ("time,temperature_c\n2031-05-09 21:00,1\n", "line 2, column 1 (time): not a date and time"),
        ("time,humidity_pct\n2031-05-09T21:00:00Z,101\n", "line 2, column 2 (humidity_pct): a humidity must be"),
        (
            "time,precipitation\n2031-05-09T21:00:00Z,frogs\n",
            "line 2, column 2 (precipitation): not a known precipitation",
        ),
        (
            "time,temperature_c\n2031-05-09T21:00:00Z,1\n2031-05-09T23:00:00+02:00,2\n",
            "line 3, column 1 (time): line 2 has another reading",
        ),
    ] {
        let e = read(text).unwrap_err().to_string();
        assert!(e.starts_with(said), "{e}");
    }
}
