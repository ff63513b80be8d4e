//! The corpus: files that people and machines really send, each with the answer it gets.

use super::*;

fn answer(bytes: &[u8]) -> String {
    match read_csv(bytes, &ImportOptions::default(), &Known::default()) {
        Ok(import) => format!("{} rows", import.rows),
        Err(e) => e.to_string(),
    }
}

#[test]
fn each_file_of_the_corpus_gets_its_answer() {
    let utf16: Vec<u8> = "outing,lot,unit,ignition\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
    let utf16_bom = [&[0xff, 0xfe][..], &utf16].concat();
    let huge = format!("outing,lot,unit,ignition,note\na,b,1,fired,{}\n", "x".repeat(1 << 20));
    let corpus: &[(&str, &[u8], &str)] = &[
        ("empty", b"", "line 1: the file is empty"),
        ("only a mark", b"\xef\xbb\xbf", "line 1: the file is empty"),
        ("only blank lines", b"\r\n\r\n", "line 1: the file is empty"),
        ("header only", b"outing,lot,unit,ignition\r\n", "0 rows"),
        ("utf-16 with a mark", &utf16_bom, "line 1: the file is UTF-16; save the file as UTF-8"),
        ("utf-16 without a mark", &utf16, "line 1: the file looks like UTF-16"),
        ("latin-1", b"outing,lot,unit,ignition\n\xe9,b,1,fired\n", "line 2: there is a byte that is not UTF-8"),
        ("a zero byte", b"outing,lot,unit,ignition\na,b,1,fi\0red\n", "line 2: there is a zero byte"),
        ("an escape", b"outing,lot,unit,ignition\na,b\x1b[2J,1,fired\n", "line 2, column 2 (lot): a name must not"),
        ("a huge cell", huge.as_bytes(), "line 2, column 5 (note): the cell has 1048576 bytes; the most is 4096"),
        ("a missing column", b"outing,lott,unit,ignition\n", "line 1: there is no column lot (did you mean \"lott\"?)"),
        ("two missing", b"outing,unit,x\n", "line 1: there is no column lot; there is no column ignition"),
        (
            "a column twice",
            b"outing,lot,unit,ignition,Lot\n",
            "line 1, column 5: the column lot is there already, as column 2",
        ),
        (
            "a bad word",
            b"outing,lot,unit,ignition\na,b,1,exploded\n",
            "line 2, column 4 (ignition): not a known ignition",
        ),
        (
            "an empty unit",
            b"outing,lot,unit,ignition\na,b,,fired\n",
            "line 2, column 3 (unit): empty, which it must not be; write ?",
        ),
        ("a surplus cell", b"outing,lot,unit,ignition\na,b,1,fired,18,5\n", "line 2, column 5: the row has more cells"),
        ("a trailing comma", b"outing,lot,unit,ignition\na,b,1,fired,\n", "1 rows"),
        (
            "an open quote",
            b"outing,lot,unit,ignition\na,\"b,1,fired\na,b,2,fired\n",
            "line 2, column 2: a quote opens here",
        ),
        (
            "behind a quote",
            b"outing,lot,unit,ignition\na,\"b\"c,1,fired\n",
            "line 2, column 2: text follows the closing quote",
        ),
        ("two delimiters", b"a,b;c\n1,2;3\n", "line 1: the header can be split by more than one"),
        (
            "a time without offset",
            b"outing,lot,unit,ignition,time\na,b,1,fired,2031-05-09T21:30:00\n",
            "line 2, column 5 (time): not a date and time with an offset",
        ),
        (
            "too hot",
            b"outing,lot,unit,ignition,temperature_c\na,b,1,fired,71\n",
            "line 2, column 5 (temperature_c): a temperature must be",
        ),
        (
            "no position",
            b"outing,lot,unit,ignition,position\na,b,1,fired,0\n",
            "line 2, column 5 (position): not a whole number from 1",
        ),
        (
            "a plus sign",
            b"outing,lot,unit,ignition,channel\na,b,1,fired,+4\n",
            "line 2, column 5 (channel): not a whole number",
        ),
        ("blank rows", b"outing,lot,unit,ignition\n,,,\na,b,1,fired\n\n  ,\n", "1 rows"),
        ("no text at all", b"\x89PNG\r\n\x1a\n", "line 1: there is a byte that is not UTF-8"),
    ];
    for (name, bytes, expected) in corpus {
        let said = answer(bytes);
        assert!(said.starts_with(expected), "{name}: {said}");
    }
}

#[test]
fn one_bad_row_among_twenty_thousand_is_named_and_nothing_is_taken() {
    let mut text = String::from("outing,lot,unit,ignition\n");
    for n in 1..=20_000 {
        text.push_str(&format!("a,b,{n},{}\n", if n == 10_000 { "maybe" } else { "fired" }));
    }
    let e = bad(import(&text));
    assert_eq!((e.line, e.column_number), (10_001, Some(4)));
}

#[test]
fn bad_rows_are_capped_and_all_counted() {
    let text = format!("outing,lot,unit,ignition\n{}", "a,b,1,no\n".repeat(1500));
    match import(&text) {
        Err(ImportError::BadRows { bad, count: 1500 }) => {
            assert_eq!((bad.len(), bad[999].line), (MAX_BAD_ROWS, 1001));
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn rows_beyond_the_limit_are_refused() {
    let options = ImportOptions { max_rows: 2, ..ImportOptions::default() };
    let text = "outing,lot,unit,ignition\na,b,1,fired\na,b,2,fired\na,b,3,fired\n";
    let said = read_csv(text.as_bytes(), &options, &Known::default()).unwrap_err();
    assert_eq!(said, ImportError::TooManyRows { line: 4, max: 2 });
}
