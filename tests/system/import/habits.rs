//! What spreadsheets do to a sheet.

use std::collections::BTreeMap;

use embertally_tests::Device;

const PLAIN: &str = "\
outing,outing_kind,time,device,observer,module,channel,lot,unit,fuse,ignition,transfer,delay_low_ms,delay_high_ms,temperature_c,humidity_pct,wind_m_s,precipitation,note
Meadow test,test,2031-04-12T10:00:00+02:00,heron,Marlo,Box-1,1,KB-104,1,visco,fired,lit,40.5,48.25,11.5,70.5,2.1,none,first
Meadow test,test,2031-04-12T10:02:00+02:00,heron,Marlo,Box-1,2,KB-104,2,visco,failed,unlit,,,11.5,70.5,2.1,drizzle,\"second; dark, cold\"
Meadow test,test,2031-04-12T10:04:00+02:00,heron,Marlo,Box-1,3,KB-104,3,visco,slow,lit,240.5,290.5,-0.5,70.5,2.1,none,
";

/// The same sheet as a spreadsheet writes it where the comma is the decimal mark: mark of byte order, semicolons, CR LF.
const ELSEWHERE: &str = "\u{feff}\
outing;outing_kind;time;device;observer;module;channel;lot;unit;fuse;ignition;transfer;delay_low_ms;delay_high_ms;temperature_c;humidity_pct;wind_m_s;precipitation;note\r
Meadow test;test;2031-04-12T10:00:00+02:00;heron;Marlo;Box-1;1;KB-104;1;visco;fired;lit;40,5;48,25;11,5;70,5;2,1;none;first\r
Meadow test;test;2031-04-12T10:02:00+02:00;heron;Marlo;Box-1;2;KB-104;2;visco;failed;unlit;;;11,5;70,5;2,1;drizzle;\"second; dark, cold\"\r
Meadow test;test;2031-04-12T10:04:00+02:00;heron;Marlo;Box-1;3;KB-104;3;visco;slow;lit;240,5;290,5;-0,5;70,5;2,1;none;\r
";

#[test]
fn semicolons_and_decimal_commas_say_the_same_as_commas_and_points() {
    let (plain, elsewhere) = (Device::new(), Device::new());
    plain.import("plain.csv", PLAIN);
    elsewhere.import("elsewhere.csv", ELSEWHERE);
    let rows = plain.rows();
    assert_eq!(rows, elsewhere.rows());
    assert_eq!(rows[0]["temperature_c"], "11.5");
    assert_eq!(rows[0]["delay_high_ms"], "48.25");
    assert_eq!(rows[1]["note"], "second; dark, cold");
    assert_eq!(rows[2]["temperature_c"], "-0.5");
    assert_eq!(plain.all_rates(), elsewhere.all_rates());
    let again = plain.import("elsewhere.csv", ELSEWHERE);
    assert_eq!((&again["rows"], &again["entries_added"]), (&3.into(), &0.into()));
}

#[test]
fn what_was_detected_is_said_aloud() {
    let device = Device::new();
    device.write("elsewhere.csv", ELSEWHERE);
    let said = device.done("import elsewhere.csv --json").saying("semicolon").saying("decimal comma");
    let codes = said.object()["notices"].to_string();
    for code in ["byte-order-mark", "decimal-comma"] {
        assert!(codes.contains(code), "{code} is not among {codes}");
    }
}

#[test]
fn a_number_that_can_be_read_in_two_ways_is_asked_about() {
    let device = Device::new();
    device.write("two-ways.csv", "outing;lot;unit;ignition;temperature_c;delay_ms\nT;KB-104;1;fired;12;1,234\n");
    device.refused("import two-ways.csv").saying("line 2, column 6").saying("decimal");
    device.done("import two-ways.csv --decimal comma");
    assert_eq!(device.rows()[0]["delay_ms"], "1.234");
}

#[test]
fn columns_stand_in_any_order() {
    let device = Device::new();
    device.import("plain.csv", PLAIN);
    let mut lines = csv_lines(PLAIN);
    for line in &mut lines {
        line.reverse();
    }
    let turned: String = lines.iter().map(|line| line.join(",") + "\n").collect();
    assert!(turned.starts_with("note,precipitation,"));
    let again = device.import("turned.csv", turned);
    assert_eq!((&again["rows"], &again["entries_added"]), (&3.into(), &0.into()));
}

/// Takes a sheet apart; the one cell with commas in it keeps its quotes.
fn csv_lines(sheet: &str) -> Vec<Vec<String>> {
    let cells = |line: &str| {
        let mut cells = vec![String::new()];
        let mut is_quoted = false;
        for c in line.chars() {
            is_quoted ^= c == '"';
            match (c, cells.last_mut()) {
                (',', _) if !is_quoted => cells.push(String::new()),
                (c, Some(cell)) => cell.push(c),
                (_, None) => {}
            }
        }
        cells
    };
    sheet.lines().map(cells).collect()
}

#[test]
fn the_same_file_twice_adds_nothing() {
    let device = Device::new();
    let first = device.import("plain.csv", PLAIN);
    let (export, rates) = (device.export(), device.all_rates());
    let again = device.json("import plain.csv");
    assert_eq!(again["entries_added"], 0);
    assert_eq!(again["entries_already_there"], 3, "{again:#}");
    assert!(first["entries_added"].as_i64() > Some(3), "names are entries too: {first:#}");
    assert_eq!((device.export(), device.all_rates()), (export, rates));
}

#[test]
fn a_column_that_is_not_known_is_kept_as_a_note() {
    let device = Device::new();
    device.import("pits.csv", "outing,lot,unit,ignition,pit,note\nT,KB-104,1,fired,north 3,warm\nT,KB-104,2,fired,,\n");
    // Rows without a time have no order of their own.
    let notes: BTreeMap<_, _> =
        device.rows().into_iter().map(|row| (row["unit"].clone(), row["note"].clone())).collect();
    assert_eq!((notes["1"].as_str(), notes["2"].as_str()), ("warm; pit: north 3", ""));
}

#[test]
fn a_missing_column_is_named_with_what_may_have_been_meant() {
    let device = Device::new();
    device.write("short.csv", "outing,lot no,unit,ignition\nT,KB-104,1,fired\n");
    device.refused("import short.csv").saying("no column lot").saying("lot no");
}

#[test]
fn json_lines_say_the_same_as_csv() {
    let (sheet, lines) = (Device::new(), Device::new());
    sheet.import("plain.csv", PLAIN);
    sheet.done("export --format json out.jsonl");
    let object = lines.import("in.jsonl", sheet.read("out.jsonl"));
    assert_eq!(object["rows"], 3);
    assert_eq!(sheet.rows(), lines.rows());
    assert_eq!(sheet.all_rates(), lines.all_rates());
}
