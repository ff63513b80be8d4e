//! Words and numbers as they stand in charts: escaped, fitted, rounded.

use std::borrow::Cow;

use super::figures::share;

/// Stands in for characters that may not be shown.
const REPLACEMENT: char = '\u{fffd}';

/// Returns a text that is safe between tags and in quoted attributes, in HTML and in XML.
///
/// Characters that XML forbids, and those that would turn the direction of the text that follows (a name must not be
/// able to reorder the numbers beside it), become U+FFFD.
#[must_use]
pub fn escape(text: &str) -> Cow<'_, str> {
    if !text.chars().any(|c| plain(c).is_none()) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(plain(c).unwrap_or(REPLACEMENT)),
        }
    }
    Cow::Owned(out)
}

/// Returns the character if it may stand as it is.
fn plain(c: char) -> Option<char> {
    let refused = match c {
        '&' | '<' | '>' | '"' | '\'' => true,
        '\n' | '\t' => false,
        '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => true,
        c => c.is_control() || matches!(u32::from(c) & 0xffff, 0xfffe | 0xffff),
    };
    (!refused).then_some(c)
}

/// Returns a share as a percentage to read, such as `8.3 %`, with a space that does not break.
///
/// One figure after the point below ten percent where it says anything, three below a tenth; `unknown` for what is no
/// number.
#[must_use]
pub fn percent(value: f64) -> String {
    share(value).map_or_else(|| "unknown".to_owned(), |s| format!("{}\u{a0}%", number(s)))
}

/// Returns two shares as a range, such as `1 to 27 %`.
#[must_use]
pub fn range(low: f64, high: f64) -> String {
    match (share(low), share(high)) {
        (Some(low), Some(high)) => format!("{} to {}\u{a0}%", number(low), number(high)),
        _ => "unknown".to_owned(),
    }
}

/// Returns the bare number of a percentage. What is not nothing is never shown as nothing, nor what is not the whole as
/// the whole; in words, since the signs for it are markup.
fn number(share: f64) -> String {
    let p = share * 100.0;
    match p {
        0.0 => "0".to_owned(),
        100.0 => "100".to_owned(),
        p if p >= 99.95 => "over 99.9".to_owned(),
        p if p >= 99.0 => format!("{p:.1}"),
        p if p < 0.001 => "under 0.001".to_owned(),
        p if p < 0.1 => format!("{p:.3}"),
        p if p < 10.0 && (p - p.round()).abs() >= 0.05 => format!("{p:.1}"),
        p => format!("{p:.0}"),
    }
}

/// Returns a tick's label, as short as can be: `0.5%`, `20%`.
pub(super) fn tick(share: f64) -> String {
    format!("{}%", (share * 100_000.0).round() / 1000.0)
}

/// Returns an estimate of a text's width in units of the font's size, on the wide side for most sans-serif fonts.
pub(super) fn width(text: &str) -> f64 {
    let one = |c: char| match c {
        'i' | 'j' | 'l' | 't' | 'f' | 'r' | 'I' | '.' | ',' | ':' | ';' | '\'' | '|' | '!' | ' ' | '\u{a0}' => 0.38,
        'm' | 'w' | 'M' | 'W' | '%' | '@' | '…' => 0.98,
        c if c.is_ascii_uppercase() => 0.72,
        c if u32::from(c) >= 0x1100 => 1.05,
        _ => 0.63,
    };
    text.chars().map(one).sum()
}

/// Returns the text if it fits into a width (in units of the font's size), or its beginning and an ellipsis.
pub(super) fn fit(text: &str, room: f64) -> Cow<'_, str> {
    if width(text) <= room {
        return Cow::Borrowed(text);
    }
    let mut kept = String::new();
    let mut used = width("…");
    for c in text.chars() {
        used += width(c.encode_utf8(&mut [0; 4]));
        if used > room {
            break;
        }
        kept.push(c);
    }
    Cow::Owned(format!("{}…", kept.trim_end()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markup_in_a_name_is_text() {
        assert_eq!(escape(r#"<b a="1">&'"#), "&lt;b a=&quot;1&quot;&gt;&amp;&#39;");
        assert!(matches!(escape("KB-104 – grün\n"), Cow::Borrowed(_)));
    }

    #[test]
    fn characters_that_xml_forbids_or_that_turn_the_text_are_replaced() {
        assert_eq!(escape("a\0b\u{202e}c\u{ffff}d\u{1b}[0m"), "a\u{fffd}b\u{fffd}c\u{fffd}d\u{fffd}[0m");
    }

    #[test]
    fn percentages_keep_what_can_be_told_apart() {
        let shown = [0.0, 0.000_004, 0.000_5, 0.02, 0.083, 0.0996, 0.27, 0.996, 0.999_9, 1.0, f64::NAN].map(percent);
        let plain = shown.map(|s| s.replace('\u{a0}', " "));
        let expected = [
            "0 %",
            "under 0.001 %",
            "0.050 %",
            "2 %",
            "8.3 %",
            "10 %",
            "27 %",
            "99.6 %",
            "over 99.9 %",
            "100 %",
            "unknown",
        ];
        assert_eq!(plain, expected);
        assert_eq!(range(0.01, 0.272).replace('\u{a0}', " "), "1 to 27 %");
    }

    #[test]
    fn ticks_are_short() {
        assert_eq!([0.0, 0.001, 0.005, 0.02, 1.0].map(tick), ["0%", "0.1%", "0.5%", "2%", "100%"]);
    }

    #[test]
    fn a_text_that_does_not_fit_ends_in_an_ellipsis() {
        assert_eq!(fit("visco", 10.0), "visco");
        let cut = fit("a very long name of a fuse", 8.0);
        assert!(cut.ends_with('…') && width(&cut) <= 8.0, "{cut}");
        assert_eq!(fit("abc", 0.0), "…");
    }
}
