//! Odds ratios with their intervals, one line a term, on an axis of logarithms.

use super::layout::Layout;
use super::text::{escape, fit};
use super::tone::Tone;

/// One odds ratio.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ForestLine {
    /// What is set against the reference, such as a lot.
    pub label: String,
    /// The term, and how much more of it, where it is a number.
    pub sub_label: String,
    /// The odds ratio.
    pub value: f64,
    /// The lower end of its interval; none where there is no bound.
    pub low: Option<f64>,
    /// The upper end.
    pub high: Option<f64>,
    /// The numbers in words, to stand at the right.
    pub words: String,
}

/// What is drawn.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ForestChart {
    /// What the chart shows, for those who do not see it.
    pub title: String,
    /// The lines, from the top.
    pub lines: Vec<ForestLine>,
    /// For which width.
    pub layout: Layout,
}

/// The decades that the axis may reach, either way from 1.
const MOST_DECADES: f64 = 4.0;

/// Returns the logarithm to base ten of what is a positive number.
fn decades(value: f64) -> Option<f64> {
    (value.is_finite() && value > 0.0).then(|| value.log10().clamp(-MOST_DECADES, MOST_DECADES))
}

/// Returns the chart as one `<svg>` element.
///
/// The upright line stands at 1: no difference from the reference. Lines without a bound run to the axis' end. The axis
/// holds four decades either way at the most; what lies outside is drawn at the end. Every number of it should stand in
/// a table as well.
#[must_use]
pub fn forest_chart(chart: &ForestChart) -> String {
    let m = chart.layout.measures(chart.lines.iter().map(|l| (l.label.as_str(), l.sub_label.as_str())));
    let all = chart.lines.iter().flat_map(|l| [Some(l.value), l.low, l.high]).flatten().filter_map(decades);
    let reach = all.fold(1.0_f64, |most, d| most.max(d.abs())).ceil();
    let x = |at: f64| m.axis.0 + (m.axis.1 - m.axis.0) * (at + reach) / (2.0 * reach);
    let floor = m.top + m.row * chart.lines.len() as f64;
    let mut svg = format!(
        r#"<svg class="chart {}" role="img" viewBox="0 0 {} {:.1}" aria-label="{}">"#,
        chart.layout.class(),
        m.width,
        floor + m.foot,
        escape(&chart.title)
    );
    let whole = reach as i32;
    for (n, line) in chart.lines.iter().enumerate() {
        let top = m.top + m.row * n as f64;
        if n % 2 == 0 {
            svg.push_str(&format!(
                r#"<rect class="chart-band" x="0" y="{top:.1}" width="{}" height="{}" rx="3"/>"#,
                m.width, m.row
            ));
        }
        // In the narrow layout the names stand above the interval, and the grid keeps clear of them.
        let from = if chart.layout == Layout::Narrow { top + m.text.1 + 5.0 } else { top };
        for tick in -whole..=whole {
            let class = if tick == 0 { "chart-tolerable" } else { "chart-grid" };
            svg.push_str(&format!(
                r#"<path class="{class}" d="M{:.1} {from:.1}V{:.1}"/>"#,
                x(f64::from(tick)),
                top + m.row
            ));
        }
        svg.push_str(&one(line, &m, top, &x, reach));
    }
    for tick in -whole..=whole {
        let label = if tick < 0 {
            format!("1/{}", 10_u32.pow(tick.unsigned_abs()))
        } else {
            10_u32.pow(tick as u32).to_string()
        };
        // The outermost labels keep inside the drawing.
        let half = super::text::width(&label) * m.size.1 / 2.0;
        let at = x(f64::from(tick)).clamp(half + 0.1, m.width - half - 0.1);
        svg.push_str(&text("chart-tick", at, floor + 18.0, m.size.1, &label));
    }
    svg.push_str(&text("chart-limit", x(0.0), m.top - 14.0, m.size.1, "no difference"));
    svg.push_str("</svg>");
    svg
}

fn one(line: &ForestLine, m: &super::layout::Measures, top: f64, x: &impl Fn(f64) -> f64, reach: f64) -> String {
    let (first, second, y) = (top + m.text.0, top + m.text.1, top + m.middle);
    let end = |end: Option<f64>, none: f64| x(end.and_then(decades).unwrap_or(none));
    let (a, b) = (end(line.low, -reach), end(line.high, reach));
    let (from, to) = (a.min(b), a.max(b));
    let tip = |at: f64, is_bound: bool| if is_bound { format!("M{at:.1} {:.1}v10", y - 5.0) } else { String::new() };
    let mut out = format!(
        r#"<g><title>{}</title>{}{}"#,
        escape(&format!("{} {}: {}", line.label, line.sub_label, line.words)),
        text("chart-label", 8.0, first, m.size.0, &fit(&line.label, m.names.0 / m.size.0)),
        text("chart-sub", 8.0, second, m.size.1, &fit(&line.sub_label, m.names.1 / m.size.1)),
    );
    out.push_str(&format!(
        r#"<path class="chart-interval tone-plain" d="M{from:.1} {y:.1}H{to:.1}{}{}"/>"#,
        tip(from, line.low.is_some()),
        tip(to, line.high.is_some())
    ));
    if let Some(at) = decades(line.value) {
        out.push_str(&Tone::Plain.mark(x(at), y));
    }
    out.push_str(&text("chart-count", m.width - 8.0, first, m.size.1, &fit(&line.words, m.counts / m.size.1)));
    out.push_str("</g>");
    out
}

pub(super) fn text(class: &str, x: f64, y: f64, size: f64, words: &str) -> String {
    if words.is_empty() {
        return String::new();
    }
    format!(r#"<text class="{class}" x="{x:.1}" y="{y:.1}" font-size="{size}">{}</text>"#, escape(words))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(value: f64, low: Option<f64>, high: Option<f64>) -> ForestLine {
        ForestLine { label: "BK-07".into(), sub_label: "lot".into(), value, low, high, words: "10.00".into() }
    }

    fn chart(lines: Vec<ForestLine>) -> String {
        forest_chart(&ForestChart { title: "Odds".into(), lines, layout: Layout::Wide })
    }

    #[test]
    fn one_stands_in_the_middle_and_ten_at_the_end_of_one_decade() {
        let svg = chart(vec![line(10.0, Some(1.0), Some(10.0))]);
        // Axis from 106 to 730: 1 stands at 418.
        assert!(svg.contains(r#"d="M418.0 56.0H730.0M418.0 51.0v10M730.0 51.0v10""#), "{svg}");
        assert!(svg.contains(">1/10<") && svg.contains(">no difference<") && svg.contains(">BK-07<"));
    }

    #[test]
    fn what_has_no_bound_runs_to_the_end_without_a_tip_and_odd_numbers_stay_inside() {
        let svg = chart(vec![line(f64::INFINITY, None, None), line(f64::NAN, Some(-1.0), Some(1e300))]);
        assert!(svg.contains(r#"d="M106.0 56.0H730.0"/>"#), "{svg}");
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }
}
