//! How a call refuses: a small set with stable codes, and the words that a person reads.

use std::fmt::Display;

use embertally_core::log::LogError;
use embertally_core::rates::RatesError;
use embertally_core::store::StoreError;
use embertally_link::LinkError;

use crate::callbacks::CallbackError;

/// Why a call was not done. Whatever it was, what was saved before is safe.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, uniffi::Error)]
pub enum EmbertallyError {
    /// It was understood and refused; the reason says what to do.
    #[error("{reason}")]
    Refused {
        /// A stable code for programs.
        code: String,
        /// What happened, what is safe, what to do: a sentence to be shown.
        reason: String,
    },
    /// The call itself is wrong.
    #[error("{reason}")]
    Usage {
        /// What is wrong with it.
        reason: String,
    },
    /// The same call may work later, unchanged.
    #[error("{reason}")]
    TryAgain {
        /// A stable code for programs.
        code: String,
        /// What stood in the way.
        reason: String,
    },
    /// Something stored or handed in is damaged. What was stored is kept.
    #[error("{reason}")]
    Damaged {
        /// A stable code for programs.
        code: String,
        /// What, and what to do.
        reason: String,
    },
    /// It was cancelled before anything was written.
    #[error("Cancelled; nothing was written.")]
    Cancelled,
    /// A mistake in this program, not in the log, which is as it was.
    #[error("{reason}")]
    Bug {
        /// What to report.
        reason: String,
    },
}

/// Makes a sentence of an error text: a capital in front, a full stop behind.
pub(crate) fn sentence(text: &dyn Display) -> String {
    let text = text.to_string();
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    let stop = if text.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{first}{}{stop}", letters.as_str())
}

impl EmbertallyError {
    pub(crate) fn refused(code: &str, reason: impl Into<String>) -> Self {
        let (code, reason) = (code.to_owned(), reason.into());
        match code.as_str() {
            "E_STORE_BUSY" => Self::TryAgain { code, reason },
            "E_STORE_DAMAGED" | "E_LOG_UNREADABLE" | "E_CARRY_DAMAGED" | "E_KEY_DAMAGED" => {
                Self::Damaged { code, reason }
            }
            "E_INTERNAL" => Self::Bug { reason },
            _ => Self::Refused { code, reason },
        }
    }

    pub(crate) fn usage(what: &dyn Display) -> Self {
        Self::Usage { reason: sentence(what) }
    }

    pub(crate) fn no_thread(error: &std::io::Error) -> Self {
        let reason = format!("This device cannot begin a thread: {error}.");
        Self::TryAgain { code: "E_LINK_DEVICE".to_owned(), reason }
    }

    pub(crate) fn file(doing: &str, path: &str, error: &std::io::Error) -> Self {
        Self::refused("E_FILE", format!("Cannot {doing} {path}: {error}."))
    }
}

impl From<LogError> for EmbertallyError {
    fn from(error: LogError) -> Self {
        Self::refused(error.code(), sentence(&error))
    }
}

impl From<StoreError> for EmbertallyError {
    fn from(error: StoreError) -> Self {
        Self::refused(error.code(), sentence(&error))
    }
}

impl From<LinkError> for EmbertallyError {
    fn from(error: LinkError) -> Self {
        let reason = format!("{} What was saved on this device is safe.", sentence(&error));
        if error.may_pass() {
            return Self::TryAgain { code: error.code().to_owned(), reason };
        }
        Self::refused(error.code(), reason)
    }
}

impl From<RatesError> for EmbertallyError {
    fn from(error: RatesError) -> Self {
        match error {
            RatesError::NoSuchName { .. } => Self::refused("E_NO_SUCH_NAME", sentence(&error)),
            other => Self::usage(&other),
        }
    }
}

impl From<CallbackError> for EmbertallyError {
    fn from(error: CallbackError) -> Self {
        Self::refused("E_CALLBACK", format!("{} Nothing was written.", sentence(&error)))
    }
}
