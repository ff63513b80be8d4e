//! Is it there, is it ready, what has it counted, what does it offer.

use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use axum::Json;
use axum::extract::{Extension, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::json;

use super::caller;
use crate::access::must_be_admin;
use crate::error::Problem;
use crate::hub::{App, blocking};
use crate::listen::Visit;

/// How long a store may take to say that it is there.
const STORE_PATIENCE: Duration = Duration::from_secs(2);

/// For how long a store that was ready is taken to be: asking costs nobody a token.
const FRESH: Duration = Duration::from_secs(1);

/// The process answers.
pub(super) async fn health() -> Json<serde_json::Value> {
    Json(json!({ "status": "ok" }))
}

/// The stores answer too, and the server is not closing.
pub(super) async fn ready(State(app): State<Arc<App>>) -> Result<Json<serde_json::Value>, Problem> {
    let not_ready = |code, detail: &str| Problem::new(StatusCode::SERVICE_UNAVAILABLE, code, detail);
    if *app.closing.borrow() {
        return Err(not_ready("E_SYNC_CLOSING", "the server is closing"));
    }
    let recently = *app.found_ready.lock().unwrap_or_else(PoisonError::into_inner);
    if recently.is_some_and(|at| at.elapsed() < FRESH) {
        return Ok(Json(json!({ "status": "ready" })));
    }
    let stores = app.stores.clone();
    match tokio::time::timeout(STORE_PATIENCE, blocking(move || stores.ready())).await {
        Ok(Ok(Ok(()))) => {
            *app.found_ready.lock().unwrap_or_else(PoisonError::into_inner) = Some(Instant::now());
            Ok(Json(json!({ "status": "ready" })))
        }
        Ok(Ok(Err(error))) => Err(not_ready(error.code(), "the store cannot be reached")),
        Ok(Err(problem)) => Err(problem),
        Err(_) => Err(not_ready("E_STORE_BUSY", "the store does not answer in time")),
    }
}

/// What was counted, for this machine itself or the administrator.
pub(super) async fn metrics(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    // Behind a proxy everybody comes from this machine.
    let forwarded = ["forwarded", "x-forwarded-for", "x-real-ip", "via"].iter().any(|name| headers.contains_key(*name));
    let has_token = headers.contains_key(header::AUTHORIZATION);
    if has_token || forwarded || !visit.address().is_loopback() {
        must_be_admin(&*caller(&app, &headers, &visit)?)?;
    }
    let kind = HeaderValue::from_static("text/plain; version=0.0.4; charset=utf-8");
    Ok(([(header::CONTENT_TYPE, kind)], app.metrics.to_text()).into_response())
}

/// The description of the HTTP part.
pub(super) async fn openapi() -> Response {
    ([(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))], super::OPENAPI).into_response()
}
