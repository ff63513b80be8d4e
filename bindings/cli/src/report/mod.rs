//! The report: one page that a crew can read on a phone, print, or hand on, with nothing to load from elsewhere.
//!
//! What is shown is handed in as plain data, so that the page can be looked at without a log behind it.

mod data;
mod glance;
mod html;
mod page;
mod pictures;
mod tables;
mod verdicts;

#[cfg(test)]
mod sample;
#[cfg(test)]
mod tests;

pub(crate) use data::{
    CurveText, DisputeText, LiveRow, MeasureCharts, MeasureNumbers, Method, ModelChart, PairingText, RatesRow,
    RatesTable, ReportData, Summary, TogetherChart,
};
pub(crate) use page::page;
