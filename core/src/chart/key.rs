//! How to read an interval chart.

use super::text::{escape, percent};
use super::tone::Tone;

/// Returns the key to interval charts as an HTML list: each sign with its meaning in words.
#[must_use]
pub fn interval_key(tolerable: f64) -> String {
    let sign =
        |inside: &str| format!(r#"<svg class="chart-sign" viewBox="0 0 40 16" aria-hidden="true">{inside}</svg>"#);
    let signs = [
        (Tone::Plain.mark(20.0, 8.0), "failures of the settled shots".to_owned()),
        (
            r#"<path class="chart-interval tone-plain" d="M2 8H38M2 3v10M38 3v10"/>"#.to_owned(),
            "the interval: the true rate may well lie anywhere in it".to_owned(),
        ),
        (
            r#"<path class="chart-open tone-plain" d="M4 8H36"/>"#.to_owned(),
            "unresolved shots: from all being the circuit’s to all being the igniter’s".to_owned(),
        ),
        (r#"<path class="chart-tolerable" d="M20 0V16"/>"#.to_owned(), format!("tolerable: {}", percent(tolerable))),
    ];
    let items: String =
        signs.iter().map(|(drawing, words)| format!("<li>{}{}</li>", sign(drawing), escape(words))).collect();
    format!(r#"<ul class="chart-key">{items}</ul>"#)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sign_has_its_words() {
        let key = interval_key(0.02);
        assert_eq!(key.matches("<li>").count(), 4);
        assert!(key.contains("tolerable: 2\u{a0}%"));
    }
}
