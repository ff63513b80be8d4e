//! What is asked of a crews' thread.

use std::sync::Arc;
use std::time::Instant;

use axum::body::Bytes;
use embertally_core::facts::DocumentId;
use embertally_core::log::Log;
use tokio::sync::{OwnedSemaphorePermit, mpsc};

use super::line::Line;
use crate::ids::CrewId;
use crate::stores::BoxStore;

/// One connection of one device, for as long as the server runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct SessionId(pub(crate) u64);

/// Something to do with a crew's log; returns the documents it changed.
pub(crate) type Work = Box<dyn FnOnce(&mut Log<BoxStore>) -> Vec<DocumentId> + Send>;

/// A frame on its way to its crew's log.
pub(crate) struct Frame {
    pub(crate) bytes: Bytes,
    pub(crate) came: Instant,
    /// Its room in the crew's inbox and its place among the session's frames; given back once it is dealt with.
    pub(crate) room: (OwnedSemaphorePermit, OwnedSemaphorePermit),
}

/// A job.
pub(crate) enum Job {
    /// A session begins.
    Opened { crew: CrewId, session: SessionId, line: Arc<Line> },
    /// A frame of a session came.
    Frame { crew: CrewId, session: SessionId, frame: Frame },
    /// A session is over.
    Closed { crew: CrewId, session: SessionId },
    /// Another server wrote to the crew's log.
    Elsewhere { crew: CrewId },
    /// Another server may have written to any log.
    Anything,
    /// Something else is to be done with the crew's log.
    Do { crew: CrewId, work: Work },
    /// Somebody wants to hear of changes.
    Listen { crew: CrewId, listener: mpsc::UnboundedSender<Arc<[DocumentId]>> },
    /// The server is closing.
    Stop,
}

impl Job {
    /// Returns the crew whose job it is; none for those of all crews.
    pub(crate) fn crew(&self) -> Option<CrewId> {
        match self {
            Self::Opened { crew, .. }
            | Self::Frame { crew, .. }
            | Self::Closed { crew, .. }
            | Self::Elsewhere { crew }
            | Self::Do { crew, .. }
            | Self::Listen { crew, .. } => Some(*crew),
            Self::Anything | Self::Stop => None,
        }
    }

    /// Returns a job of all crews once more, for the next thread.
    pub(crate) fn for_all(&self) -> Self {
        if matches!(self, Self::Stop) { Self::Stop } else { Self::Anything }
    }
}
