//! Rates by themselves and as all together show them: an arrow from one to the other, and the interval of the second.

use super::figures::Figures;
use super::forest::text;
use super::layout::Layout;
use super::scale::Scale;
use super::text::{escape, fit, percent, range, tick};
use super::tone::Tone;

/// One rate.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ShrinkageLine {
    /// The group, such as a lot.
    pub label: String,
    /// What narrows it down, such as a fuse; may be empty.
    pub sub_label: String,
    /// Its own rate; none where it was not tried.
    pub own: Option<f64>,
    /// The rate with all, with its interval.
    pub drawn: Figures,
    /// Whether it is worse than the rest.
    pub worse: bool,
}

/// What is drawn.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ShrinkageChart {
    /// What the chart shows, for those who do not see it.
    pub title: String,
    /// The lines, from the top.
    pub lines: Vec<ShrinkageLine>,
    /// The mean of all; an upright line stands there.
    pub mean: f64,
    /// The axis; charts that are to be compared share one.
    pub scale: Scale,
    /// For which width.
    pub layout: Layout,
}

/// Returns the chart as one `<svg>` element.
///
/// The hollow mark is the group's own rate, the full one the rate with all, the line its interval. What is worse than the
/// rest is marked by a square and said. Every number of it should stand in a table as well.
#[must_use]
pub fn shrinkage_chart(chart: &ShrinkageChart) -> String {
    let m = chart.layout.measures(chart.lines.iter().map(|l| (l.label.as_str(), l.sub_label.as_str())));
    let x = |share: f64| m.axis.0 + (m.axis.1 - m.axis.0) * chart.scale.place(share);
    let floor = m.top + m.row * chart.lines.len() as f64;
    let mut svg = format!(
        r#"<svg class="chart {}" role="img" viewBox="0 0 {} {:.1}" aria-label="{}">"#,
        chart.layout.class(),
        m.width,
        floor + m.foot,
        escape(&chart.title)
    );
    let ticks = chart.scale.ticks(44.0 / (m.axis.1 - m.axis.0));
    for (n, line) in chart.lines.iter().enumerate() {
        let top = m.top + m.row * n as f64;
        if n % 2 == 0 {
            svg.push_str(&format!(
                r#"<rect class="chart-band" x="0" y="{top:.1}" width="{}" height="{}" rx="3"/>"#,
                m.width, m.row
            ));
        }
        let from = if chart.layout == Layout::Narrow { top + m.text.1 + 5.0 } else { top };
        let upright =
            |class: &str, at: f64| format!(r#"<path class="{class}" d="M{at:.1} {from:.1}V{:.1}"/>"#, top + m.row);
        svg.extend(ticks.iter().map(|t| upright("chart-grid", x(*t))));
        svg.push_str(&upright("chart-tolerable", x(chart.mean)));
        svg.push_str(&one(line, &m, top, &x));
    }
    for t in &ticks {
        svg.push_str(&text("chart-tick", x(*t), floor + 18.0, m.size.1, &tick(*t)));
    }
    let label = format!("{} all together", percent(chart.mean));
    let half = super::text::width(&label) * m.size.1 / 2.0;
    let centre = x(chart.mean).min(m.width - half - 4.0).max(half + 4.0);
    svg.push_str(&text("chart-limit", centre, m.top - 14.0, m.size.1, &label));
    svg.push_str("</svg>");
    svg
}

fn one(line: &ShrinkageLine, m: &super::layout::Measures, top: f64, x: &impl Fn(f64) -> f64) -> String {
    let (first, second, y) = (top + m.text.0, top + m.text.1, top + m.middle);
    let (low, high) = line.drawn.interval();
    let tone = if line.worse { Tone::SetAside } else { Tone::Plain };
    let drawn = line.drawn.point().map_or_else(|| "unknown".to_owned(), percent);
    let own = line.own.map_or_else(|| "not tried".to_owned(), percent);
    let said = if line.worse { "worse than the rest" } else { "" };
    let words = format!("{own} → {drawn}");
    let mut out = format!(
        r#"<g><title>{}</title>{}{}"#,
        escape(&format!(
            "{} {}: by itself {own}, with all {drawn}, {} {said}",
            line.label,
            line.sub_label,
            range(low, high)
        )),
        text("chart-label", 8.0, first, m.size.0, &fit(&line.label, m.names.0 / m.size.0)),
        text("chart-sub", 8.0, second, m.size.1, &fit(&line.sub_label, m.names.1 / m.size.1)),
    );
    let (from, to) = (x(low), x(high));
    out.push_str(&format!(
        r#"<path class="chart-interval {}" d="M{from:.1} {y:.1}H{to:.1}M{from:.1} {:.1}v10M{to:.1} {:.1}v10"/>"#,
        tone.class(),
        y - 5.0,
        y - 5.0
    ));
    if let (Some(own), Some(to)) = (line.own.and_then(super::figures::share), line.drawn.point()) {
        let below = y + 9.0;
        out.push_str(&format!(
            r#"<path class="chart-open {}" d="M{:.1} {below:.1}H{:.1}"/>"#,
            tone.class(),
            x(own).min(x(to)),
            x(own).max(x(to))
        ));
        out.push_str(&Tone::TestMore.mark(x(own), below));
    }
    if let Some(point) = line.drawn.point() {
        out.push_str(&tone.mark(x(point), y));
    }
    let right = m.width - 8.0;
    out.push_str(&text("chart-count", right, first, m.size.1, &fit(&words, m.counts / m.size.1)));
    out.push_str(&text(&format!("chart-word {}", tone.class()), right, second, m.size.1, said));
    out.push_str("</g>");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(own: Option<f64>, rate: f64, worse: bool) -> ShrinkageLine {
        let drawn = Figures { shots: 9, rate: Some(rate), low: 0.01, high: 0.25, ..Figures::default() };
        ShrinkageLine { label: "BK-07".into(), sub_label: "visco".into(), own, drawn, worse }
    }

    fn chart(lines: Vec<ShrinkageLine>) -> String {
        shrinkage_chart(&ShrinkageChart { title: "Rates".into(), lines, mean: 0.04, ..ShrinkageChart::default() })
    }

    #[test]
    fn a_line_leads_from_its_own_rate_to_the_rate_with_all() {
        let svg = chart(vec![line(Some(0.25), 0.09, true), line(None, 0.04, false)]);
        // Axis from 106 to 730: 0.01 stands at a tenth, 0.09 at three, 0.25 in the middle.
        assert!(svg.contains(r#"d="M168.4 56.0H418.0M168.4 51.0v10M418.0 51.0v10""#), "{svg}");
        assert!(svg.contains(r#"class="chart-open tone-set-aside" d="M293.2 65.0H418.0""#), "{svg}");
        assert!(svg.contains(">worse than the rest<") && svg.contains("not tried → 4\u{a0}%"), "{svg}");
        assert_eq!(svg.matches("chart-open").count(), 1);
    }
}
