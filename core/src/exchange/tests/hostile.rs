//! Whatever bytes come: no panic, and an answer that names a place.

use proptest::prelude::*;

use super::*;

const GOOD: &str = "outing;time;observer;volley;wiring;position;lot;unit;fuse;ignition;delay_ms;temperature_c;note\r\n\
    Invented;2031-05-09T21:30:00+02:00;Marlo;V1;series;1;KB-104;1;visco;fired;120,4;18,5;\"a \"\"b\"\"\r\nc\"\r\n\
    Invented;2031-05-09T21:30:00+02:00;Marlo;V1;series;2;KB-104;2;visco;failed;;18,5;'=x\r\n\
    Invented;2031-05-09T21:30:00+02:00;Tess;V1;;2;KB-104;2;visco;slow;99,5;;\r\n";

fn all_readers(bytes: &[u8], keep_good: bool) -> Result<(), TestCaseError> {
    let options = ImportOptions { keep_good, ..ImportOptions::default() };
    let lines = 1 + bytes.iter().filter(|b| matches!(b, b'\n' | b'\r')).count() as u64;
    let known = Known::default();
    let answers = [
        read_csv(bytes, &options, &known),
        read_jsonl(bytes, &options, &known),
        read_weather(bytes, OutingId::named("a"), None, &options, &known),
    ];
    for answer in answers {
        let bad = match answer {
            Ok(import) => {
                for (_, entry) in &import.entries {
                    let bytes = entry.to_bytes().map_err(|e| TestCaseError::fail(e.to_string()))?;
                    prop_assert_eq!(&Entry::from_bytes(entry.id, &bytes), &Ok(entry.clone()));
                }
                import.bad
            }
            Err(ImportError::Format(e)) => {
                prop_assert!((1..=lines).contains(&e.line));
                continue;
            }
            Err(ImportError::BadRows { bad, .. }) => bad,
            Err(_) => continue,
        };
        for e in bad {
            prop_assert!((1..=lines).contains(&e.line) && !e.reason.is_empty() && e.column_number != Some(0), "{}", e);
        }
    }
    Ok(())
}

#[derive(Debug, Clone)]
enum Change {
    Put(usize, u8),
    Insert(usize, Vec<u8>),
    Remove(usize, usize),
}

fn change() -> impl Strategy<Value = Change> {
    let telling = proptest::sample::select(&b"\",;\t\r\n'=.-0\0\xff"[..]);
    prop_oneof![
        (any::<usize>(), telling).prop_map(|(at, byte)| Change::Put(at, byte)),
        (any::<usize>(), proptest::collection::vec(any::<u8>(), 0..6))
            .prop_map(|(at, bytes)| Change::Insert(at, bytes)),
        (any::<usize>(), 0..40_usize).prop_map(|(at, n)| Change::Remove(at, n)),
    ]
}

fn changed(good: &str, changes: Vec<Change>) -> Vec<u8> {
    let mut bytes = good.as_bytes().to_vec();
    for change in changes {
        let len = bytes.len().max(1);
        match change {
            Change::Put(at, byte) if !bytes.is_empty() => bytes[at % len] = byte,
            Change::Put(..) => {}
            Change::Insert(at, new) => drop(bytes.splice(at % len..at % len, new)),
            Change::Remove(at, n) => {
                let at = (at % len).min(bytes.len());
                let end = (at + n).min(bytes.len());
                bytes.drain(at..end);
            }
        }
    }
    bytes
}

proptest! {
    #[test]
    fn arbitrary_bytes_get_an_answer(bytes in proptest::collection::vec(any::<u8>(), 0..300), keep in any::<bool>()) {
        all_readers(&bytes, keep)?;
    }

    #[test]
    fn arbitrary_text_gets_an_answer(
        text in "(outing[,;]lot[,;]unit[,;]ignition|time,temperature_c)?[a-z0-9,;\t\"'.:+\n\r -]{0,200}",
        keep in any::<bool>(),
    ) {
        all_readers(text.as_bytes(), keep)?;
    }

    #[test]
    fn a_good_file_with_arbitrary_changes_gets_an_answer(
        changes in proptest::collection::vec(change(), 1..5),
        keep in any::<bool>(),
    ) {
        all_readers(&changed(GOOD, changes), keep)?;
    }
}

#[test]
fn the_file_that_is_changed_is_good() {
    assert_eq!(imported(GOOD).rows, 3);
}
