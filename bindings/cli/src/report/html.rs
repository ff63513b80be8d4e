//! Small pieces of HTML, everything from outside escaped.

use std::borrow::Cow;

use embertally_core::chart::{Tone, escape};

/// Returns a text that others wrote, escaped, its numbers kept on one line with their units.
pub(super) fn words(text: &str) -> String {
    escape(&text.replace(" %", "\u{a0}%").replace(" °", "\u{a0}°").replace(" m/s", "\u{a0}m/s")).into_owned()
}

/// Returns a name, kept apart from the direction of the text around it.
pub(super) fn name(text: &str) -> String {
    format!("<bdi>{}</bdi>", words(text))
}

/// Returns the name of a fuse, or the word for none.
pub(super) fn fuse(fuse: Option<&str>) -> String {
    fuse.map_or_else(|| "no fuse".to_owned(), name)
}

/// Returns the words of a verdict, or of there being none.
pub(super) fn verdict(tone: Tone) -> &'static str {
    if tone == Tone::Plain { "not judged" } else { tone.words() }
}

/// Returns a verdict as a tag: shape, words, colour.
pub(super) fn tag(tone: Tone) -> String {
    format!(r#"<span class="tag {}">{}{}</span>"#, tone.class(), tone.icon(), verdict(tone))
}

/// Returns a word with a capital letter, for headings.
pub(super) fn capital(word: &str) -> String {
    let mut chars = word.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// Returns a section with its heading.
pub(super) fn section(id: &str, heading: &str, inside: &str) -> String {
    format!(r#"<section id="{id}" aria-labelledby="{id}-h"><h2 id="{id}-h">{heading}</h2>{inside}</section>"#)
}

/// Returns a box that scrolls sideways by itself where its content is too wide; it can be reached by keyboard.
pub(super) fn scroll(label: &str, inside: &str) -> String {
    format!(r#"<div class="scroll" role="region" tabindex="0" aria-label="{}">{inside}</div>"#, escape(label))
}

/// Returns a cell of a table that becomes cards on a phone, where its heading stands beside it.
pub(super) fn cell(head: &str, inside: &str) -> String {
    format!(r#"<td role="cell" data-head="{head}"><span>{inside}</span></td>"#)
}

/// Returns a count with its word.
pub(super) fn counted(n: u64, one: &str, many: &str) -> String {
    format!("{}\u{a0}{}", grouped(n), if n == 1 { one } else { many })
}

/// Returns a number with thin spaces between its thousands.
fn grouped(n: u64) -> Cow<'static, str> {
    let digits = n.to_string();
    if digits.len() <= 4 {
        return digits.into();
    }
    let mut out = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            out.push('\u{202f}');
        }
        out.push(digit);
    }
    out.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_numbers_are_grouped() {
        assert_eq!([7, 1234, 12345, 1_234_567].map(grouped), ["7", "1234", "12\u{202f}345", "1\u{202f}234\u{202f}567"]);
        assert_eq!(counted(1, "shot", "shots"), "1\u{a0}shot");
    }
}
