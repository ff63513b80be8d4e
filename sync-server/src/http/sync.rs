//! Where a device begins its conversation.

use std::sync::Arc;

use axum::extract::ws::rejection::WebSocketUpgradeRejection;
use axum::extract::{Extension, State, WebSocketUpgrade};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use embertally_core::sync::PROTOCOL;

use crate::access::{Role, Token, forbidden, must_be_member};
use crate::error::Problem;
use crate::hub::App;
use crate::ids::CrewId;
use crate::listen::Visit;
use crate::repo::session_below;
use crate::socket::{self, Rights};

/// The first buffer of a socket; it grows with what comes, up to a frame.
const READ_BUFFER: usize = 4 << 10;
/// What is gathered before it is written out.
const WRITE_BUFFER: usize = 4 << 10;
/// In which header a device says which crew's log it brings, while the server does not know that yet.
const CREW_HEADER: &str = "embertally-crew";
/// Room for a WebSocket frame's own head.
const HEAD: usize = 64;

/// Says in which crew's log a token may begin a conversation, and whether it may only read there.
///
/// # Errors
/// A [`Problem`] if it may not, or not now.
pub(crate) fn may_begin(app: &App, token: &Token) -> Result<(CrewId, bool), Problem> {
    let record = token.record();
    let (Some(crew), Role::Writer | Role::Reader) = (record.crew, record.role) else {
        return Err(forbidden("this token is not for a crew's log"));
    };
    must_be_member(&app.access, token)?;
    let reads_only = record.role == Role::Reader;
    if *app.closing.borrow() {
        let detail = "the server is closing for a while; try again soon";
        return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, "E_SYNC_CLOSING", detail).retry(5));
    }
    if !token.is_in_good_standing() {
        let detail = "too many conversations with this token ended for what the device sent; wait a minute";
        return Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, "E_SERVER_STANDING", detail).retry(60));
    }
    Ok((crew, reads_only))
}

pub(super) async fn sync(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    headers: HeaderMap,
    upgrade: Result<WebSocketUpgrade, WebSocketUpgradeRejection>,
) -> Result<Response, Problem> {
    // Who it is comes first: nothing is told or allocated before.
    let token = app.access.admit_client(&headers, visit.address())?;
    let (crew, reads_only) = may_begin(&app, &token)?;
    let upgrade = upgrade.map_err(|_| {
        Problem::new(
            StatusCode::UPGRADE_REQUIRED,
            "E_USAGE",
            format!("a WebSocket that speaks {PROTOCOL} is wanted here"),
        )
    })?;
    let upgrade = upgrade.protocols([PROTOCOL]);
    if upgrade.selected_protocol().is_none() {
        return Err(Problem::bad_request(format!("a WebSocket that speaks {PROTOCOL} is wanted here")));
    }
    let Some(seat) = token.seat() else {
        let detail = "too many devices with this token at one time; give each its own";
        return Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, "E_SERVER_SEATS", detail).retry(30));
    };
    let frame = app.limits.sync.frame_bytes;
    let told = headers.get(CREW_HEADER).and_then(|v| v.to_str().ok()?.parse().ok());
    let rights = Rights { crew, seat, reads_only, told, visit };
    Ok(upgrade
        .max_frame_size(frame)
        .max_message_size(frame)
        .read_buffer_size(READ_BUFFER)
        .write_buffer_size(WRITE_BUFFER)
        .max_write_buffer_size(2 * (frame + HEAD) + WRITE_BUFFER)
        .on_upgrade(move |socket| socket::serve(app, socket, rights)))
}

/// Gives a page a cookie for its token: a browser's WebSocket has no headers to set.
pub(super) async fn session(
    app: State<Arc<App>>,
    visit: Extension<Arc<Visit>>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    session_below("/sync", app, visit, headers)
}
