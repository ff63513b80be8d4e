//! The charts: intervals and heat tables, a measure each, all on one axis.

use embertally_core::chart::{
    CurveChart, ForestChart, HeatTable, IntervalChart, Layout, Scale, ShrinkageChart, curve_chart, forest_chart,
    heat_key, heat_table, interval_chart, interval_key, percent, shrinkage_chart, volley_svg,
};

use super::data::{CurveText, MeasureCharts, ModelChart, ReportData, TogetherChart};
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

/// Returns the pairings seen together, and what failures go with.
pub(super) fn together(data: &ReportData) -> String {
    let own = data.together.iter().flat_map(|t| &t.lines).map(|l| &l.drawn);
    let scale = Scale::holding(own, data.tolerable);
    let shrunk: String = data.together.iter().map(|t| shrinkage(t, scale)).collect();
    let models: String = data.models.iter().map(model).collect();
    if shrunk.is_empty() && models.is_empty() {
        return "<p>There is nothing to draw yet.</p>".to_owned();
    }
    format!(
        "<p>A pairing that was tried a few times is known better when it is seen with all others: the hollow mark is its \
         own rate, the full one the rate with all, the line its interval. A square is worse than the rest. None of this \
         is part of a verdict: no pairing is cleared by its neighbours.</p>{shrunk}<p>What failures go with, each set \
         against the most frequent of its kind; it need not be why.</p>{models}"
    )
}

fn shrinkage(chart: &TogetherChart, scale: Scale) -> String {
    let title = format!("Pairings seen together, {}", chart.measure);
    let (lines, mean) = (chart.lines.clone(), chart.mean);
    let mut drawn = ShrinkageChart { title, lines, mean, scale, layout: Layout::Wide };
    let wide = shrinkage_chart(&drawn);
    drawn.layout = Layout::Narrow;
    figure(
        &format!("{}, all pairings together", capital(&chart.measure)),
        &chart.words,
        &(wide + &shrinkage_chart(&drawn)),
    )
}

fn model(chart: &ModelChart) -> String {
    let heading = format!("{}, odds ratios", capital(&chart.measure));
    if chart.lines.is_empty() {
        return figure(&heading, &chart.words, "");
    }
    let title = format!("What failures go with, {}", chart.measure);
    let mut drawn = ForestChart { title, lines: chart.lines.clone(), layout: Layout::Wide };
    let wide = forest_chart(&drawn);
    drawn.layout = Layout::Narrow;
    figure(&heading, &chart.words, &(wide + &forest_chart(&drawn)))
}

fn figure(heading: &str, said: &str, drawing: &str) -> String {
    format!("<figure><figcaption><h3>{}</h3><p>{}</p></figcaption>{drawing}</figure>", words(heading), words(said))
}
