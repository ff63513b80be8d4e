//! The charts: intervals and heat tables, a measure each, all on one axis.

use embertally_core::chart::{
    CurveChart, HeatTable, IntervalChart, Layout, Scale, curve_chart, heat_key, heat_table, interval_chart,
    interval_key, percent,
};

use super::data::{CurveText, MeasureCharts, ReportData};
use super::html::{capital, scroll, words};

/// Returns the curves of delays and of sampling plans.
pub(super) fn curves(data: &ReportData) -> String {
    if data.curves.is_empty() {
        return "<p>No delay was measured, and no lot’s count is known.</p>".to_owned();
    }
    let one = |curve: &CurveText| {
        let wide = curve_chart(&CurveChart { layout: Layout::Wide, ..curve.chart.clone() });
        let narrow = curve_chart(&CurveChart { layout: Layout::Narrow, ..curve.chart.clone() });
        let said: String = curve.sentences.iter().map(|s| format!("<p>{}</p>", words(s))).collect();
        let heading = words(&curve.heading);
        format!("<figure><figcaption><h3>{heading}</h3>{said}</figcaption>{wide}{narrow}</figure>")
    };
    let all: String = data.curves.iter().map(one).collect();
    format!(
        "<p>Delays: the share of shots still to come after a time. The steps are Turnbull’s estimate, which supposes no \
         law; in a grey box it is not known where the step lies, since delays are known only to an interval. The line \
         is the log-normal law fitted. Plans: the probability that a lot of a failure rate is accepted.</p>{all}"
    )
}

/// Returns the charts of all measures.
pub(super) fn charts(data: &ReportData) -> String {
    let all = data.charts.iter().flat_map(|c| &c.lines).map(|l| &l.figures);
    let scale = Scale::holding(all, data.tolerable);
    let charts: String = data.charts.iter().map(|c| measure(c, scale, data.tolerable)).collect();
    if charts.is_empty() {
        return "<p>There is nothing to draw yet.</p>".to_owned();
    }
    format!(
        "<p>Ignition and transfer are two different failures and are never added up. The charts share one axis, drawn \
         by square roots so that small rates can be told apart. The word at the right is the verdict on that \
         measure alone, the pairing’s own may be worse. The same numbers stand in the tables below.</p>{}{charts}",
        interval_key(data.tolerable)
    )
}

fn measure(charts: &MeasureCharts, scale: Scale, tolerable: f64) -> String {
    let title = format!("Failure rates, {}: {}", charts.measure, charts.counts);
    let mut chart = IntervalChart { title, lines: charts.lines.clone(), tolerable, scale, layout: Layout::Wide };
    let wide = interval_chart(&chart);
    chart.layout = Layout::Narrow;
    let narrow = interval_chart(&chart);
    let caption = format!(
        "Lot by fuse, {}: tinted by the rate against what is tolerable ({}), hatched where little is known",
        charts.measure,
        percent(tolerable)
    );
    let heat = HeatTable { caption, tolerable, row_word: capital(&charts.heat.row_word), ..charts.heat.clone() };
    let heat = match heat.rows.is_empty() {
        true => String::new(),
        false => scroll(&format!("Lot by fuse, {}", charts.measure), &heat_table(&heat)) + &heat_key(tolerable),
    };
    format!(
        r#"<figure><figcaption><h3>{}</h3><p>{}</p></figcaption>{wide}{narrow}</figure>{heat}"#,
        words(&capital(&charts.measure)),
        words(&charts.counts),
    )
}
