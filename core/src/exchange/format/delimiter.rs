//! Which delimiter a file uses, by its header: the one that brings known column names to light.

use csv::StringRecord;

use super::super::error::FormatError;
use super::super::notice::Notices;
use super::super::options::Delimiter;

/// Returns the delimiter and how many bytes stand before the header (a spreadsheet's `sep=;` line).
pub(super) fn find(
    text: &str,
    stated: Option<Delimiter>,
    known: &dyn Fn(&str) -> bool,
    notices: &mut Notices,
) -> Result<(Delimiter, usize), FormatError> {
    let (declared, skipped) = separator_line(text);
    let line = 1 + u64::from(skipped > 0);
    if let Some(delimiter) = stated.or(declared) {
        if declared.is_some() {
            notices.line("delimiter", 1, || format!("The file says that its delimiter is a {}.", delimiter.word()));
        }
        return Ok((delimiter, skipped));
    }
    let body = text.get(skipped..).unwrap_or_default();
    let names = |d: Delimiter| {
        let header = first_record(body, d);
        let hits = header.iter().filter(|cell| known(cell)).count();
        (d, hits, header.len())
    };
    let found = Delimiter::ALL.map(names);
    let good: Vec<_> = found.iter().filter(|(_, hits, _)| *hits >= 2).collect();
    let splitting: Vec<_> = found.iter().filter(|(_, _, cells)| *cells >= 2).collect();
    let chosen = match (good.as_slice(), splitting.as_slice()) {
        ([(one, ..)], _) | ([], [(one, ..)]) => *one,
        // A single column: which delimiter it has not, does not matter.
        ([], []) => Delimiter::Comma,
        _ => {
            let reason = "the header can be split by more than one of comma, semicolon and tab; \
                          say with the option delimiter which is meant";
            return Err(FormatError::at(line, None, reason).settled_by("delimiter"));
        }
    };
    if chosen != Delimiter::Comma {
        notices.line("delimiter", line, || format!("Cells are separated by a {} and are read so.", chosen.word()));
    }
    Ok((chosen, skipped))
}

fn separator_line(text: &str) -> (Option<Delimiter>, usize) {
    let line = text.split(['\r', '\n']).next().unwrap_or_default();
    let bare = line.trim_matches('"');
    let declared = Delimiter::ALL.into_iter().find(|d| bare.as_bytes() == [b's', b'e', b'p', b'=', d.byte()]);
    (declared, if declared.is_some() { line.len() } else { 0 })
}

fn first_record(text: &str, delimiter: Delimiter) -> StringRecord {
    let mut record = StringRecord::new();
    // An unreadable header has no names, and the reading that follows says why.
    if super::table::reader(text, delimiter).read_record(&mut record).is_err() {
        record.clear();
    }
    record
}
