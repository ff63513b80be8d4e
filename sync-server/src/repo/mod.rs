//! Where stock automerge-repo clients connect: `/repo`, over a WebSocket, and `/repo/session` for browsers.

mod socket;

use std::sync::Arc;

use axum::extract::ws::rejection::WebSocketUpgradeRejection;
use axum::extract::{Extension, State, WebSocketUpgrade};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use embertally_core::facts::DocumentId;
use embertally_core::sync::repo::{RepoId, RepoSession};

use crate::error::Problem;
use crate::http::{caller, may_begin};
use crate::hub::App;
use crate::ids::CrewId;
use crate::listen::Visit;
use crate::socket::Rights;

/// The first buffers of a socket.
const BUFFER: usize = 4 << 10;

/// Returns the URL by which a client finds a document of a crew.
pub(crate) fn url(crew: CrewId, document: DocumentId) -> String {
    RepoId::of(crew.as_bytes(), document).url()
}

/// Begins a conversation in the automerge-repo protocol.
pub(crate) async fn begin(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    upgrade: Result<WebSocketUpgrade, WebSocketUpgradeRejection>,
) -> Result<Response, Problem> {
    let token = app.access.admit_client(&headers, visit.address())?;
    let (crew, reads_only) = may_begin(&app, &token)?;
    let upgrade = upgrade.map_err(|_| {
        let detail = "a WebSocket that speaks the automerge-repo protocol is wanted here";
        Problem::new(StatusCode::UPGRADE_REQUIRED, "E_USAGE", detail)
    })?;
    let Some(seat) = token.seat() else {
        let detail = "too many devices with this token at one time; give each its own";
        return Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, "E_SERVER_SEATS", detail).retry(30));
    };
    // The protocol has no pieces: a message is one frame, or cut by the WebSocket alone.
    let most = RepoSession::most_bytes(&app.limits.sync);
    let rights = Rights { crew, seat, reads_only, told: None, visit };
    Ok(upgrade
        .max_frame_size(most)
        .max_message_size(most)
        .read_buffer_size(BUFFER)
        .write_buffer_size(BUFFER)
        .max_write_buffer_size(2 * most + BUFFER)
        .on_upgrade(move |socket| socket::serve(app, socket, rights)))
}

/// Gives a page a cookie for its token.
pub(crate) async fn session(
    app: State<Arc<App>>,
    visit: Extension<Arc<Visit>>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    session_below("/repo", app, visit, headers)
}

/// Gives a page a cookie for its token, for what is below a path.
pub(crate) fn session_below(
    path: &str,
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let token = caller(&app, &headers, &visit)?;
    may_begin(&app, &token)?;
    // Where something in front does TLS, it says so.
    let forwarded = headers.get("x-forwarded-proto").is_some_and(|proto| proto == "https");
    let cookie = app.access.session(&token, path, app.place.tls || forwarded);
    Ok((StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie)]).into_response())
}
