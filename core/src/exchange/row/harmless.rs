//! Texts that a spreadsheet would take for a formula, made harmless on export and read back as they were.
//!
//! A text gets one leading apostrophe if, behind any apostrophes of its own, it begins with a character that starts a
//! formula. Counting its own apostrophes in makes the way back unique.

use std::borrow::Cow;

fn would_be_marked(text: &str) -> bool {
    text.trim_start_matches('\'').starts_with(['=', '+', '-', '@', '\t', '\r', '\n'])
}

/// Returns the text as it may stand in a cell.
pub(in super::super) fn harmless(text: &str) -> Cow<'_, str> {
    if would_be_marked(text) { Cow::Owned(format!("'{text}")) } else { Cow::Borrowed(text) }
}

/// Returns the text that a cell stands for.
pub(in super::super) fn unmarked(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(text) if would_be_marked(text) => text,
        _ => cell,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn formulas_are_marked_and_other_apostrophes_left_alone() {
        for (text, cell) in
            [("=1+1", "'=1+1"), ("'=x", "''=x"), ("'tis", "'tis"), ("-", "'-"), ("", ""), ("a=b", "a=b")]
        {
            assert_eq!(harmless(text), cell);
            assert_eq!(unmarked(cell), text);
        }
    }

    proptest! {
        #[test]
        fn a_marked_text_comes_back(text in "['=+@a\t\r\n-]{0,6}") {
            let cell = harmless(&text);
            prop_assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']));
            prop_assert_eq!(unmarked(&cell), text.clone());
        }
    }
}
