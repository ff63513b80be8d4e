//! What holds for each request: an id, a time limit, headers that keep browsers from doing more, a line in the log.

use std::sync::Arc;
use std::time::Instant;

use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use tracing::Instrument as _;

use crate::clock::random_bits;
use crate::error::Problem;
use crate::hub::App;
use crate::listen::Visit;

/// Headers of every answer: nothing is kept, framed, sniffed or run.
const HEADERS: [(HeaderName, &str); 6] = [
    (header::CACHE_CONTROL, "no-store"),
    (header::CONTENT_SECURITY_POLICY, "default-src 'none'; frame-ancestors 'none'"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

/// For how many times as long backups and exports may take.
const LONG: u32 = 20;

pub(super) async fn around(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let id = format!("{:016x}", random_bits());
    let began = Instant::now();
    let path = request.extensions().get::<MatchedPath>().map(|m| m.as_str().to_owned());
    // By the table's own texts, so that what is counted is bounded.
    let route = path.and_then(|path| app.paths.iter().copied().find(|p| *p == path)).unwrap_or("other");
    let method = request.method().clone();
    let address = request.extensions().get::<Arc<Visit>>().map(|v| v.address());
    let limit = if route.ends_with("/backup") { app.limits.request * LONG } else { app.limits.request };
    let span = tracing::info_span!("request", %id);
    let answered = tokio::time::timeout(limit, next.run(request).instrument(span)).await;
    let mut response = answered.unwrap_or_else(|_| {
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, "E_SERVER_TIME", "this took too long and was given up")
            .into_response()
    });
    let status = response.status().as_u16();
    app.metrics.request(route, status);
    if let Some(code) = response.headers().get("embertally-code").and_then(|v| v.to_str().ok()) {
        app.metrics.refused(known_code(code));
    }
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    if app.place.publicly_trusted {
        headers.insert(header::STRICT_TRANSPORT_SECURITY, HeaderValue::from_static("max-age=31536000"));
    }
    if let Ok(value) = HeaderValue::from_str(&id) {
        headers.insert("x-request-id", value);
    }
    let ms = began.elapsed().as_millis();
    let address = address.map(tracing::field::display);
    // Asked every few seconds by whatever watches over the server.
    if matches!(route, "/healthz" | "/readyz" | "/metrics") && status < 400 {
        tracing::debug!(%id, %method, route, status, ms, address, "request");
    } else {
        tracing::info!(%id, %method, route, status, ms, address, "request");
    }
    response
}

/// Returns a code as one of those that are counted by name.
fn known_code(code: &str) -> &'static str {
    const CODES: [&str; 17] = [
        "E_USAGE",
        "E_SERVER_NO_TOKEN",
        "E_SERVER_TOKEN",
        "E_SERVER_TOO_MANY",
        "E_SERVER_FORBIDDEN",
        "E_SERVER_NOT_FOUND",
        "E_SERVER_SEATS",
        "E_SERVER_STANDING",
        "E_SERVER_BUSY",
        "E_SERVER_TIME",
        "E_SERVER_MEMBERS",
        "E_SERVER_STRANGER",
        "E_SERVER_SHUT_OUT",
        "E_SERVER_CHALLENGE",
        "E_NO_SUCH_NAME",
        "E_STORE_FULL",
        "E_SYNC_CLOSING",
    ];
    CODES.into_iter().find(|known| *known == code).unwrap_or("other")
}
