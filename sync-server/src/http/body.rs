//! Reading a request's body.

use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use serde::de::DeserializeOwned;

use crate::error::Problem;

/// Reads a body as JSON.
///
/// # Errors
/// 413 for one that is too large, 400 for one that is not what is wanted.
pub(super) fn read<T: DeserializeOwned>(body: Result<Bytes, BytesRejection>) -> Result<T, Problem> {
    let body = body.map_err(|e| Problem::new(e.status(), "E_USAGE", "the body could not be read, or is too large"))?;
    serde_json::from_slice(&body).map_err(|e| Problem::bad_request(format!("the body is not the JSON wanted: {e}")))
}
