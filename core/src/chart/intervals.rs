//! Rates with their intervals, one line a group, as an SVG drawing.

use super::figures::Figures;
use super::layout::{Layout, Measures};
use super::scale::Scale;
use super::text::{escape, fit, percent, range, tick};
use super::tone::Tone;

/// One line of the chart.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct IntervalLine {
    /// The group, such as a lot.
    pub label: String,
    /// What narrows it down, such as a fuse; may be empty.
    pub sub_label: String,
    /// Its numbers.
    pub figures: Figures,
    /// What they say.
    pub tone: Tone,
}

/// What is drawn.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct IntervalChart {
    /// What the chart shows, for those who do not see it.
    pub title: String,
    /// The lines, from the top.
    pub lines: Vec<IntervalLine>,
    /// The rate that is tolerable; an upright line stands there.
    pub tolerable: f64,
    /// The axis; charts that are to be compared share one.
    pub scale: Scale,
    /// For which width.
    pub layout: Layout,
}

/// Returns the chart as one `<svg>` element.
///
/// A line is the interval, its mark the rate of the settled shots, and the striped bar the distance between the two
/// readings of what is unresolved. It is coloured by the classes of [`super::STYLE`]. Every number of it should stand
/// in a table as well: to a screen reader it is one picture with a title.
#[must_use]
pub fn interval_chart(chart: &IntervalChart) -> String {
    let m = chart.layout.measures(chart.lines.iter().map(|l| (l.label.as_str(), l.sub_label.as_str())));
    let floor = m.top + m.row * chart.lines.len() as f64;
    let height = floor + m.foot;
    let mut svg = format!(
        r#"<svg class="chart {}" role="img" viewBox="0 0 {} {height:.1}" aria-label="{}">"#,
        chart.layout.class(),
        m.width,
        escape(&chart.title)
    );
    for (n, line) in chart.lines.iter().enumerate() {
        svg.push_str(&band(&m, n));
        // The names go over the grid, so the grid is drawn in bands with the lines and not across them.
        svg.push_str(&grid(&m, chart, n));
        svg.push_str(&one(&m, chart.scale, line, n));
    }
    svg.push_str(&axis(&m, chart, floor));
    svg.push_str("</svg>");
    svg
}

/// Returns where a share stands.
fn x(m: &Measures, scale: Scale, share: f64) -> f64 {
    m.axis.0 + (m.axis.1 - m.axis.0) * scale.place(share)
}

/// Returns the pale ground under every other line, to lead the eye from the name to the counts.
fn band(m: &Measures, n: usize) -> String {
    if n % 2 == 1 {
        return String::new();
    }
    let top = m.top + m.row * n as f64;
    format!(r#"<rect class="chart-band" x="0" y="{top:.1}" width="{}" height="{}" rx="3"/>"#, m.width, m.row)
}

fn ticks(m: &Measures, scale: Scale) -> Vec<f64> {
    scale.ticks(44.0 / (m.axis.1 - m.axis.0))
}

/// Returns the ticks and the tolerable rate behind one line.
fn grid(m: &Measures, chart: &IntervalChart, n: usize) -> String {
    let row = m.top + m.row * n as f64;
    // In the narrow layout the names stand above the interval, and the grid keeps clear of them.
    let top = if chart.layout == Layout::Narrow { row + m.text.1 + 5.0 } else { row };
    let upright = |class: &str, share: f64| {
        let x = x(m, chart.scale, share);
        format!(r#"<path class="{class}" d="M{x:.1} {top:.1}V{:.1}"/>"#, row + m.row)
    };
    let mut out: String = ticks(m, chart.scale).into_iter().map(|t| upright("chart-grid", t)).collect();
    out.push_str(&upright("chart-tolerable", chart.tolerable));
    out
}

/// Returns one line: names, interval, counts.
fn one(m: &Measures, scale: Scale, line: &IntervalLine, n: usize) -> String {
    let top = m.top + m.row * n as f64;
    let (first, second) = (top + m.text.0, top + m.text.1);
    let tone = line.tone.class();
    let mut out = format!(
        r#"<g><title>{}</title>{}{}"#,
        escape(&sentence(line)),
        text("chart-label", 8.0, first, m.size.0, &fit(&line.label, m.names.0 / m.size.0)),
        text("chart-sub", 8.0, second, m.size.1, &fit(&line.sub_label, m.names.1 / m.size.1)),
    );
    out.push_str(&drawn(m, scale, line, top + m.middle));
    let right = m.width - 8.0;
    out.push_str(&text("chart-count", right, first, m.size.0, &fit(&counts(&line.figures), m.counts / m.size.0)));
    out.push_str(&text(&format!("chart-word {tone}"), right, second, m.size.1, line.tone.words()));
    out.push_str("</g>");
    out
}

/// Returns the interval, the readings and the mark of one line.
fn drawn(m: &Measures, scale: Scale, line: &IntervalLine, y: f64) -> String {
    let (figures, tone) = (&line.figures, line.tone.class());
    if figures.shots == 0 {
        let (from, to) = m.axis;
        return format!(r#"<path class="chart-nothing" d="M{from:.1} {y:.1}H{to:.1}"/>"#);
    }
    let (low, high) = figures.interval();
    let (from, to) = (x(m, scale, low), x(m, scale, high));
    let mut out = format!(
        r#"<path class="chart-interval {tone}" d="M{from:.1} {y:.1}H{to:.1}M{from:.1} {:.1}v10M{to:.1} {:.1}v10"/>"#,
        y - 5.0,
        y - 5.0
    );
    if let Some((low, high)) = figures.readings() {
        let (from, to) = (x(m, scale, low), x(m, scale, high));
        let below = y + 9.0;
        out.push_str(&format!(r#"<path class="chart-open {tone}" d="M{from:.1} {below:.1}H{to:.1}"/>"#));
    }
    if let Some(point) = figures.point() {
        out.push_str(&line.tone.mark(x(m, scale, point), y));
    }
    out
}

/// Says how many of the settled shots failed, and how many are not settled.
fn counts(figures: &Figures) -> String {
    match (figures.shots, figures.unresolved) {
        (0, _) => "not tried".to_owned(),
        (_, 0) => figures.counts(),
        (_, open) => format!("{}, {open} open", figures.counts()),
    }
}

/// Returns a line in words.
fn sentence(line: &IntervalLine) -> String {
    let f = &line.figures;
    let mut out = format!("{} {}: ", line.label, line.sub_label).replace(" :", ":");
    if f.shots == 0 {
        out.push_str("not tried");
    } else {
        let (low, high) = f.interval();
        let rate = f.point().map_or_else(|| "no rate".to_owned(), percent);
        out.push_str(&format!("{}, {rate}, interval {}", f.counts(), range(low, high)));
    }
    if f.unresolved > 0 {
        out.push_str(&format!(", {} unresolved", f.unresolved));
    }
    if line.tone != Tone::Plain {
        out.push_str(&format!("; {}", line.tone.words()));
    }
    out
}

/// Returns the labels above and below.
fn axis(m: &Measures, chart: &IntervalChart, floor: f64) -> String {
    let mut out = String::new();
    for t in ticks(m, chart.scale) {
        out.push_str(&text("chart-tick", x(m, chart.scale, t), floor + 18.0, m.size.1, &tick(t)));
    }
    let at = x(m, chart.scale, chart.tolerable);
    let label = format!("{} tolerable", percent(chart.tolerable));
    let half = super::text::width(&label) * m.size.1 / 2.0;
    // Near an end the label moves inwards, the tip below it stays.
    let centre = at.min(m.width - half - 4.0).max(half + 4.0);
    out.push_str(&text("chart-limit", centre, m.top - 14.0, m.size.1, &label));
    out.push_str(&format!(r#"<path class="chart-tip" d="M{at:.1} {:.1}l-4.5 -7h9z"/>"#, m.top - 1.0));
    out
}

fn text(class: &str, x: f64, y: f64, size: f64, words: &str) -> String {
    if words.is_empty() {
        return String::new();
    }
    format!(r#"<text class="{class}" x="{x:.1}" y="{y:.1}" font-size="{size}">{}</text>"#, escape(words))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(failures: u64, shots: u64, rate: f64) -> IntervalLine {
        let figures = Figures { failures, shots, rate: Some(rate), low: 0.01, high: 0.25, ..Figures::default() };
        IntervalLine { label: "KB-104".into(), sub_label: "visco".into(), figures, tone: Tone::Restrict }
    }

    fn chart(lines: Vec<IntervalLine>) -> String {
        interval_chart(&IntervalChart { title: "Rates".into(), lines, tolerable: 0.02, ..IntervalChart::default() })
    }

    #[test]
    fn a_line_carries_its_name_its_counts_its_word_and_its_interval() {
        let svg = chart(vec![line(3, 24, 0.125)]);
        for part in [">KB-104<", ">visco<", ">3 of 24<", ">restrict<", "2\u{a0}% tolerable", ">100%<"] {
            assert!(svg.contains(part), "{part} in {svg}");
        }
        // Axis from 106 to 730: 0.01 stands at a tenth, 0.25 in the middle.
        assert!(svg.contains(r#"d="M168.4 56.0H418.0M168.4 51.0v10M418.0 51.0v10""#), "{svg}");
        assert!(!svg.contains("chart-open"));
    }

    #[test]
    fn what_is_unresolved_is_drawn_between_its_two_readings_and_said() {
        let mut open = line(3, 26, 0.125);
        open.figures.unresolved = 2;
        open.figures.if_circuit = Some(0.01);
        open.figures.if_igniter = Some(0.25);
        let svg = chart(vec![open]);
        assert!(svg.contains(r#"class="chart-open tone-restrict" d="M168.4 65.0H418.0""#), "{svg}");
        assert!(svg.contains(">3 of 24, 2 open<"));
    }

    #[test]
    fn what_was_never_tried_is_said_and_has_no_interval() {
        let svg = chart(vec![IntervalLine { label: "KB-9".into(), ..IntervalLine::default() }]);
        assert!(svg.contains(">not tried<") && svg.contains("chart-nothing"));
        assert!(!svg.contains("chart-interval") && !svg.contains("chart-mark"));
        assert!(svg.contains("<title>KB-9: not tried</title>"), "{svg}");
    }

    #[test]
    fn a_chart_of_no_line_is_an_axis() {
        let svg = chart(Vec::new());
        assert!(svg.starts_with("<svg ") && svg.ends_with("</svg>") && svg.contains(">0%<"));
    }
}
