//! What can go wrong between two devices, or a device and a server.

use embertally_core::log::LogError;
use embertally_core::sync::Refusal;
use thiserror::Error;

/// Why two logs did not meet. What was saved on this device is safe with every one of them.
#[derive(Debug, Clone, Error)]
#[non_exhaustive]
pub enum LinkError {
    /// Nobody answers at the address.
    #[error("{place} cannot be reached: {what}")]
    Unreachable {
        /// The address.
        place: String,
        /// What the system said.
        what: String,
    },
    /// The answer took too long.
    #[error("{place} did not answer in time ({step})")]
    TimedOut {
        /// The address.
        place: String,
        /// What was waited for.
        step: &'static str,
    },
    /// The certificate is not the one that the invitation names.
    #[error(
        "{place} shows another certificate ({found}) than the invitation names ({wanted}): either the server was set up \
         anew, or somebody poses as it. Nothing was sent; ask for a new invitation face to face"
    )]
    WrongPin {
        /// The address.
        place: String,
        /// The first digits of the certificate's hash as the invitation has it.
        wanted: String,
        /// The same of the one that was shown.
        found: String,
    },
    /// The certificate or the handshake was not right in another way.
    #[error("no safe connection to {place}: {what}")]
    NotSafe {
        /// The address.
        place: String,
        /// What was wrong.
        what: String,
    },
    /// The token is not known, or no longer.
    #[error("{place} does not take this invitation (any more); ask for a new one")]
    TokenRefused {
        /// The address.
        place: String,
    },
    /// The crew lets in members, and this device came with a token only.
    #[error("{place}: this crew lets in members only; join it with an invitation of its chief (embertally crew join)")]
    MembersOnly {
        /// The address.
        place: String,
    },
    /// The server does not take this device for one that may be there.
    #[error("{place} does not let this device in: {what}")]
    NotAMember {
        /// The address.
        place: String,
        /// What it said.
        what: String,
    },
    /// This device has no key to prove with who it is.
    #[error("{place} asks who this device is, and its key is locked or missing here; give its passphrase")]
    NoKey {
        /// The address.
        place: String,
    },
    /// The server is there and takes nobody now.
    #[error("{place} has no room now (status {status}); try again later")]
    Busy {
        /// The address.
        place: String,
        /// The HTTP status.
        status: u16,
    },
    /// Something answers that is no server of this kind, or one of another version.
    #[error("what answers at {place} is no server that this version can speak with: {what}")]
    NotAServer {
        /// The address.
        place: String,
        /// What it answered.
        what: String,
    },
    /// The other device does not know the code, or somebody stands between.
    #[error("the device at {place} does not know this crew's code, or somebody stands between; nothing was sent")]
    WrongCode {
        /// The address.
        place: String,
    },
    /// The connection ended before all had come and gone.
    #[error("the connection to {place} was cut: {what}; what had come until then is saved, run it again for the rest")]
    Cut {
        /// The address.
        place: String,
        /// What was seen of it.
        what: String,
    },
    /// One side ended the conversation, with its reason.
    #[error("{place}: {refusal}")]
    Refused {
        /// The address.
        place: String,
        /// The reason.
        refusal: Refusal,
    },
    /// This device's own log failed.
    #[error(transparent)]
    Log(#[from] LogError),
    /// This device cannot listen there.
    #[error("cannot listen at {place}: {what}")]
    Listen {
        /// The address.
        place: String,
        /// What the system said.
        what: String,
    },
    /// This device cannot do something that it needs: threads, random bits, a certificate.
    #[error("this device cannot {what}")]
    Device {
        /// What it cannot.
        what: String,
    },
}

impl LinkError {
    /// Returns the stable code of this error, for programs.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Unreachable { .. } => "E_LINK_UNREACHABLE",
            Self::TimedOut { .. } => "E_LINK_TIMED_OUT",
            Self::WrongPin { .. } => "E_LINK_WRONG_PIN",
            Self::NotSafe { .. } => "E_LINK_NOT_SAFE",
            Self::TokenRefused { .. } => "E_LINK_TOKEN_REFUSED",
            Self::MembersOnly { .. } => "E_LINK_MEMBERS_ONLY",
            Self::NotAMember { .. } => "E_LINK_NOT_A_MEMBER",
            Self::NoKey { .. } => "E_LINK_NO_KEY",
            Self::Busy { .. } => "E_LINK_BUSY",
            Self::NotAServer { .. } => "E_LINK_NOT_A_SERVER",
            Self::WrongCode { .. } => "E_LINK_WRONG_CODE",
            Self::Cut { .. } => "E_LINK_CUT",
            Self::Refused { refusal, .. } => refusal.code(),
            Self::Log(error) => error.code(),
            Self::Listen { .. } => "E_LINK_LISTEN",
            Self::Device { .. } => "E_LINK_DEVICE",
        }
    }

    /// Tells whether trying again later, unchanged, may work.
    #[must_use]
    pub fn may_pass(&self) -> bool {
        match self {
            Self::Unreachable { .. } | Self::TimedOut { .. } | Self::Busy { .. } | Self::Cut { .. } => true,
            Self::Refused { refusal, .. } => refusal.may_pass(),
            // A full disk is emptied, another program ends its write; damage does not pass.
            Self::Log(error) => matches!(error.code(), "E_STORE_BUSY" | "E_STORE_FULL"),
            _ => false,
        }
    }
}
