//! Crews: which there are, making one, and what one keeps here.

use std::sync::Arc;

use axum::Json;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::extract::{Extension, Path, State};
use axum::http::{HeaderMap, StatusCode};
use embertally_core::facts::{CrewId as Founded, DocumentId};
use serde::Deserialize;
use serde_json::{Value, json};

use super::{body, caller, crew_for, crew_to_read};
use crate::access::{CrewRecord, must_be_admin, one_line};
use crate::crews::Job;
use crate::error::Problem;
use crate::hub::{App, blocking};
use crate::ids::CrewId;
use crate::listen::Visit;
use crate::repo;

/// Returns the id of the crew whose log this is; nothing while tokens alone open it.
fn anchor_of(app: &App, crew: CrewId) -> Option<String> {
    app.access.anchor(crew).map(|founded| founded.to_string())
}

fn shown(app: &App, crew: &CrewRecord) -> Value {
    json!({ "id": crew.id, "title": crew.title, "made_ms": crew.made_ms, "anchor": anchor_of(app, crew.id) })
}

pub(super) async fn list(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
) -> Result<Json<Value>, Problem> {
    must_be_admin(&*caller(&app, &headers, &visit)?)?;
    let crews: Vec<Value> = app.access.crews().iter().map(|crew| shown(&app, crew)).collect();
    Ok(Json(json!({ "crews": crews })))
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
    let known = app.clone();
    let crew = blocking(move || known.access.make_crew(&title)).await??;
    tracing::info!(crew = %crew.id, "crew made");
    Ok((StatusCode::CREATED, Json(shown(&app, &crew))))
}

pub(super) async fn one(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    Path(path): Path<String>,
) -> Result<Json<Value>, Problem> {
    let token = caller(&app, &headers, &visit)?;
    let crew = crew_to_read(&app, &token, &path).await?;
    let list = app.read(crew.id, |log| Ok(log.list()?)).await?;
    let (mut bytes, mut entries, mut shots) = (0, 0, 0);
    let documents: Vec<Value> = list
        .iter()
        .map(|line| {
            let s = &line.summary;
            (bytes, entries, shots) = (bytes + line.bytes, entries + s.entries, shots + s.shots);
            json!({
                "document": line.document.to_string(), "url": repo::url(crew.id, line.document), "title": s.title, "entries": s.entries, "shots": s.shots,
                "bytes": line.bytes, "first_ms": s.first_ms, "last_ms": s.last_ms,
            })
        })
        .collect();
    let quota = app.quota;
    Ok(Json(json!({
        "id": crew.id, "title": crew.title, "made_ms": crew.made_ms, "anchor": anchor_of(&app, crew.id),
        "bytes": bytes, "entries": entries, "shots": shots,
        "quota": { "bytes": quota.bytes, "documents": quota.documents, "entries": quota.entries },
        "register_url": repo::url(crew.id, DocumentId::Register { part: 1 }),
        "documents": documents,
    })))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Anchor {
    anchor: String,
}

/// Says whose log a crew's is, whatever was known of that.
pub(super) async fn anchor(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    Path(path): Path<String>,
    given: Result<Bytes, BytesRejection>,
) -> Result<Json<Value>, Problem> {
    let token = caller(&app, &headers, &visit)?;
    must_be_admin(&token)?;
    let crew = crew_for(&app, &token, &path)?;
    let given: Anchor = body::read(given)?;
    let wanted = "anchor is the crew's id, as `embertally crew` shows it on a member's device";
    let founded: Founded = given.anchor.parse().map_err(|_| Problem::bad_request(wanted))?;
    let known = app.clone();
    blocking(move || known.access.set_anchor(crew.id, founded)).await??;
    app.crews.send(Job::Elsewhere { crew: crew.id });
    tracing::info!(crew = %crew.id, %founded, "whose log it is was said by the administrator");
    Ok(Json(json!({ "anchor": founded.to_string() })))
}
