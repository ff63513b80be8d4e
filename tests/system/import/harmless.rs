//! A text that a spreadsheet would take for a formula.

use std::collections::BTreeSet;

use embertally_tests::Device;

const FORMULAS: &str = "\
outing,device,observer,volley,module,lot,unit,fuse,ignition,note
=T(1),+heron,@Marlo,-A1,=Box,-KB,+1,@visco,fired,\"=HYPERLINK(\"\"x\"\",\"\"y\"\")\"
=T(1),+heron,@Marlo,-A2,=Box,-KB,-2,@visco,fired,''=1+1
=T(1),+heron,@Marlo,-A3,=Box,-KB,@3,@visco,fired,'tis dry
";

#[test]
fn no_text_begins_like_a_formula_in_an_export() {
    let device = Device::new();
    device.import("formulas.csv", FORMULAS);
    let rows = device.rows();
    assert_eq!(rows.len(), 3);
    for (column, cell) in rows.iter().flatten() {
        assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r']), "{column} holds {cell:?}");
    }
    let notes: BTreeSet<&str> = rows.iter().map(|row| row["note"].as_str()).collect();
    // An apostrophe of one's own is told from the one that was put before a formula, or needs none.
    assert_eq!(notes, BTreeSet::from(["'=HYPERLINK(\"x\",\"y\")", "''=1+1", "'tis dry"]));
}

#[test]
fn a_text_like_a_formula_is_unchanged_after_the_way_round() {
    let (first, second) = (Device::new(), Device::new());
    first.import("formulas.csv", FORMULAS);
    let export = first.export();
    second.import("again.csv", &export);
    assert_eq!(second.export(), export);
    second.done("export --format json out.jsonl");
    let lines = String::from_utf8(second.read("out.jsonl")).expect("JSON is UTF-8");
    for text in [r#""outing":"=T(1)""#, r#""unit":"+1""#, r#""unit":"-2""#, r#""note":"=HYPERLINK(\"x\",\"y\")""#] {
        assert!(lines.contains(text), "{text} did not come back: {lines}");
    }
}

#[test]
fn negative_numbers_stay_numbers() {
    let device = Device::new();
    device.import("cold.csv", "outing,lot,unit,ignition,temperature_c\nT,KB-104,1,fired,-4.5\n");
    assert_eq!(device.rows()[0]["temperature_c"], "-4.5");
}
