//! Crews: which there are, making one, and what one keeps here.

use std::sync::Arc;

use axum::Json;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::extract::{Extension, Path, State};
use axum::http::{HeaderMap, StatusCode};
use serde::Deserialize;
use serde_json::{Value, json};

use super::{body, caller, crew_for};
use crate::access::{must_be_admin, one_line};
use crate::error::Problem;
use crate::hub::{App, blocking};
use crate::listen::Visit;

pub(super) async fn list(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
) -> Result<Json<Value>, Problem> {
    must_be_admin(&*caller(&app, &headers, &visit)?)?;
    Ok(Json(json!({ "crews": app.access.crews() })))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Make {
    title: String,
}

pub(super) async fn make(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    given: Result<Bytes, BytesRejection>,
) -> Result<(StatusCode, Json<Value>), Problem> {
    must_be_admin(&*caller(&app, &headers, &visit)?)?;
    let make: Make = body::read(given)?;
    let title = one_line("title", &make.title)?.to_owned();
    let crew = blocking(move || app.access.make_crew(&title)).await??;
    tracing::info!(crew = %crew.id, "crew made");
    Ok((StatusCode::CREATED, Json(json!(crew))))
}

pub(super) async fn one(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    Path(path): Path<String>,
) -> Result<Json<Value>, Problem> {
    let token = caller(&app, &headers, &visit)?;
    let crew = crew_for(&app, &token, &path)?;
    let list = app.read(crew.id, |log| Ok(log.list()?)).await?;
    let (mut bytes, mut entries, mut shots) = (0, 0, 0);
    let documents: Vec<Value> = list
        .iter()
        .map(|line| {
            let s = &line.summary;
            (bytes, entries, shots) = (bytes + line.bytes, entries + s.entries, shots + s.shots);
            json!({
                "document": line.document.to_string(), "title": s.title, "entries": s.entries, "shots": s.shots,
                "bytes": line.bytes, "first_ms": s.first_ms, "last_ms": s.last_ms,
            })
        })
        .collect();
    let quota = app.quota;
    Ok(Json(json!({
        "id": crew.id, "title": crew.title, "made_ms": crew.made_ms,
        "bytes": bytes, "entries": entries, "shots": shots,
        "quota": { "bytes": quota.bytes, "documents": quota.documents, "entries": quota.entries },
        "documents": documents,
    })))
}
