//! What the page is made from.

use embertally_core::chart::{
    CurveChart, DrawnVolley, Figures, ForestLine, HeatTable, IntervalLine, ShrinkageLine, Tone,
};

/// All that the page shows. Texts are plain, the page escapes them.
#[derive(Debug, Clone, Default)]
pub(crate) struct ReportData {
    /// The page's heading, such as the crew's name.
    pub(crate) title: String,
    /// When it was made, as it is to be read.
    pub(crate) made_at: String,
    /// Whether the data is invented; the page then says so at its top and at its foot.
    pub(crate) invented: bool,
    /// What the log holds.
    pub(crate) summary: Summary,
    /// The failure rate that is tolerable.
    pub(crate) tolerable: f64,
    /// The pairings, worst first.
    pub(crate) pairings: Vec<PairingText>,
    /// Shots in entries that do not count, which may be live all the same.
    pub(crate) kept_apart: u64,
    /// What is still live on the field.
    pub(crate) live: Vec<LiveRow>,
    /// The cautions, a sentence or a few each.
    pub(crate) cautions: Vec<String>,
    /// Charts, a measure each; ignition and transfer are never added up.
    pub(crate) charts: Vec<MeasureCharts>,
    /// Curves, each with its words: delays of a lot, what a sampling plan lets through.
    pub(crate) curves: Vec<CurveText>,
    /// Pairings seen together, a measure each.
    pub(crate) together: Vec<TogetherChart>,
    /// What failures go with, a measure each.
    pub(crate) models: Vec<ModelChart>,
    /// Tables of rates, such as by lot, fuse and weather.
    pub(crate) rates: Vec<RatesTable>,
    /// Volleys of several igniters of which some failed.
    pub(crate) volleys: Vec<DrawnVolley>,
    /// How many more there are.
    pub(crate) volleys_left_out: u64,
    /// What the crew has to settle.
    pub(crate) disputes: Vec<DisputeText>,
    /// How the numbers came about.
    pub(crate) method: Method,
}

/// How much the log holds.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Summary {
    /// Outings.
    pub(crate) outings: u64,
    /// Volleys.
    pub(crate) volleys: u64,
    /// Shots.
    pub(crate) shots: u64,
    /// Devices that wrote.
    pub(crate) devices: u64,
    /// People who saw.
    pub(crate) observers: u64,
}

/// One pairing of lot and fuse, judged.
#[derive(Debug, Clone, Default)]
pub(crate) struct PairingText {
    /// The lot's batch mark.
    pub(crate) lot: String,
    /// The fuse; none where the igniters were fired alone.
    pub(crate) fuse: Option<String>,
    /// The verdict.
    pub(crate) verdict: Tone,
    /// The sentence behind it.
    pub(crate) sentence: String,
    /// The lot's use-by, if it is past.
    pub(crate) past_use_by: Option<String>,
    /// How many more shots, none failing, would clear it.
    pub(crate) clean_shots_needed: Option<u64>,
    /// Each measure by itself.
    pub(crate) measures: Vec<MeasureNumbers>,
}

/// One measure of a pairing.
#[derive(Debug, Clone, Default)]
pub(crate) struct MeasureNumbers {
    /// Its word, such as `ignition`.
    pub(crate) measure: String,
    /// Its numbers.
    pub(crate) figures: Figures,
    /// The verdict on it alone.
    pub(crate) verdict: Tone,
    /// The probability that the true rate is above what is tolerable.
    pub(crate) probability_above: f64,
}

/// One shot that is still live.
#[derive(Debug, Clone, Default)]
pub(crate) struct LiveRow {
    /// The shot, such as `KB-104 no. 7`.
    pub(crate) shot: String,
    /// The fuse, if there is one.
    pub(crate) fuse: Option<String>,
    /// Where it lies, such as `north box, channel 3, position 4`.
    pub(crate) place: String,
    /// The outing and the time.
    pub(crate) when: String,
    /// Why it counts as live.
    pub(crate) why: String,
}

/// The charts of one measure.
#[derive(Debug, Clone, Default)]
pub(crate) struct MeasureCharts {
    /// Its word, such as `ignition`.
    pub(crate) measure: String,
    /// What it counts, such as `igniters that failed by themselves`.
    pub(crate) counts: String,
    /// The lines of the interval chart.
    pub(crate) lines: Vec<IntervalLine>,
    /// The lot by fuse table; its caption and its tolerable rate are set by the page.
    pub(crate) heat: HeatTable,
}

/// A curve with its heading and its words.
#[derive(Debug, Clone, Default)]
pub(crate) struct CurveText {
    /// Its heading.
    pub(crate) heading: String,
    /// What it shows in numbers, a sentence each.
    pub(crate) sentences: Vec<String>,
    /// The drawing; its layout is set by the page.
    pub(crate) chart: CurveChart,
}

/// Pairings seen together by one measure.
#[derive(Debug, Clone, Default)]
pub(crate) struct TogetherChart {
    /// Its word, such as `ignition`.
    pub(crate) measure: String,
    /// The mean of all.
    pub(crate) mean: f64,
    /// What is said of all, a sentence or two.
    pub(crate) words: String,
    /// The lines.
    pub(crate) lines: Vec<ShrinkageLine>,
}

/// What failures go with, by one measure.
#[derive(Debug, Clone, Default)]
pub(crate) struct ModelChart {
    /// Its word, such as `ignition`.
    pub(crate) measure: String,
    /// What is said of the model, or why there is none.
    pub(crate) words: String,
    /// The lines; none where there is no model.
    pub(crate) lines: Vec<ForestLine>,
}

/// A table of rates.
#[derive(Debug, Clone, Default)]
pub(crate) struct RatesTable {
    /// What it shows.
    pub(crate) caption: String,
    /// What the names in the rows are, such as `lot`, `fuse`, `weather`.
    pub(crate) heads: Vec<String>,
    /// The rows.
    pub(crate) rows: Vec<RatesRow>,
}

/// One row of a table of rates.
#[derive(Debug, Clone, Default)]
pub(crate) struct RatesRow {
    /// Its names; none where the log does not say.
    pub(crate) names: Vec<Option<String>>,
    /// Its numbers.
    pub(crate) figures: Figures,
}

/// One thing on which the crew's sightings differ.
#[derive(Debug, Clone, Default)]
pub(crate) struct DisputeText {
    /// What it is about.
    pub(crate) about: String,
    /// Who said what, a line each.
    pub(crate) said: Vec<String>,
}

/// How the numbers came about.
#[derive(Debug, Clone, Default)]
pub(crate) struct Method {
    /// The interval's name, such as `exact (Clopper–Pearson)`.
    pub(crate) interval: String,
    /// Its level, such as 0.95.
    pub(crate) level: f64,
    /// From which probability of being above what is tolerable a pairing is set aside.
    pub(crate) set_aside_from: f64,
    /// From which it is restricted.
    pub(crate) restrict_from: f64,
    /// Up to which the evidence supports using it.
    pub(crate) use_up_to: f64,
    /// The weather bands: what is cut, and where.
    pub(crate) weather_bands: Vec<(String, String)>,
    /// What else is to be said, a sentence or a few each.
    pub(crate) notes: Vec<String>,
}
