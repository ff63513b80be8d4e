//! What can go wrong: at the start, as errors; in a request, as problem JSON (RFC 9457).

use std::net::SocketAddr;
use std::path::PathBuf;

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use embertally_core::log::LogError;
use embertally_core::store::StoreError;
use serde::Serialize;
use thiserror::Error;

/// Why a server cannot start.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum ServerError {
    /// The address cannot be listened on.
    #[error("cannot listen on {address}: {reason}; choose another with --listen")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// Whether somebody listens there already.
        in_use: bool,
        /// What the system said.
        reason: String,
    },
    /// A line without TLS was asked for where others could listen in.
    #[error("without TLS only a loopback address is listened on, and {address} is none; leave --plain away")]
    PlainOutside {
        /// The address.
        address: SocketAddr,
    },
    /// The certificate or its key cannot be used.
    #[error("the certificate cannot be used ({}): {reason}", path.display())]
    Certificate {
        /// The file.
        path: PathBuf,
        /// What was wrong.
        reason: String,
    },
    /// A file or folder of the data folder cannot be used.
    #[error("cannot use {}: {reason}", path.display())]
    Folder {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// The store cannot be opened.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The registry of crews and tokens holds something that is none.
    #[error("the registry of crews is damaged ({what}); it was left as it is, restore it from a backup")]
    Registry {
        /// Which record.
        what: String,
    },
    /// The system gives no random bits.
    #[error("the system gives no random bits ({reason}); nothing was made")]
    NoRandom {
        /// What the system said.
        reason: String,
    },
    /// A thread cannot be started.
    #[error("cannot start a thread: {reason}")]
    Thread {
        /// What the system said.
        reason: String,
    },
}

impl ServerError {
    /// Returns the stable code of this error, for programs.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Listen { .. } => "E_SERVER_LISTEN",
            Self::PlainOutside { .. } => "E_SERVER_PLAIN",
            Self::Certificate { .. } => "E_SERVER_CERTIFICATE",
            Self::Folder { .. } => "E_SERVER_FOLDER",
            Self::Store(e) => e.code(),
            Self::Registry { .. } => "E_SERVER_REGISTRY",
            Self::NoRandom { .. } => "E_SERVER_NO_RANDOM",
            Self::Thread { .. } => "E_SERVER_THREAD",
        }
    }
}

/// Why a request was refused, as it is answered: problem JSON with a stable code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// Always `about:blank`: the status and the code say what it is.
    #[serde(rename = "type")]
    kind: &'static str,
    title: &'static str,
    status: u16,
    /// The stable code, for programs.
    pub code: &'static str,
    /// What happened and what to do, for people.
    pub detail: String,
    /// After how many seconds trying again may work.
    #[serde(skip_serializing_if = "Option::is_none")]
    retry_after_s: Option<u64>,
}

impl Problem {
    pub(crate) fn new(status: StatusCode, code: &'static str, detail: impl Into<String>) -> Self {
        let title = status.canonical_reason().unwrap_or("Error");
        Self { kind: "about:blank", title, status: status.as_u16(), code, detail: detail.into(), retry_after_s: None }
    }

    pub(crate) fn retry(mut self, seconds: u64) -> Self {
        self.retry_after_s = Some(seconds);
        self
    }

    pub(crate) fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "E_USAGE", detail)
    }

    pub(crate) fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "E_SERVER_NOT_FOUND", detail)
    }

    pub(crate) fn status(&self) -> StatusCode {
        StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        let status = match &error {
            StoreError::Full => StatusCode::INSUFFICIENT_STORAGE,
            StoreError::Busy { .. } | StoreError::OutOfMemory => StatusCode::SERVICE_UNAVAILABLE,
            _ => StatusCode::INTERNAL_SERVER_ERROR,
        };
        // The system's own words may name paths: they go to the log, the class goes out.
        tracing::error!(code = error.code(), %error, "store failed");
        let detail = match &error {
            StoreError::Full | StoreError::OutOfMemory | StoreError::Busy { .. } | StoreError::TooNew { .. } => {
                error.to_string()
            }
            _ => "the store failed; whoever runs the server finds the reason in its log".to_owned(),
        };
        Self::new(status, error.code(), detail)
    }
}

impl From<LogError> for Problem {
    fn from(error: LogError) -> Self {
        match error {
            LogError::Store(e) => e.into(),
            other => {
                tracing::error!(code = other.code(), error = %other, "log failed");
                Self::new(StatusCode::INTERNAL_SERVER_ERROR, other.code(), "the crew's log cannot be read")
            }
        }
    }
}

impl From<ServerError> for Problem {
    fn from(error: ServerError) -> Self {
        match error {
            ServerError::Store(e) => e.into(),
            other => {
                tracing::error!(code = other.code(), error = %other, "server failed");
                Self::new(StatusCode::INTERNAL_SERVER_ERROR, other.code(), "the server failed; see its log")
            }
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut response = (self.status(), Json(&self)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if self.status == 401 {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        if let Some(seconds) = self.retry_after_s {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        headers.insert("embertally-code", HeaderValue::from_static(self.code));
        response
    }
}
