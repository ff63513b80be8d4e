//! Where a member's device is let in by its key: a challenge, and its answer.

use std::sync::Arc;

use axum::Json;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::extract::{Extension, Path, State};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use embertally_core::crew::Visit as Answer;
use embertally_core::facts::DeviceId;
use serde::Deserialize;
use serde_json::{Value, json};

use super::body;
use crate::access::{let_in, stranger};
use crate::error::Problem;
use crate::hub::App;
use crate::ids::CrewId;
use crate::listen::Visit;

fn crew_of(path: &str) -> Result<CrewId, Problem> {
    path.parse().map_err(|_| Problem::bad_request("a crew's id is 32 hexadecimal digits"))
}

/// Gives a challenge, to whomever, for whatever crew: that tells nothing.
pub(super) async fn challenge(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    Path(path): Path<String>,
) -> Result<Json<Value>, Problem> {
    app.access.may_visit(visit.address())?;
    let challenge = app.access.challenge(crew_of(&path)?)?;
    Ok(Json(json!({ "challenge": challenge, "seconds": app.limits.challenge.as_secs() })))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Given {
    challenge: String,
    device: String,
    key: String,
    signature: String,
    invitation: Option<String>,
    proof: Option<String>,
}

fn bytes<const N: usize>(what: &str, text: &str) -> Result<[u8; N], Problem> {
    let read = URL_SAFE_NO_PAD.decode(text).ok().and_then(|b| b.try_into().ok());
    read.ok_or_else(|| Problem::bad_request(format!("{what} is not {N} bytes in base64url without padding")))
}

fn answer_in(given: &Given) -> Result<Answer, Problem> {
    let device: DeviceId = given.device.parse().map_err(|_| Problem::bad_request("device is not a device's id"))?;
    let invited = match (&given.invitation, &given.proof) {
        (Some(key), Some(proof)) => Some((bytes("invitation", key)?, bytes("proof", proof)?)),
        (None, None) => None,
        _ => return Err(Problem::bad_request("invitation and proof belong together")),
    };
    Ok(Answer { device, key: bytes("key", &given.key)?, signature: bytes("signature", &given.signature)?, invited })
}

/// Lets a device in that answers a challenge rightly, as what its crew's register says it is.
pub(super) async fn visit(
    State(app): State<Arc<App>>,
    Extension(visit): Extension<Arc<Visit>>,
    Path(path): Path<String>,
    given: Result<Bytes, BytesRejection>,
) -> Result<Json<Value>, Problem> {
    app.access.may_visit(visit.address())?;
    let crew = crew_of(&path)?;
    let given: Given = body::read(given)?;
    let answer = answer_in(&given)?;
    let challenge = app.access.of_challenge(crew, &given.challenge)?;
    // The signature before the log: opening that costs more.
    let places = app.place.known_by().into_iter().map(|by| Answer::place(crew.as_bytes(), &by));
    let place = places.into_iter().find(|place| answer.is_signed(place, &challenge.bytes)).ok_or_else(stranger)?;
    if app.access.crew(crew).is_none() || app.access.anchor(crew).is_none() {
        return Err(stranger());
    }
    let access = app.access.clone();
    let session = app.crews.with_log(crew, move |log| {
        let session = match log.members() {
            Ok(Some(roster)) => let_in(&access, crew, &roster, &answer, &place, &challenge),
            Ok(None) => Err(stranger()),
            Err(error) => Err(error.into()),
        };
        (session, Vec::new())
    });
    let session = session.await.ok_or_else(|| {
        let detail = "the crew's log cannot be opened now; try again";
        Problem::new(axum::http::StatusCode::SERVICE_UNAVAILABLE, "E_SERVER_BUSY", detail).retry(10)
    })??;
    Ok(Json(json!({ "session": session.text, "role": session.role, "seconds": session.seconds })))
}
