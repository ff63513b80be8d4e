//! From measured delays to what they say of a lot, a fuse or a weather: how they are spread, how many are slower than
//! a limit, under which time a share of them stays, how far apart those of one volley are.
//!
//! A delay is always an interval ([`crate::facts::Delay`]) and is taken as one. Where observers' intervals contradict
//! each other, the interval that holds them all stands in. Shots that fired and were not measured are counted and said;
//! what they would have been is not guessed. Shots of one volley are taken as independent, except in their spread.
//!
//! Not for: judging by the observer's word alone (`rates --measure slow`).

mod compare;
mod figures;
mod gather;
mod words;

pub use compare::{DelayComparison, DelayTests, MedianRatio, compare_delays};
pub use figures::{BoundFigures, DelayFigures, FitFigures, MassFigures, SlowFigures, SpreadFigures};

use embertally_stats::Law;
use serde::Serialize;

use super::group::Group;
use super::table::RatesError;
use crate::ledger::{Ledger, WeatherField};
use figures::{Ask, figures};
use gather::{Named, gather};

/// What is asked of the delays.
#[derive(Debug, Clone, PartialEq)]
pub struct DelaysRequest {
    /// By what, in order.
    pub by: Vec<Group>,
    /// Which parts make up the weather.
    pub weather: Vec<WeatherField>,
    /// The limit above which a shot is slow, in milliseconds; none for that of the outings, where they agree on one.
    pub limit_ms: Option<f64>,
    /// The share of units that is to be bounded, such as 0.95.
    pub share: f64,
    /// With which confidence, such as 0.90.
    pub bound_confidence: f64,
    /// The level of the intervals, such as 0.95.
    pub level: f64,
    /// Which law the sentences speak of; the numbers are given for both.
    pub law: Law,
    /// Only these, as in [`RatesRequest::only`](super::RatesRequest::only).
    pub only: Vec<(Group, String)>,
}

impl Default for DelaysRequest {
    fn default() -> Self {
        Self {
            by: vec![Group::Lot],
            weather: vec![WeatherField::Wet, WeatherField::Temperature],
            limit_ms: None,
            share: 0.95,
            bound_confidence: 0.90,
            level: 0.95,
            law: Law::LogNormal,
            only: Vec::new(),
        }
    }
}

/// One group's delays.
#[derive(Debug, Clone, PartialEq)]
pub struct DelayRow {
    /// The group's names, in the order of the grouping; none where the log does not say.
    pub names: Vec<Option<String>>,
    /// Its numbers.
    pub figures: DelayFigures,
    /// They in words.
    pub sentence: String,
}

/// A table of delays, ordered by the names.
#[derive(Debug, Clone, PartialEq)]
pub struct DelayTable {
    /// What was asked for.
    pub request: DelaysRequest,
    /// Its lines.
    pub rows: Vec<DelayRow>,
}

fn ask(request: &DelaysRequest) -> Ask {
    Ask {
        limit_ms: request.limit_ms,
        share: request.share,
        bound_confidence: request.bound_confidence,
        level: request.level,
    }
}

/// Returns the delays by a grouping. Groups without a shot that fired are left out.
///
/// The result depends only on the facts in the ledger, not on the order in which they came.
///
/// # Errors
/// [`RatesError`]: a name that nothing has, a number out of range. What the delays themselves do not allow to be said
/// is no error: it is said in its place.
pub fn delays(ledger: &Ledger, request: &DelaysRequest) -> Result<DelayTable, RatesError> {
    let ask = ask(request);
    ask.check()?;
    let groups = gather(ledger, &request.by, &request.weather, &request.only)?;
    let row = |(names, gathered): Named| -> Result<DelayRow, RatesError> {
        let figures = figures(&gathered, &ask)?;
        let called = names.iter().map(|n| n.as_deref().unwrap_or("none")).collect::<Vec<_>>().join(", ");
        let sentence = words::sentence(&called, &figures, request.law, request.share);
        Ok(DelayRow { names, figures, sentence })
    };
    let rows = groups.into_iter().map(row).collect::<Result<_, _>>()?;
    Ok(DelayTable { request: request.clone(), rows })
}

/// The fields of one line in JSON.
#[derive(Serialize)]
struct JsonRow<'a> {
    #[serde(flatten)]
    names: serde_json::Map<String, serde_json::Value>,
    #[serde(flatten)]
    figures: &'a DelayFigures,
    sentence: &'a str,
}

impl DelayTable {
    /// Returns the table as the JSON object of the contract; milliseconds and shares of one, null for what has no end.
    #[must_use]
    pub fn to_json(&self) -> serde_json::Value {
        let row = |row: &DelayRow| {
            let names = self.request.by.iter().zip(&row.names);
            let names = names.map(|(g, n)| (g.word().to_owned(), n.clone().into())).collect();
            let json = JsonRow { names, figures: &row.figures, sentence: &row.sentence };
            serde_json::to_value(json).unwrap_or_default()
        };
        serde_json::json!({
            "unit": "ms",
            "limit_ms": self.request.limit_ms,
            "share": self.request.share,
            "bound_confidence": self.request.bound_confidence,
            "level": self.request.level,
            "rows": self.rows.iter().map(row).collect::<Vec<_>>(),
        })
    }
}
