//! What kind of text a file is: encoding, byte-order mark, line ends, delimiter.

mod delimiter;
mod quotes;
mod table;

pub(super) use table::{Line, Next, Table};

use super::error::FormatError;
use super::notice::Notices;

const AS_UTF_8: &str = "save the file as UTF-8 (a spreadsheet calls it \"CSV UTF-8\")";

/// Returns the file's text behind any byte-order mark.
pub(super) fn text<'a>(bytes: &'a [u8], notices: &mut Notices) -> Result<&'a str, FormatError> {
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(FormatError::at(1, None, format!("the file is UTF-16; {AS_UTF_8}")));
    }
    let body = match bytes.strip_prefix(b"\xef\xbb\xbf") {
        Some(rest) => {
            notices.file("byte-order-mark", "The file begins with a byte-order mark, which is left out.");
            rest
        }
        None => bytes,
    };
    // Every other byte of UTF-16 is zero in text like ours; one zero alone is damage.
    if let Some(at) = body.iter().position(|b| *b == 0) {
        let line = line_at(body, at);
        let zeros = body.iter().take(64).filter(|b| **b == 0).count();
        let reason = if zeros * 3 >= body.len().min(64) {
            format!("the file looks like UTF-16; {AS_UTF_8}")
        } else {
            "there is a zero byte, which no text has: the file is damaged or not a text".to_owned()
        };
        return Err(FormatError::at(line, None, reason));
    }
    std::str::from_utf8(body).map_err(|e| {
        let line = line_at(body, e.valid_up_to());
        FormatError::at(line, None, format!("there is a byte that is not UTF-8; {AS_UTF_8}"))
    })
}

/// Returns the physical line, from 1, of the byte at `at`.
fn line_at(bytes: &[u8], at: usize) -> u64 {
    let before = bytes.get(..at).unwrap_or(bytes);
    1 + line_ends(before, bytes.get(at).copied())
}

/// Counts the line ends in `bytes`: LF, CR LF and CR alone are one each; `next` is the byte behind.
fn line_ends(bytes: &[u8], next: Option<u8>) -> u64 {
    let feeds = bytes.iter().filter(|b| **b == b'\n').count();
    let lone = bytes.windows(2).filter(|w| matches!(w, [b'\r', after] if *after != b'\n')).count();
    let last = usize::from(bytes.last() == Some(&b'\r') && next != Some(b'\n'));
    (feeds + lone + last) as u64
}

/// Says aloud if lines end in an old or a mixed way; LF and CR LF are both common and change nothing.
fn notice_line_ends(text: &str, notices: &mut Notices) {
    let bytes = text.as_bytes();
    if !bytes.contains(&b'\r') {
        return;
    }
    let pairs = bytes.windows(2).filter(|w| *w == b"\r\n").count();
    let returns = bytes.iter().filter(|b| **b == b'\r').count() - pairs;
    let feeds = bytes.iter().filter(|b| **b == b'\n').count() - pairs;
    match (returns > 0, feeds > 0, pairs > 0) {
        (true, false, false) => notices.file("line-ends", "Lines end with CR alone and are read so."),
        (true, _, _) | (_, true, true) => {
            notices.file("line-ends", "Lines end in more than one way (CR, LF, CR LF); each is read as a line end.");
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_of_line_end_counts_once() {
        assert_eq!(line_ends(b"a\r\nb\nc\rd", None), 3);
        assert_eq!(line_ends(b"a\r", Some(b'\n')), 0);
        assert_eq!(line_ends(b"a\r", None), 1);
        assert_eq!(line_at(b"a\nb\nc", 4), 3);
    }
}
