//! Cells, columns and file formats that are read as meant.

use super::*;
use crate::facts::{Cause, Delay, Ignition, Temperature, Transfer};

const MINIMAL: &str = "outing,lot,unit,ignition\nInvented dry run,KB-104,7,fired\n";

#[test]
fn four_columns_are_enough() {
    let import = imported(MINIMAL);
    assert_eq!(import.rows, 1);
    let all = volleys(&import);
    let (entry, volley, seen) = &all[0];
    assert_eq!(entry.device, DeviceId::named("import"));
    assert_eq!(entry.written.to_string(), "1970-01-01T00:00:00Z");
    assert_eq!(volley.shots[0].unit.as_deref(), Some("7"));
    assert_eq!((seen[0].observer, seen[0].seen[0].transfer), (None, Transfer::NoFuse));
    // Lot, device, outing, volley.
    assert_eq!(import.entries.len(), 4);
    assert_eq!(codes(&import), ["no-fuse", "outing-kind"]);
}

#[test]
fn reading_twice_gives_the_same_entries_and_known_names_none() {
    let first = imported(MINIMAL);
    assert_eq!(first, imported(MINIMAL));
    let known = Known {
        lots: [LotId::named("kb-104")].into(),
        devices: [DeviceId::named("import")].into(),
        outings: [OutingId::named("Invented dry run")].into(),
        ..Known::default()
    };
    let second = read_csv(MINIMAL.as_bytes(), &ImportOptions::default(), &known).unwrap();
    assert_eq!(second.entries, first.entries[3..]);
}

#[test]
fn spreadsheet_habits_are_met_and_said_aloud() {
    let text = "\u{feff}Outing;Lot;Unit;Ignition;Temperature C;Delay ms\r\nInvented;KB-104;1;FIRED;-3,5;120,4\r\n";
    let import = imported(text);
    assert_eq!(codes(&import)[..3], ["byte-order-mark", "delimiter", "decimal-comma"]);
    let all = volleys(&import);
    assert_eq!(all[0].1.conditions.temperature, Some(Temperature(-350)));
    assert_eq!(all[0].2[0].seen[0].delay, Some(Delay::Stated { low_us: 120_350, high_us: 120_450 }));
    assert_eq!(imported("sep=;\r\nouting;lot;unit;ignition\r\na;b;1;fired\r\n").rows, 1);
    assert_eq!(imported("outing\tlot\tunit\tignition\ra\tb\t1\tfired\r").rows, 1);
}

#[test]
fn words_are_read_in_any_case_and_with_any_joint() {
    for cause in ["broken-string", "Broken String", "BROKEN_STRING"] {
        let import = imported(&format!("outing,lot,unit,ignition,cause\na,b,1,failed,{cause}\n"));
        assert_eq!(volleys(&import)[0].2[0].seen[0].cause, Some(Cause::BrokenString), "{cause}");
    }
}

#[test]
fn a_space_may_stand_for_the_t_of_a_time() {
    let import = imported("outing,lot,unit,ignition,time\na,b,1,slow,2031-05-09 21:30:00+02:00\n");
    let (entry, volley, seen) = &volleys(&import)[0];
    assert_eq!(volley.at.unwrap().to_string(), "2031-05-09T21:30:00+02:00");
    assert_eq!((entry.written, seen[0].seen[0].ignition), (volley.at.unwrap(), Ignition::Slow));
    assert_eq!(entry.id.unix_ms(), Some(entry.written.unix_ms));
}

#[test]
fn unknown_columns_go_into_the_note_and_formula_marks_come_off() {
    let import = imported("outing,lot,unit,ignition,note,clip\na,'=KB,1,fired,'-dull,c3.mp4\n");
    assert_eq!(volleys(&import)[0].2[0].seen[0].note.as_deref(), Some("-dull; clip: c3.mp4"));
    assert!(codes(&import).contains(&"unknown-column"));
    assert_eq!(volleys(&import)[0].1.shots[0].lot, LotId::named("=KB"));
}

#[test]
fn a_delay_is_the_interval_that_its_columns_leave_open() {
    let read = |cells: &str| {
        let header = "outing,lot,unit,ignition,delay_ms,delay_low_ms,delay_high_ms,frames,fps";
        import(&format!("{header}\na,b,1,fired,{cells}\n")).map(|i| volleys(&i)[0].2[0].seen[0].delay)
    };
    let clip = Delay::from_clip(0, 12, 120_000).unwrap();
    assert_eq!(read("120,,,,").unwrap(), Some(Delay::Stated { low_us: 119_500, high_us: 120_500 }));
    assert_eq!(read(",90,110,,").unwrap(), Some(Delay::Stated { low_us: 90_000, high_us: 110_000 }));
    assert_eq!(read(",,,12,120").unwrap(), Some(clip));
    assert_eq!(read("100,91,109,12,120").unwrap(), Some(clip));
    assert_eq!(read(",,,1,29.97").unwrap(), Some(Delay::from_clip(0, 1, 29_970).unwrap()));
    assert_eq!(read(",,,,120").unwrap(), None, "a frame rate alone says nothing");
    for (cells, column) in [
        ("150,90,110,,", "delay_ms"),
        (",200,210,12,120", "frames"),
        (",90,,,", "delay_high_ms"),
        (",110,90,,", "delay_low_ms"),
        (",,,12,", "fps"),
        (",,,12,0", "fps"),
        ("-1,,,,", "delay_ms"),
        ("4294968,,,,", "delay_ms"),
    ] {
        assert_eq!(bad(read(cells).map(|_| imported(MINIMAL))).column_name, column, "{cells}");
    }
}

#[test]
fn a_number_that_can_be_read_in_two_ways_is_asked_about() {
    let read = |cells: &[&str], decimal| {
        let lines: String = (1..).zip(cells).map(|(n, c)| format!("a;b;{n};fired;{c}\n")).collect();
        let text = format!("outing;lot;unit;ignition;delay_ms\n{lines}");
        let options = ImportOptions { decimal, ..ImportOptions::default() };
        read_csv(text.as_bytes(), &options, &Known::default())
    };
    for (cells, line) in [(&["1,5", "2.5"][..], 2), (&["12", "1,234"], 3), (&["1.234"], 2)] {
        match read(cells, None) {
            Err(ImportError::Format(e)) => {
                assert_eq!((e.line, e.column_number, e.settled_by), (line, Some(5), Some("decimal")), "{cells:?}");
            }
            other => panic!("{cells:?}: {other:?}"),
        }
    }
    assert!(read(&["1,234"], Some(DecimalMark::Comma)).is_ok());
    assert!(read(&["1,234", "0,5"], None).is_ok(), "0,5 settles it");
    assert_eq!(bad(read(&["1,5", "2.5"], Some(DecimalMark::Comma))).line, 3);
}

#[test]
fn lines_are_those_of_the_file_behind_quoted_line_ends() {
    let text = "outing,note,lot,unit,ignition\r\na,\"two\r\nlines\",b,1,fired\r\n\r\na,\"x\ny\",b,2,fird\r\n";
    let e = bad(import(text));
    assert_eq!((e.line, e.column_number, e.column_name.as_str(), e.text.as_str()), (6, Some(5), "ignition", "fird"));
    assert!(e.to_string().starts_with("line 6, column 5 (ignition): not a known ignition; use one of: fired"));
}

#[test]
fn good_rows_are_kept_only_if_asked_for() {
    let text = "outing,lot,unit,ignition\na,b,1,fired\na,b,2,fird\na,,3,fired\na,b,4,failed\n";
    match import(text) {
        Err(ImportError::BadRows { bad, count: 2 }) => assert_eq!([bad[0].line, bad[1].line], [3, 4]),
        other => panic!("{other:?}"),
    }
    let options = ImportOptions { keep_good: true, ..ImportOptions::default() };
    let import = read_csv(text.as_bytes(), &options, &Known::default()).unwrap();
    assert_eq!((import.rows, import.bad_count, volleys(&import).len()), (2, 2, 2));
}
