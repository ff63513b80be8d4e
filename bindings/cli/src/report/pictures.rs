//! The charts: intervals and heat tables, a measure each, all on one axis.

use embertally_core::chart::{
    HeatTable, IntervalChart, Layout, Scale, heat_key, heat_table, interval_chart, interval_key, percent, volley_svg,
};

use super::data::{MeasureCharts, ReportData};
use super::html::{capital, scroll, words};

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

/// Returns the drawings of the volleys that fired in part or not at all.
pub(super) fn volleys(data: &ReportData) -> String {
    if data.volleys.is_empty() {
        return "<p>No volley of several igniters has a failed shot.</p>".to_owned();
    }
    let drawn = |v: &embertally_core::chart::DrawnVolley| {
        let inside = scroll(&v.title, &volley_svg(v));
        format!("<figure><figcaption><h3>{}</h3></figcaption>{inside}</figure>", words(&v.title))
    };
    let more = match data.volleys_left_out {
        0 => String::new(),
        n => format!("<p>{} more are in the log.</p>", n),
    };
    let all: String = data.volleys.iter().map(drawn).collect();
    format!(
        "<p>A row is a string; rows stand across the same leads. Under each igniter stands what its failure is booked to: \
         unresolved until a retry, a statement or a ruling settles it.</p>{all}{more}{}",
        super::page::cautions(data)
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
