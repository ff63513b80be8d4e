//! What a courier reports while it works. It prints nothing and ends nothing by itself.

use std::net::SocketAddr;
use std::time::Duration;

use embertally_core::facts::{DeviceId, DocumentId};

use crate::error::LinkError;

/// What came and went, over all conversations of one run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// Entries that came and were new here; they are durable on this device.
    pub entries_came: u64,
    /// Entries that went, and are durable on the other side.
    pub entries_went: u64,
    /// Bytes of frames that came.
    pub bytes_came: u64,
    /// Bytes of frames that went.
    pub bytes_went: u64,
    /// How many times another side was met: both had what the other had.
    pub met: u64,
    /// Whether a server takes in nothing of what this device writes: its invitation is for reading.
    pub reads_only: bool,
    /// By how much the other side's clock was ahead of this device's, in milliseconds; of several, the one that was
    /// farthest off.
    pub clock_ahead_ms: Option<i64>,
}

/// Something worth telling.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub enum Note {
    /// Other devices can reach this one here.
    Listening {
        /// The address and port.
        address: SocketAddr,
    },
    /// A conversation began.
    Meeting {
        /// With whom.
        place: String,
    },
    /// The other side's clock was seen, once a conversation.
    Clock {
        /// With whom.
        place: String,
        /// Its device.
        device: DeviceId,
        /// By how much its clock is ahead of this device's, in milliseconds.
        ahead_ms: i64,
    },
    /// Entries came, and are durable on this device.
    Came {
        /// The document.
        document: DocumentId,
        /// How many are new.
        entries: usize,
    },
    /// Both sides have what the other had.
    UpToDate {
        /// With whom.
        place: String,
        /// What came and went so far.
        tally: Tally,
    },
    /// There is no conversation with somebody now.
    Offline {
        /// With whom.
        place: String,
        /// Why.
        error: LinkError,
        /// After how long it is tried again.
        again: Option<Duration>,
    },
    /// Somebody called who could not prove to be of the crew. Nothing was told to them.
    Stranger {
        /// What was wrong.
        error: LinkError,
    },
}

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Outcome {
    /// What came and went.
    pub tally: Tally,
    /// Whether it was ended by [`crate::Stopper::stop`].
    pub stopped: bool,
    /// Whether the server took this device for a member's by its key, and not by a token.
    pub by_key: bool,
}
