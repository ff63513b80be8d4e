//! All or nothing, unless the good rows are asked for alone.

use embertally_tests::Device;

use super::{numbers, only_lot};

/// Returns a sheet of so many fired shots, of which those at `bad` have a word that is none.
fn sheet(rows: usize, bad: &[usize]) -> String {
    let mut sheet = String::from("outing,time,lot,unit,fuse,ignition,transfer\n");
    for n in 1..=rows {
        let ignition = if bad.contains(&n) { "fird" } else { "fired" };
        sheet.push_str(&format!("Meadow test,2031-04-12T10:00:00+02:00,KB-104,u{n},visco,{ignition},lit\n"));
    }
    sheet
}

/// The folder holds no write-ahead log once the tool has ended, so its files can be compared as they are; the log's
/// own view of itself, export and carry file, is compared too.
#[test]
fn one_bad_row_in_100_000_is_named_and_leaves_the_log_byte_for_byte_as_it_was() {
    let device = Device::new();
    device.import("before.csv", sheet(20, &[]));
    let (export, carried, files) = (device.export(), device.carry(), device.log_files());
    device.write("bad.csv", sheet(100_000, &[50_000]));
    let said = device.refused("import bad.csv");
    assert!(said.stderr.contains("line 50001, column 6 (ignition)"), "{}", said.stderr);
    assert!(said.stderr.contains("fird") && said.stderr.contains("the log is as it was"), "{}", said.stderr);
    assert!(device.log_files() == files, "a file of the log has changed");
    assert_eq!(device.export(), export);
    assert_eq!(device.carry(), carried);
}

#[test]
fn keep_good_keeps_the_good_rows_and_names_the_bad_ones() {
    let device = Device::new();
    device.write("mixed.csv", sheet(500, &[7, 250]));
    let said = device.done("import mixed.csv --keep-good --json");
    assert_eq!(numbers(&said.object(), ["rows", "bad_rows"]), [498, 2]);
    let bad = &said.object()["bad"];
    let place = |n: usize| (bad[n]["line"].clone(), bad[n]["column_number"].clone(), bad[n]["column_name"].clone());
    assert_eq!(place(0), (8.into(), 6.into(), "ignition".into()));
    assert_eq!(place(1), (251.into(), 6.into(), "ignition".into()));
    said.saying("line 8, column 6 (ignition)").saying("line 251, column 6 (ignition)");
    assert_eq!(numbers(&only_lot(&device), ["shots", "failures"]), [498, 0]);
    assert!(device.rows().iter().all(|row| row["unit"] != "u7" && row["unit"] != "u250"));
}

#[test]
fn every_kind_of_bad_cell_is_named_by_line_and_column() {
    const HEADER: &str =
        "outing,time,channel,lot,unit,attempt,ignition,delay_low_ms,delay_high_ms,strength,humidity_pct";
    let device = Device::new();
    device.import("before.csv", sheet(3, &[]));
    let before = device.log_files();
    for (row, place) in [
        (",,,KB-104,1,,fired,,,,", "line 3, column 1 (outing)"),
        ("T,2031-04-12 10:00,,KB-104,1,,fired,,,,", "line 3, column 2 (time)"),
        ("T,,first,KB-104,1,,fired,,,,", "line 3, column 3 (channel)"),
        ("T,,,,1,,fired,,,,", "line 3, column 4 (lot)"),
        ("T,,,KB-104,,,fired,,,,", "line 3, column 5 (unit)"),
        ("T,,,KB-104,1,0,fired,,,,", "line 3, column 6 (attempt)"),
        ("T,,,KB-104,1,,,,,,", "line 3, column 7 (ignition)"),
        ("T,,,KB-104,1,,fired,50,40,,", "line 3, column 8 (delay_low_ms)"),
        ("T,,,KB-104,1,,fired,50,,,", "line 3, column 9 (delay_high_ms)"),
        ("T,,,KB-104,1,,fired,,,6,", "line 3, column 10 (strength)"),
        ("T,,,KB-104,1,,fired,,,,101", "line 3, column 11 (humidity_pct)"),
        ("T,,,KB-104,1,,fired,,,,,more", "line 3"),
    ] {
        device.write("bad.csv", format!("{HEADER}\nT,,,KB-104,u1,,fired,,,,\n{row}\nT,,,KB-104,u2,,fired,,,,\n"));
        device.refused("import bad.csv").saying(place);
        assert!(device.log_files() == before, "{row} changed the log");
    }
}

#[test]
fn a_row_put_right_and_imported_again_is_not_counted_twice() {
    let sheet = |seen: &str| {
        format!(
            "outing,outing_kind,volley,wiring,position,lot,unit,ignition\nT,test,V,series,1,KB-104,1,fired\n\
             T,test,V,series,2,KB-104,2,{seen}\nT,test,,,,KB-104,3,fired\n"
        )
    };
    let device = Device::new();
    device.write("sheet.csv", sheet("fird"));
    device.done("import sheet.csv --keep-good").saying("line 3").saying("left out whole");
    assert_eq!(device.rows().len(), 1);
    device.write("sheet.csv", sheet("fired"));
    device.done("import sheet.csv");
    assert_eq!(device.rows().len(), 3);
}

#[test]
fn an_import_of_what_was_logged_already_says_that_it_is_counted_twice() {
    let device = Device::new();
    device.done("crew device heron");
    device.done("outing begin T");
    device.done("volley 3f1x KB-104 -f visco -w parallel --at 2031-04-12T10:00:00Z --new");
    let mut sheet = "outing,outing_kind,time,device,volley,wiring,lot,unit,fuse,ignition,transfer\n".to_owned();
    for seen in ["fired,lit", "fired,lit", "fired,lit", "failed,unlit"] {
        sheet += &format!("T,test,2031-04-12T10:00:30Z,otter,V,parallel,KB-104,?,visco,{seen}\n");
    }
    device.write("sheet.csv", sheet);
    device.done("import sheet.csv").saying("1 volley looks like one").saying("counted twice").saying("disputes");
}
