//! Tables of rates: the same object as `embertally rates --json`.

use std::str::FromStr;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Extension, Path, RawQuery, State};
use axum::http::{HeaderMap, StatusCode};
use embertally_core::ledger::Ledger;
use embertally_core::log::Log;
use embertally_core::rates::{Group, RatesError, RatesRequest, rates as all_rates, weather_field};
use serde_json::{Value, json};

use super::query::Query;
use super::{caller, crew_to_read, words};
use crate::error::Problem;
use crate::hub::App;
use crate::listen::Visit;
use crate::stores::BoxStore;

/// The parameters, named as the command's options are.
const PARAMETERS: [&str; 6] = ["by", "measure", "weather-parts", "interval", "level", "where"];

pub(super) async fn rates(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    Path(path): Path<String>,
    RawQuery(query): RawQuery,
) -> Result<Json<Value>, Problem> {
    let token = caller(&app, &headers, &visit)?;
    let crew = crew_to_read(&app, &token, &path).await?;
    let request = request(query.as_deref())?;
    let table = app.read(crew.id, move |log| {
        let ledger = ledger(log)?;
        let found = all_rates(&ledger, &request).map_err(|error| match error {
            RatesError::NoSuchName { .. } => Problem::new(StatusCode::NOT_FOUND, "E_NO_SUCH_NAME", error.to_string()),
            other => Problem::bad_request(other.to_string()),
        })?;
        let mut answer = found.to_json();
        if let Some(fields) = answer.as_object_mut() {
            fields.extend(completeness(log));
        }
        Ok(answer)
    });
    Ok(Json(table.await?))
}

/// Reads a crew's log into a ledger.
pub(super) fn ledger(log: &mut Log<BoxStore>) -> Result<Ledger, Problem> {
    let mut ledger = Ledger::new();
    log.replay(|_, entry| ledger.add(&entry))?;
    ledger.settle();
    Ok(ledger)
}

/// Says whether all of the log could be read, as the command does.
fn completeness(log: &Log<BoxStore>) -> Vec<(String, Value)> {
    let problems = words::problems(log.problems());
    let mut fields = vec![("complete".to_owned(), json!(problems.is_empty()))];
    if !problems.is_empty() {
        fields.push(("problems".to_owned(), json!(problems)));
    }
    fields
}

fn request(query: Option<&str>) -> Result<RatesRequest, Problem> {
    let query = Query::read(query, &PARAMETERS)?;
    let only = query.all("where").map(|text| {
        let (key, value) =
            text.split_once('=').ok_or_else(|| Problem::bad_request("where is not KEY=VALUE, such as lot=KB-104"))?;
        Ok((parsed::<Group>(key)?, value.trim().to_owned()))
    });
    let level: f64 = parsed(query.one("level", "0.95")?)?;
    if !(level > 0.0 && level < 1.0) {
        return Err(Problem::bad_request("level is a number between 0 and 1, such as 0.95"));
    }
    Ok(RatesRequest {
        by: list(query.one("by", "lot,fuse,weather")?, parsed)?,
        weather: list(query.one("weather-parts", "wet,temperature")?, |t| {
            weather_field(t).map_err(|e| Problem::bad_request(e.to_string()))
        })?,
        measure: parsed(query.one("measure", "ignition")?)?,
        method: parsed(query.one("interval", "exact")?)?,
        level,
        only: only.collect::<Result<_, Problem>>()?,
    })
}

fn parsed<T: FromStr>(text: &str) -> Result<T, Problem>
where
    T::Err: std::fmt::Display,
{
    text.parse().map_err(|e: T::Err| Problem::bad_request(e.to_string()))
}

fn list<T>(text: &str, read: impl Fn(&str) -> Result<T, Problem>) -> Result<Vec<T>, Problem> {
    text.split(',').map(str::trim).filter(|t| !t.is_empty()).map(read).collect()
}
