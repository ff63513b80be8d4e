//! Quotes that do not pair. A reader that lets them pass would take many rows for one cell without a word.

use super::super::error::FormatError;
use super::super::options::Delimiter;

enum State {
    CellStart,
    Bare,
    Quoted,
    /// Behind a quote within a quoted cell: its end, or the first of two that stand for one.
    Closed,
}

/// Checks that every quoted cell is closed and followed by a delimiter or a line end (RFC 4180 §2).
///
/// `first_line` is the line on which `text` begins.
pub(super) fn check(text: &str, delimiter: Delimiter, first_line: u64) -> Result<(), FormatError> {
    if !text.contains('"') {
        return Ok(());
    }
    let delimiter = delimiter.byte();
    let (mut state, mut line, mut column) = (State::CellStart, first_line, 1_u32);
    let mut opened = (line, column);
    let mut bytes = text.bytes().peekable();
    while let Some(byte) = bytes.next() {
        let line_ends = byte == b'\n' || (byte == b'\r' && bytes.peek() != Some(&b'\n'));
        line += u64::from(line_ends);
        state = match state {
            State::Quoted if byte == b'"' => State::Closed,
            State::Quoted => State::Quoted,
            State::Closed if byte == b'"' => State::Quoted,
            State::CellStart if byte == b'"' => {
                opened = (line, column);
                State::Quoted
            }
            _ if byte == delimiter => {
                column += 1;
                State::CellStart
            }
            _ if byte == b'\n' || byte == b'\r' => {
                column = 1;
                State::CellStart
            }
            State::Closed if byte == b' ' => State::Closed,
            State::Closed => {
                let reason = "text follows the closing quote; a quote inside a quoted cell is written twice";
                return Err(FormatError::at(line, Some(column), reason));
            }
            _ => State::Bare,
        };
    }
    match state {
        State::Quoted => {
            Err(FormatError::at(opened.0, Some(opened.1), "a quote opens here and is closed nowhere in the file"))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_open_quote_is_named_where_it_opens() {
        let text = "a,b\r\n1,\"two\r\nlines\"\r\n3,\"open\n4,5\n";
        let e = check(text, Delimiter::Comma, 1).unwrap_err();
        assert_eq!((e.line, e.column_number), (4, Some(2)));
    }

    #[test]
    fn text_behind_a_closing_quote_is_refused_and_a_quote_within_bare_text_is_not() {
        let e = check("a;\"b\"c\n", Delimiter::Semicolon, 7).unwrap_err();
        assert_eq!((e.line, e.column_number), (7, Some(2)));
        for fine in ["a,5\" nail,b\n", "\"a \"\"b\"\" c\",d\n", "\"a\" ,b", "\"a\""] {
            assert_eq!(check(fine, Delimiter::Comma, 1), Ok(()), "{fine}");
        }
    }
}
