//! A share that falls as something grows, as an SVG drawing: how many are slower than a delay, how many lots of a
//! failure rate are accepted.

use super::layout::Layout;
use super::text::{escape, fit};

/// What is drawn.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CurveChart {
    /// What the chart shows, for those who do not see it.
    pub title: String,
    /// What stands along the axis, such as `delay, ms`.
    pub axis_word: String,
    /// Places along the axis and shares from 0 to 1, in order of the places: a line.
    pub curve: Vec<(f64, f64)>,
    /// From, to and the share left after it: between the two the share is not known, so a box is drawn.
    pub steps: Vec<(f64, f64, f64)>,
    /// A place that matters, such as a limit, and its word.
    pub mark: Option<(f64, String)>,
    /// Whether places are shares of one, to be read as percentages.
    pub in_percent: bool,
    /// For which width.
    pub layout: Layout,
}

/// Where things stand: width, height, left, right, top, floor.
const WIDE: [f64; 6] = [900.0, 260.0, 56.0, 870.0, 26.0, 210.0];
const NARROW: [f64; 6] = [328.0, 220.0, 44.0, 314.0, 26.0, 172.0];

/// Ends that an axis may have, times a power of ten.
const ROUND: [f64; 4] = [1.0, 2.0, 5.0, 10.0];

/// Returns the chart as one `<svg>` element, in the classes of [`super::STYLE`].
///
/// Every number of it should stand in a table as well: to a screen reader it is one picture with a title. What is no
/// number is left out.
#[must_use]
pub fn curve_chart(chart: &CurveChart) -> String {
    let [width, height, left, right, top, floor] = if chart.layout == Layout::Narrow { NARROW } else { WIDE };
    let end = end_of_axis(chart);
    let x = |place: f64| left + (right - left) * (place / end).clamp(0.0, 1.0);
    let y = |share: f64| floor - (floor - top) * share.clamp(0.0, 1.0);
    let mut svg = format!(
        r#"<svg class="chart {}" role="img" viewBox="0 0 {width} {height}" aria-label="{}">"#,
        chart.layout.class(),
        escape(&chart.title)
    );
    for share in [0.0, 0.25, 0.5, 0.75, 1.0] {
        let at = y(share);
        svg.push_str(&format!(
            r#"<path class="chart-grid" d="M{left} {at:.1}H{right}"/><text class="chart-tick" x="{:.1}" y="{:.1}" font-size="12.5">{}%</text>"#,
            left - 22.0,
            at + 4.0,
            share * 100.0
        ));
    }
    for k in 0..=4 {
        let place = end * f64::from(k) / 4.0;
        let word = if chart.in_percent { format!("{}%", short(place * 100.0)) } else { short(place) };
        svg.push_str(&format!(
            r#"<text class="chart-tick" x="{:.1}" y="{:.1}" font-size="12.5">{word}</text>"#,
            x(place),
            floor + 18.0
        ));
    }
    svg.push_str(&format!(
        r#"<text class="chart-tick" x="{:.1}" y="{:.1}" font-size="12.5">{}</text>"#,
        (left + right) / 2.0,
        floor + 38.0,
        escape(&fit(&chart.axis_word, (right - left) / 12.5))
    ));
    svg.push_str(&steps(chart, x, y, left));
    let mut points = chart.curve.iter().filter(|(a, b)| a.is_finite() && b.is_finite());
    if let Some((place, share)) = points.next() {
        svg.push_str(&format!(r#"<path class="chart-curve" d="M{:.1} {:.1}"#, x(*place), y(*share)));
        points.for_each(|(place, share)| svg.push_str(&format!("L{:.1} {:.1}", x(*place), y(*share))));
        svg.push_str(r#""/>"#);
    }
    if let Some((place, word)) = chart.mark.as_ref().filter(|(place, _)| place.is_finite()) {
        let at = x(*place);
        let half = super::text::width(word) * 12.5 / 2.0;
        let centre = at.min(width - half - 4.0).max(half + 4.0);
        svg.push_str(&format!(
            r#"<path class="chart-tolerable" d="M{at:.1} {top}V{floor}"/><text class="chart-limit" x="{centre:.1}" y="{:.1}" font-size="12.5">{}</text>"#,
            top - 10.0,
            escape(&fit(word, width / 12.5))
        ));
    }
    svg.push_str("</svg>");
    svg
}

/// The staircase: level up to where a step may begin, a pale box over where it is, then level at what is left.
fn steps(chart: &CurveChart, x: impl Fn(f64) -> f64, y: impl Fn(f64) -> f64, left: f64) -> String {
    let mut out = String::new();
    let (mut share, mut at) = (1.0, left);
    for (from, to, after) in chart.steps.iter().filter(|s| [s.0, s.1, s.2].iter().all(|v| v.is_finite())) {
        let (from, to) = (x(*from), x(*to));
        let (high, low) = (y(share), y(*after));
        if from > at {
            out.push_str(&format!(r#"<path class="chart-step" d="M{at:.1} {high:.1}H{from:.1}"/>"#));
        }
        out.push_str(&format!(
            r#"<rect class="chart-unsure" x="{from:.1}" y="{high:.1}" width="{:.1}" height="{:.1}"/>"#,
            (to - from).max(1.0),
            (low - high).max(0.0)
        ));
        (share, at) = (*after, to.max(at));
    }
    out
}

/// The round number at or above all places.
fn end_of_axis(chart: &CurveChart) -> f64 {
    let places = chart.curve.iter().map(|p| p.0).chain(chart.steps.iter().map(|s| s.1));
    let places = places.chain(chart.mark.iter().map(|m| m.0));
    let largest = places.filter(|p| p.is_finite() && *p < 1e12).fold(0.0, f64::max);
    let largest = if chart.in_percent { largest.min(1.0) } else { largest };
    if largest < 1e-9 {
        return 1.0;
    }
    let power = 10.0_f64.powf(largest.log10().floor());
    ROUND.into_iter().map(|r| r * power).find(|end| *end >= largest * (1.0 - 1e-9)).unwrap_or(10.0 * power)
}

/// A number without needless figures.
fn short(value: f64) -> String {
    ((value * 1e6).round() / 1e6).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn curve_and_steps_stand_where_their_numbers_say() {
        let chart = CurveChart {
            title: "A < B".into(),
            axis_word: "delay, ms".into(),
            curve: vec![(0.0, 1.0), (100.0, 0.5), (200.0, 0.0)],
            steps: vec![(50.0, 100.0, 0.5), (150.0, 200.0, 0.0)],
            mark: Some((150.0, "limit".into())),
            ..CurveChart::default()
        };
        let svg = curve_chart(&chart);
        // The axis goes from 56 to 870 and ends at 200; shares from 210 up to 26.
        assert!(svg.contains(r#"d="M56.0 26.0L463.0 118.0L870.0 210.0""#), "{svg}");
        assert!(
            svg.contains(r#"<rect class="chart-unsure" x="259.5" y="26.0" width="203.5" height="92.0"/>"#),
            "{svg}"
        );
        assert!(svg.contains(r#"d="M666.5 26V210""#) && svg.contains("A &lt; B") && svg.contains(">200<"), "{svg}");
    }

    #[test]
    fn odd_numbers_are_left_out_and_nothing_stands_outside() {
        let odd = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -5.0, 1e300];
        for layout in [Layout::Wide, Layout::Narrow] {
            for in_percent in [false, true] {
                let chart = CurveChart {
                    curve: odd.iter().map(|v| (*v, *v)).collect(),
                    steps: odd.iter().map(|v| (*v, *v, *v)).collect(),
                    mark: Some((f64::NAN, "<b>".into())),
                    in_percent,
                    layout,
                    ..CurveChart::default()
                };
                let svg = curve_chart(&chart);
                assert!(!svg.contains("NaN") && !svg.contains("inf") && svg.ends_with("</svg>"), "{svg}");
            }
        }
        assert!(curve_chart(&CurveChart::default()).contains(">0%<"));
    }
}
