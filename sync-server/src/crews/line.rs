//! The way out to one device: what waits to be sent, bounded.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use embertally_core::facts::CrewId as Founded;
use embertally_core::sync::Refusal;
use tokio::sync::{Notify, Semaphore, mpsc};

use crate::access::Token;

/// Frames of one session that may be on their way to the log at one time.
const FRAMES_UNDER_WAY: usize = 4;

/// Something to send.
#[derive(Debug)]
pub(crate) enum Out {
    /// A frame.
    Frame(Vec<u8>),
    /// Nothing more: close, for this reason.
    Close(Reason),
}

/// Why a session ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Reason {
    /// The device went.
    Gone,
    /// The conversation ended with a refusal, told by its code.
    Refused(&'static str, bool),
    /// Nothing was heard for too long.
    Idle,
    /// It did not read what was sent.
    Slow,
    /// Its token was revoked.
    Revoked,
    /// The first frame did not come.
    Silent,
    /// It sent something that is no frame.
    NoFrame,
    /// The crew's thread is gone, or the server closes.
    Closing,
}

impl Reason {
    pub(crate) fn of(refusal: &Refusal) -> Self {
        Self::Refused(refusal.code(), refusal.may_pass())
    }

    /// Returns the word by which it is counted and logged.
    pub(crate) fn code(self) -> &'static str {
        match self {
            Self::Gone => "gone",
            Self::Refused(code, _) => code,
            Self::Idle => "E_SERVER_IDLE",
            Self::Slow => "E_SERVER_SLOW",
            Self::Revoked => "E_SERVER_TOKEN",
            Self::Silent => "E_SERVER_SILENT",
            Self::NoFrame => "E_SYNC_GRAMMAR",
            Self::Closing => "E_SYNC_CLOSING",
        }
    }

    /// Returns the status of the WebSocket's own closing (RFC 6455 §7.4.1 and its registry).
    pub(crate) fn status(self) -> u16 {
        match self {
            Self::Gone => 1000,
            Self::Closing => 1001,
            Self::NoFrame => 1003,
            // "Try again later".
            Self::Refused(_, true) => 1013,
            _ => 1008,
        }
    }

    /// Tells whether the device is to blame, so that it may not try again and again.
    pub(crate) fn is_fault(self) -> bool {
        match self {
            Self::Refused(code, _) => ["E_SYNC_GRAMMAR", "E_SYNC_TOO_LARGE", "E_SYNC_CONTENTS"].contains(&code),
            other => other == Self::NoFrame,
        }
    }
}

/// One session as its crew's thread sees it.
#[derive(Debug)]
pub(crate) struct Line {
    out: mpsc::UnboundedSender<Out>,
    waiting: AtomicUsize,
    most_waiting: usize,
    cut: Notify,
    why: Mutex<Option<Reason>>,
    pause_until_ms: AtomicU64,
    /// Places for frames on their way to the log.
    pub(crate) under_way: Arc<Semaphore>,
    pub(crate) token: Arc<Token>,
    pub(crate) reads_only: bool,
    /// Which crew's log the device says it brings, where its token may write.
    pub(crate) told: Option<Founded>,
}

impl Line {
    pub(crate) fn new(
        token: Arc<Token>,
        reads_only: bool,
        told: Option<Founded>,
        most_waiting: usize,
    ) -> (Arc<Self>, mpsc::UnboundedReceiver<Out>) {
        let (out, waiting) = mpsc::unbounded_channel();
        let line = Self {
            out,
            waiting: AtomicUsize::new(0),
            most_waiting,
            cut: Notify::new(),
            why: Mutex::default(),
            pause_until_ms: AtomicU64::new(0),
            under_way: Arc::new(Semaphore::new(FRAMES_UNDER_WAY)),
            token,
            reads_only,
            told: told.filter(|_| !reads_only),
        };
        (Arc::new(line), waiting)
    }

    /// Puts a frame in line. A device that lets too much wait is cut off.
    pub(crate) fn send(&self, frame: Vec<u8>) {
        let waiting = self.waiting.fetch_add(frame.len(), Ordering::AcqRel) + frame.len();
        if waiting > self.most_waiting {
            return self.cut(Reason::Slow);
        }
        // Gone already, if nobody receives.
        let _ = self.out.send(Out::Frame(frame));
    }

    /// Closes once everything in line is sent.
    pub(crate) fn close(&self, reason: Reason) {
        let _ = self.out.send(Out::Close(reason));
    }

    /// Notes that a frame went out.
    pub(crate) fn sent(&self, bytes: usize) {
        self.waiting.fetch_sub(bytes, Ordering::AcqRel);
    }

    /// Ends the session now; what is in line is lost, as with a connection that breaks.
    pub(crate) fn cut(&self, reason: Reason) {
        self.why.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert(reason);
        self.cut.notify_one();
    }

    /// Waits until it is cut, and says why.
    pub(crate) async fn until_cut(&self) -> Reason {
        self.cut.notified().await;
        self.why.lock().unwrap_or_else(PoisonError::into_inner).unwrap_or(Reason::Gone)
    }

    /// Notes that nothing is to be read before then.
    pub(crate) fn pause_until(&self, ms: u64) {
        self.pause_until_ms.store(ms, Ordering::Release);
    }

    /// Returns until when nothing is to be read.
    pub(crate) fn paused_until(&self) -> u64 {
        self.pause_until_ms.load(Ordering::Acquire)
    }
}
