//! Why a conversation was ended.

use thiserror::Error;

/// Why one side ended a conversation. It is sent as the last frame, so that the other side can say it to a person.
///
/// Nothing that had been acknowledged before is undone by it.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum Refusal {
    /// The other side speaks no version that is known here.
    #[error(
        "the other side speaks version {found} of the conversation, this one {known}; bring the older one up to date"
    )]
    Version {
        /// What it speaks.
        found: u64,
        /// What is spoken here.
        known: u64,
    },
    /// More bytes than one frame or message may have.
    #[error("{what} of {bytes} bytes; at most {most} are taken")]
    TooLarge {
        /// What was too large.
        what: String,
        /// Its size, in bytes.
        bytes: u64,
        /// The most that is taken.
        most: u64,
    },
    /// Bytes that are no frame, or a frame where it does not belong.
    #[error("not understood: {what}")]
    Grammar {
        /// What was wrong, and at which byte.
        what: String,
    },
    /// What was sent for a document cannot be taken into it.
    #[error("document {document}: {what}")]
    Contents {
        /// The document.
        document: String,
        /// What was wrong.
        what: String,
    },
    /// The other side may not do this.
    #[error("not allowed: {what}")]
    NotAllowed {
        /// What it may not.
        what: String,
    },
    /// The other side's store failed; trying again later may work.
    #[error("the other side cannot keep anything now: {what}")]
    Store {
        /// What it said.
        what: String,
    },
    /// The other side is going away for a while.
    #[error("the other side is closing: {what}")]
    Closing {
        /// What it said.
        what: String,
    },
}

impl Refusal {
    /// Returns the stable code of this refusal, for programs.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Version { .. } => "E_SYNC_VERSION",
            Self::TooLarge { .. } => "E_SYNC_TOO_LARGE",
            Self::Grammar { .. } => "E_SYNC_GRAMMAR",
            Self::Contents { .. } => "E_SYNC_CONTENTS",
            Self::NotAllowed { .. } => "E_SYNC_NOT_ALLOWED",
            Self::Store { .. } => "E_SYNC_STORE",
            Self::Closing { .. } => "E_SYNC_CLOSING",
        }
    }

    /// Tells whether trying again later, unchanged, may work.
    #[must_use]
    pub fn may_pass(&self) -> bool {
        matches!(self, Self::Store { .. } | Self::Closing { .. })
    }
}
