//! What the shell hands in: a clock, a place for the key, an observer. An exception of theirs is an error here, no panic.

use crate::records::Moment;
use crate::views::Changes;

/// Why a callback could not do what it was asked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, uniffi::Error)]
pub enum CallbackError {
    /// It failed.
    #[error("{reason}")]
    Failed {
        /// In words for a person.
        reason: String,
    },
}

impl From<uniffi::UnexpectedUniFFICallbackError> for CallbackError {
    fn from(error: uniffi::UnexpectedUniFFICallbackError) -> Self {
        Self::Failed { reason: format!("the app's own code failed: {}", error.reason) }
    }
}

/// Tells the time.
#[uniffi::export(with_foreign)]
pub trait Clock: Send + Sync {
    /// Returns the time now, with this device's offset from UTC.
    ///
    /// # Errors
    /// [`CallbackError`]; then nothing is written.
    fn now(&self) -> Result<Moment, CallbackError>;
}

/// Keeps this device's secret key, such as in the system's key store.
#[uniffi::export(with_foreign)]
pub trait KeyStore: Send + Sync {
    /// Returns what was saved last; nothing, if nothing ever was.
    ///
    /// # Errors
    /// [`CallbackError`]; then the log is not opened: a new key would be another device.
    fn load(&self) -> Result<Option<Vec<u8>>, CallbackError>;

    /// Keeps secret bytes, about a hundred: whole or not at all, for this app alone, and durable when it returns.
    ///
    /// # Errors
    /// [`CallbackError`].
    fn save(&self, secret: Vec<u8>) -> Result<(), CallbackError>;
}

/// Is told that something changed.
#[uniffi::export(with_foreign)]
pub trait Observer: Send + Sync {
    /// Something changed: read again what is shown. Called on a thread of its own, never while a call is under way on it,
    /// at most ten times a second; what happens meanwhile is put together.
    ///
    /// # Errors
    /// [`CallbackError`]; it is let go.
    fn changed(&self, changes: Changes) -> Result<(), CallbackError>;
}
