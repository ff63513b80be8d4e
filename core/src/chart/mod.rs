//! Charts as text: intervals and heat tables for pages, interval bars for a terminal.
//!
//! Pure functions on plain numbers of this module's own; it knows neither the ledger nor the rates. What stands in the
//! text of others (names of lots and fuses) is always escaped, and no number, however odd, leads outside the drawing.
//!
//! Not for pages as such: whoever shows a chart adds [`STYLE`] once, and may set its custom properties differently.

mod bars;
mod curves;
mod figures;
mod forest;
mod heat;
mod intervals;
mod key;
mod layout;
mod scale;
mod shrinkage;
mod text;
mod tone;
mod volley;

pub use bars::{BarStyle, Bars, bars};
pub use curves::{CurveChart, curve_chart};
pub use figures::Figures;
pub use forest::{ForestChart, ForestLine, forest_chart};
pub use heat::{HeatTable, heat_key, heat_table};
pub use intervals::{IntervalChart, IntervalLine, interval_chart};
pub use key::interval_key;
pub use layout::Layout;
pub use scale::Scale;
pub use shrinkage::{ShrinkageChart, ShrinkageLine, shrinkage_chart};
pub use text::{escape, percent, range};
pub use tone::Tone;
pub use volley::{DrawnShot, DrawnVolley, ShotState, volley_boxes, volley_svg};

/// The style sheet of the charts, light, dark and printed; every colour is a custom property named `--chart-…`.
pub const STYLE: &str = include_str!("chart.css");

#[cfg(test)]
mod laws;
