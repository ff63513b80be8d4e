//! Tokens of a crew: making one, looking at them, revoking one.

use std::sync::Arc;

use axum::Json;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::extract::{Extension, Path, State};
use axum::http::{HeaderMap, StatusCode};
use serde::Deserialize;
use serde_json::{Value, json};

use super::{body, caller, crew_for};
use crate::access::{CrewRecord, Role, TokenRecord, members_only, must_be_admin, one_line};
use crate::error::Problem;
use crate::hub::{App, blocking};
use crate::ids::TokenId;
use crate::listen::Visit;

/// A token as it is shown: all but its secret and the secret's hash.
fn shown(token: &TokenRecord) -> Value {
    json!({
        "id": token.id, "role": token.role, "label": token.label,
        "made_ms": token.made_ms, "revoked_ms": token.revoked_ms,
    })
}

fn crew_of_admin(app: &App, headers: &HeaderMap, visit: &Visit, path: &str) -> Result<CrewRecord, Problem> {
    let token = caller(app, headers, visit)?;
    must_be_admin(&token)?;
    crew_for(app, &token, path)
}

pub(super) async fn list(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    Path(path): Path<String>,
) -> Result<Json<Value>, Problem> {
    let crew = crew_of_admin(&app, &headers, &visit, &path)?;
    let tokens: Vec<Value> = app.access.tokens(Some(crew.id)).iter().map(shown).collect();
    Ok(Json(json!({ "tokens": tokens })))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Make {
    role: Role,
    label: String,
}

pub(super) async fn make(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    Path(path): Path<String>,
    given: Result<Bytes, BytesRejection>,
) -> Result<(StatusCode, Json<Value>), Problem> {
    let crew = crew_of_admin(&app, &headers, &visit, &path)?;
    let make: Make = body::read(given)?;
    if make.role == Role::Admin {
        return Err(Problem::bad_request("a crew's token is for a writer or a reader"));
    }
    if make.role == Role::Writer && app.access.anchor(crew.id).is_some() {
        // It would open nothing.
        return Err(members_only());
    }
    let label = one_line("label", &make.label)?.to_owned();
    let known = app.clone();
    let (token, secret) = blocking(move || app.access.make_token(Some(crew.id), make.role, &label)).await??;
    tracing::info!(crew = %crew.id, token = %token.id, "token made");
    let mut answer = shown(&token);
    // Shown this once; only the hash is kept.
    if let Some(fields) = answer.as_object_mut() {
        fields.insert("invitation".to_owned(), known.place.invitation(crew.id, &secret).into());
        fields.insert("token".to_owned(), secret.into());
    }
    Ok((StatusCode::CREATED, Json(answer)))
}

pub(super) async fn revoke(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    Path((path, token)): Path<(String, String)>,
) -> Result<StatusCode, Problem> {
    let crew = crew_of_admin(&app, &headers, &visit, &path)?;
    let unknown = || Problem::not_found("this crew has no token of this id");
    let token: TokenId = token.parse().map_err(|_| unknown())?;
    if !blocking(move || app.access.revoke(Some(crew.id), token)).await?? {
        return Err(unknown());
    }
    tracing::info!(crew = %crew.id, %token, "token revoked");
    Ok(StatusCode::NO_CONTENT)
}
