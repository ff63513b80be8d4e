//! How the tool refuses: with a reason (exit code 1) or as a wrong call (exit code 2).

use embertally_core::log::LogError;
use embertally_core::store::StoreError;
use thiserror::Error;

/// Why a command was not done.
#[derive(Debug, Error)]
pub(crate) enum CliError {
    /// It was understood and refused.
    #[error("{message}")]
    Refused {
        /// A stable code for programs.
        code: &'static str,
        /// What happened, what is safe, what to do.
        message: String,
    },
    /// The call itself is wrong.
    #[error("{0}")]
    Usage(String),
}

impl CliError {
    pub(crate) fn refused(code: &'static str, message: impl Into<String>) -> Self {
        Self::Refused { code, message: message.into() }
    }

    pub(crate) fn code(&self) -> &'static str {
        match self {
            Self::Refused { code, .. } => code,
            Self::Usage(_) => "E_USAGE",
        }
    }

    pub(crate) fn exit_code(&self) -> u8 {
        match self {
            Self::Refused { .. } => 1,
            Self::Usage(_) => 2,
        }
    }
}

impl From<LogError> for CliError {
    fn from(error: LogError) -> Self {
        Self::refused(error.code(), sentence(&error.to_string()))
    }
}

impl From<StoreError> for CliError {
    fn from(error: StoreError) -> Self {
        Self::refused(error.code(), sentence(&error.to_string()))
    }
}

/// Says that a file could not be read or written.
pub(crate) fn file_error(doing: &str, path: &std::path::Path, error: &std::io::Error) -> CliError {
    CliError::refused("E_FILE", format!("Cannot {doing} {}: {error}.", path.display()))
}

/// Makes a sentence of an error text: a capital in front, a full stop behind.
pub(crate) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    let stop = if text.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{first}{}{stop}", letters.as_str())
}
