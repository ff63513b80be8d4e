//! What is exported reads back as the same entries, ids included.

use proptest::prelude::*;

use super::*;
use crate::facts::WiringKind;

pub(super) fn csv(rows: Vec<Row>) -> Vec<u8> {
    let mut out = Vec::new();
    write_csv(&mut out, rows).unwrap();
    out
}

fn read(bytes: &[u8]) -> Import {
    let decimal = Some(DecimalMark::Point);
    let options = ImportOptions { keep_good: true, decimal, ..ImportOptions::default() };
    read_csv(bytes, &options, &Known::default()).unwrap_or_else(|e| panic!("{e}"))
}

#[derive(Debug, Clone)]
struct Cells(Vec<String>);

const COLUMNS: &str = "outing,outing_kind,slow_limit_ms,time,device,observer,volley,module,channel,wiring,string_length,\
                       position,lot,unit,attempt,fuse,ignition,transfer,delay_ms,frames,fps,strength,cause,temperature_c,wind_m_s,\
                       precipitation,note,clip";

/// Few different names, so that rows often share a volley, and texts that need quotes and marks.
fn cells() -> impl Strategy<Value = Cells> {
    let pick = |words: &'static [&'static str]| proptest::sample::select(words).prop_map(str::to_owned).boxed();
    let columns = vec![
        pick(&["Invented A", "=B", "invented  a"]),
        pick(&["", "test"]),
        pick(&["", "150"]),
        pick(&["", "2031-05-09T21:30:00+02:00", "2031-05-09T21:31:00.250+02:00", "2031-05-09T19:30:00Z"]),
        pick(&["", "phone-1", "@phone"]),
        pick(&["", "Marlo", "Tess"]),
        pick(&["", "", "V1", "-2", "v1"]),
        pick(&["", "box"]),
        pick(&["", "3", "4"]),
        pick(&["", "single", "series", "series", "parallel", "series-parallel"]),
        pick(&["", "1", "2", "3"]),
        pick(&["", "1", "2", "3"]),
        pick(&["KB-104", "'KB", "KC-7"]),
        pick(&["1", "2", "3", "?", "-4", "a;b"]),
        pick(&["", "1", "2"]),
        pick(&["", "none", "quickmatch, 3 mm"]),
        pick(&["fired", "slow", "failed", "skipped"]),
        pick(&["", "lit", "unlit", "none", "unseen"]),
        pick(&["", "", "120", "120.4"]),
        pick(&["", "12"]),
        pick(&["120", "29.97"]),
        pick(&["", "3"]),
        pick(&["", "igniter", "broken string"]),
        pick(&["", "-3.456", "18.5"]),
        pick(&["", "2"]),
        pick(&["", "rain"]),
        pick(&["", "say \"dull\", two\r\nlines", "=1+1", "''x", "-"]),
        pick(&["", "c3.mp4"]),
    ];
    columns.prop_map(Cells)
}

fn text(rows: &[Cells]) -> String {
    let mut out = format!("{COLUMNS}\n");
    for Cells(cells) in rows {
        let quoted: Vec<_> = cells.iter().map(|c| format!("\"{}\"", c.replace('"', "\"\""))).collect();
        out.push_str(&quoted.join(","));
        out.push('\n');
    }
    out
}

proptest! {
    #[test]
    fn an_import_exported_and_imported_again_is_the_same(rows in proptest::collection::vec(cells(), 1..12)) {
        let first = read(text(&rows).as_bytes());
        let again = read(&csv(exported(&first)));
        prop_assert_eq!(&again.bad, &[]);
        // Register facts stand in the order in which names are met, which export may change.
        let of = |i: &Import| volleys(i).into_iter().map(|(e, ..)| e.clone()).collect::<Vec<_>>();
        let ambiguous = strings_that_a_file_cannot_part(&first);
        if !ambiguous {
            prop_assert_eq!(of(&again), of(&first));
            prop_assert_eq!(ids(&again), ids(&first));
        }
    }

    #[test]
    fn json_lines_say_the_same_as_csv(rows in proptest::collection::vec(cells(), 1..12)) {
        let first = read(text(&rows).as_bytes());
        let mut lines = Vec::new();
        write_jsonl(&mut lines, exported(&first)).unwrap();
        let options = ImportOptions { keep_good: true, ..ImportOptions::default() };
        let json = read_jsonl(&lines, &options, &Known::default()).unwrap();
        prop_assert_eq!(json.entries, read(&csv(exported(&first))).entries);
    }
}

/// Two circuits without label, time, module or channel that follow each other, or rows of one igniter alone that are
/// joined by what they share: a file has no column to keep such apart.
fn strings_that_a_file_cannot_part(import: &Import) -> bool {
    let all = volleys(import);
    let unlabelled = |v: &Volley| v.label.is_none() && v.wiring.kind() != WiringKind::Single;
    all.windows(2).any(|pair| match pair {
        [(a, v, _), (b, w, _)] => {
            let circuit = |e: &Entry, v: &Volley| (e.device, v.outing, v.at, v.module, v.channel, v.wiring.kind());
            unlabelled(v) && unlabelled(w) && circuit(a, v) == circuit(b, w)
        }
        _ => false,
    })
}

#[test]
fn a_spreadsheet_gets_no_formula_and_the_text_comes_back() {
    let first = imported("outing,lot,unit,ignition,note\n'=cmd,'+KB,'@1,fired,\"'-1\r\nx\"\n");
    let file = csv(exported(&first));
    let text = String::from_utf8(file.clone()).unwrap();
    assert!(text.ends_with("\r\n") && text.contains("'=cmd") && text.contains("\"'-1\r\nx\""), "{text}");
    assert_eq!(ids(&read(&file)), ids(&first));
}
