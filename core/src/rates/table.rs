//! Tables of rates by any grouping.

use embertally_stats::{IntervalMethod, StatsError, TimesError};
use serde::Serialize;
use thiserror::Error;

use super::clusters::{VolleyCorrelation, Volleys, volley_correlation, volleys_by};
use super::columns::{Axis, axis, filters};
use super::count::{Dimension, count_by};
use super::group::{Group, GroupError};
use super::rate::{Clustering, Rate};
use crate::ledger::{Ledger, Measure, WeatherField};

/// What rates are asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct RatesRequest {
    /// By what, in order.
    pub by: Vec<Group>,
    /// Which parts make up the weather.
    pub weather: Vec<WeatherField>,
    /// Which failure.
    pub measure: Measure,
    /// How the interval is made.
    pub method: IntervalMethod,
    /// Its level, such as 0.95.
    pub level: f64,
    /// Only shots whose group has this name (compared as names are: case and spacing do not matter). Names for one
    /// group add up; different groups narrow down.
    pub only: Vec<(Group, String)>,
}

impl Default for RatesRequest {
    fn default() -> Self {
        Self {
            by: vec![Group::Lot, Group::Fuse],
            weather: vec![WeatherField::Wet, WeatherField::Temperature],
            measure: Measure::Ignition,
            method: IntervalMethod::Exact,
            level: 0.95,
            only: Vec::new(),
        }
    }
}

/// Why rates cannot be given.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum RatesError {
    /// A grouping that is none.
    #[error(transparent)]
    Group(#[from] GroupError),
    /// A number outside its limits.
    #[error(transparent)]
    Stats(#[from] StatsError),
    /// A number outside its limits, of delays.
    #[error(transparent)]
    Times(#[from] TimesError),
    /// Rates that cannot be seen together.
    #[error(transparent)]
    Shrinkage(#[from] embertally_stats::ShrinkageError),
    /// A name that nothing has.
    #[error("no {group} is called {name:?}; there are: {known}")]
    NoSuchName {
        /// The grouping.
        group: Group,
        /// The name.
        name: String,
        /// The names that there are, with commas.
        known: String,
    },
    /// A group set against itself.
    #[error("{name:?} cannot be compared with itself; name two that differ in more than case and spacing")]
    Same {
        /// The name given twice.
        name: String,
    },
}

/// One line of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct RateRow {
    /// The group's names, in the order of the grouping; none where the log does not say.
    pub names: Vec<Option<String>>,
    /// The rate.
    pub rate: Rate,
}

/// A table of rates, ordered by the names.
#[derive(Debug, Clone, PartialEq)]
pub struct RateTable {
    /// What was asked for.
    pub request: RatesRequest,
    /// How alike the shots of one volley are, over the whole log; what the intervals are widened by.
    pub volleys: VolleyCorrelation,
    /// Its lines.
    pub rows: Vec<RateRow>,
}

/// Returns rates by a grouping.
///
/// The result depends only on the facts in the ledger, not on the order in which they came.
///
/// # Errors
/// [`RatesError`].
pub fn rates(ledger: &Ledger, request: &RatesRequest) -> Result<RateTable, RatesError> {
    // Every grouping becomes one axis, the weather as many as it has parts.
    let parts = |group: Group| match group {
        Group::Weather => request.weather.iter().map(|p| Group::Part(*p)).collect(),
        other => vec![other],
    };
    let spans: Vec<usize> = request.by.iter().map(|g| parts(*g).len()).collect();
    let mut axes: Vec<Axis<'_>> = request.by.iter().flat_map(|g| parts(*g)).map(|g| axis(ledger, g)).collect();
    axes.extend(filters(ledger, &request.only)?);
    let dimensions: Vec<Dimension<'_>> = axes.iter().map(Axis::dimension).collect();
    let classes = ledger.columns().class(request.measure);
    let alike = volley_correlation(ledger, request.measure, request.level)?;
    let volleys = volleys_by(&dimensions, ledger.columns().volley(), classes)?;
    let mut rows = count_by(&dimensions, classes)
        .into_iter()
        .map(|(codes, counts)| {
            let mean_size = volleys.get(&codes).map_or(1.0, Volleys::mean_size);
            let clustering = Clustering { mean_size, correlation: alike.used };
            let mut values = axes.iter().zip(codes).map(|(axis, code)| axis.name(code));
            let names = spans
                .iter()
                .map(|span| match span {
                    1 => values.next().flatten(),
                    n => Some(values.by_ref().take(*n).map(|v| v.unwrap_or_default()).collect::<Vec<_>>().join(", ")),
                })
                .collect();
            Ok(RateRow { names, rate: Rate::clustered(counts, request.method, request.level, clustering)? })
        })
        .collect::<Result<Vec<_>, StatsError>>()?;
    rows.sort_by(|a, b| a.names.cmp(&b.names));
    Ok(RateTable { request: request.clone(), volleys: alike, rows })
}

/// The fields of one line in JSON, in the order of the contract.
#[derive(Debug, Serialize)]
struct JsonRow<'a> {
    #[serde(flatten)]
    names: serde_json::Map<String, serde_json::Value>,
    #[serde(flatten)]
    rate: &'a Rate,
}

impl RateTable {
    /// Returns the table as the JSON object of the contract; only the groups asked for are fields of a row.
    #[must_use]
    pub fn to_json(&self) -> serde_json::Value {
        let row = |row: &RateRow| {
            let names = self.request.by.iter().zip(&row.names);
            let names = names.map(|(g, n)| (g.word().to_owned(), n.clone().into())).collect();
            serde_json::to_value(JsonRow { names, rate: &row.rate }).unwrap_or_default()
        };
        serde_json::json!({
            "measure": self.request.measure.word(),
            "interval": self.request.method.name(),
            "level": self.request.level,
            "volleys": self.volleys,
            "rows": self.rows.iter().map(row).collect::<Vec<_>>(),
        })
    }
}
