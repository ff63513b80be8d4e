//! A volley as it was wired: who fired, who did not, and why we think so.

use std::fmt::Write as _;

use super::bars::BarStyle;
use super::text::{escape, fit};

/// What is known of one igniter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ShotState {
    /// It fired.
    Fired,
    /// It failed.
    Failed,
    /// Nothing settled is known.
    #[default]
    Open,
}

impl ShotState {
    const fn word(self) -> &'static str {
        match self {
            Self::Fired => "fired",
            Self::Failed => "FAILED",
            Self::Open => "?",
        }
    }

    const fn class(self) -> &'static str {
        match self {
            Self::Fired => "volley-fired",
            Self::Failed => "volley-failed",
            Self::Open => "volley-open",
        }
    }
}

/// One igniter of a drawing.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DrawnShot {
    /// Which it is, such as `KB-104 no. 3`.
    pub label: String,
    /// What became of it.
    pub state: ShotState,
    /// The cause in a word or two; empty for those that fired.
    pub cause: String,
}

/// A volley to be drawn: one row a string; across the same leads if there is more than one.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DrawnVolley {
    /// What it is.
    pub title: String,
    /// The strings.
    pub strings: Vec<Vec<DrawnShot>>,
}

/// Boxes in a row of the terminal.
const IN_ROW: usize = 5;
/// The most letters in a box.
const ROOM: usize = 14;

fn cut(text: &str) -> String {
    let mut short: String = text.chars().take(ROOM).collect();
    if text.chars().nth(ROOM).is_some() {
        short.pop();
        short.push('…');
    }
    short
}

/// Draws a volley as boxes for a terminal, up to five in a line; a string that goes on is joined by an arrow.
#[must_use]
pub fn volley_boxes(volley: &DrawnVolley, style: BarStyle) -> Vec<String> {
    let [top_left, top_right, bottom_left, bottom_right, line, side, into, out] = match style {
        BarStyle::Plain => ['+', '+', '+', '+', '-', '|', '|', '|'],
        BarStyle::Drawn => ['┌', '┐', '└', '┘', '─', '│', '┤', '├'],
    };
    let all = || volley.strings.iter().flatten();
    let texts = |s: &DrawnShot| [cut(&s.label), s.state.word().to_owned(), cut(&s.cause)];
    let width = all().flat_map(texts).map(|t| t.chars().count()).max().unwrap_or(0);
    let mut lines = Vec::new();
    for string in &volley.strings {
        let rows = string.len().div_ceil(IN_ROW);
        for (row, shots) in string.chunks(IN_ROW).enumerate() {
            let (begin, end) = (if row == 0 { line } else { '>' }, if row + 1 == rows { line } else { '>' });
            let mut drawn: [String; 5] =
                std::array::from_fn(|n| if n == 2 { begin.to_string() } else { " ".to_owned() });
            for (at, shot) in shots.iter().enumerate() {
                let rule: String = std::iter::repeat_n(line, width + 2).collect();
                let joined = if at + 1 == shots.len() { end } else { line };
                let [label, state, cause] = texts(shot).map(|t| format!("{t:^width$}"));
                let parts = [
                    format!("{top_left}{rule}{top_right} "),
                    format!("{side} {label} {side} "),
                    format!("{into} {state} {out}{joined}"),
                    format!("{side} {cause} {side} "),
                    format!("{bottom_left}{rule}{bottom_right} "),
                ];
                for (line, part) in drawn.iter_mut().zip(parts) {
                    line.push_str(&part);
                }
            }
            lines.extend(drawn.map(|l| l.trim_end().to_owned()));
        }
    }
    lines
}

/// Draws a volley as SVG: the strings as rows between two rails.
#[must_use]
pub fn volley_svg(volley: &DrawnVolley) -> String {
    const BOX: (f64, f64) = (128.0, 62.0);
    const GAP: (f64, f64) = (18.0, 14.0);
    // What is wider than a page wraps; the rest of a string stands under its beginning.
    let rows: Vec<&[DrawnShot]> = volley.strings.iter().flat_map(|s| s.chunks(6)).collect();
    let most = rows.iter().map(|r| r.len()).max().unwrap_or(0) as f64;
    let width = 2.0 * GAP.0 + most * (BOX.0 + GAP.0);
    let height = GAP.1 + rows.len() as f64 * (BOX.1 + GAP.1);
    let mut out = String::new();
    let title = escape(&volley.title);
    // Writing to a text cannot fail.
    let _ = write!(
        out,
        r#"<svg class="volley" viewBox="0 0 {width:.0} {height:.0}" width="{width:.0}" role="img" aria-label="{title}"><title>{title}</title>"#
    );
    for (n, row) in rows.iter().enumerate() {
        let y = GAP.1 + n as f64 * (BOX.1 + GAP.1);
        let _ = write!(out, r#"<path class="volley-wire" d="M4 {0:.0}H{1:.0}"/>"#, y + BOX.1 / 2.0, width - 4.0);
        for (at, shot) in row.iter().enumerate() {
            let x = 1.5 * GAP.0 + at as f64 * (BOX.0 + GAP.0);
            let middle = x + BOX.0 / 2.0;
            let _ = write!(
                out,
                r#"<rect class="{}" x="{x:.0}" y="{y:.0}" width="{}" height="{}" rx="4"/>"#,
                shot.state.class(),
                BOX.0,
                BOX.1
            );
            for (line, (text, class)) in
                [(&*shot.label, "volley-label"), (shot.state.word(), "volley-state"), (&*shot.cause, "volley-cause")]
                    .into_iter()
                    .enumerate()
            {
                let text = escape(&fit(text, 9.2)).into_owned();
                let at = y + 19.0 + 17.0 * line as f64;
                let _ = write!(out, r#"<text class="{class}" x="{middle:.0}" y="{at:.0}">{text}</text>"#);
            }
        }
    }
    out.push_str("</svg>");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> DrawnVolley {
        let shot =
            |label: &str, state, cause: &str| DrawnShot { label: label.to_owned(), state, cause: cause.to_owned() };
        DrawnVolley {
            title: "a <string>".to_owned(),
            strings: vec![vec![shot("A 1", ShotState::Fired, ""), shot("<A 2>", ShotState::Failed, "unresolved")]],
        }
    }

    #[test]
    fn boxes_stand_in_a_row_and_are_joined() {
        assert_eq!(
            volley_boxes(&sample(), BarStyle::Plain),
            [
                " +------------+ +------------+",
                " |    A 1     | |   <A 2>    |",
                "-|   fired    |-|   FAILED   |-",
                " |            | | unresolved |",
                " +------------+ +------------+",
            ]
        );
    }

    #[test]
    fn what_others_wrote_is_escaped_and_nothing_draws_nothing() {
        let svg = volley_svg(&sample());
        assert!(svg.contains("&lt;A 2&gt;") && svg.contains("a &lt;string&gt;") && !svg.contains("<A"));
        assert_eq!(svg.matches("<rect").count(), 2);
        assert!(volley_boxes(&DrawnVolley::default(), BarStyle::Drawn).is_empty());
        assert!(!volley_svg(&DrawnVolley::default()).contains("NaN"));
    }

    #[test]
    fn a_long_string_goes_on_in_the_next_line() {
        let one = DrawnShot { label: "x".repeat(40), ..DrawnShot::default() };
        let long = DrawnVolley { title: String::new(), strings: vec![vec![one; 12]] };
        let lines = volley_boxes(&long, BarStyle::Drawn);
        assert_eq!(lines.len(), 15);
        assert!(lines.iter().all(|l| l.chars().count() <= 100) && lines[2].ends_with('>') && lines[7].starts_with('>'));
    }
}
