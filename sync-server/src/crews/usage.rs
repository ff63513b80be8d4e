//! What a crew keeps here, counted against its quota.

use embertally_core::log::{Log, LogError};

use crate::limits::Quota;
use crate::stores::BoxStore;

/// After how many changes it is counted anew: between, what came is added up.
const CHANGES_BETWEEN: u32 = 64;

/// What a crew keeps.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Usage {
    pub(crate) bytes: u64,
    pub(crate) documents: u64,
    pub(crate) entries: u64,
    since: u32,
}

impl Usage {
    /// Counts by the store's own list, which reads no document.
    pub(crate) fn of(log: &Log<BoxStore>) -> Result<Self, LogError> {
        let mut usage = Self::default();
        for line in log.list()? {
            usage.documents += 1;
            usage.bytes += line.bytes;
            usage.entries += line.summary.entries;
        }
        Ok(usage)
    }

    /// Adds what came in one message.
    pub(crate) fn add(&mut self, entries: usize, bytes: usize, log: &Log<BoxStore>) {
        self.since += 1;
        self.entries += entries as u64;
        self.bytes += bytes as u64;
        if self.since >= CHANGES_BETWEEN {
            // Should it fail, what was added up stands until the next time.
            *self = Self::of(log).unwrap_or(Self { since: 0, ..*self });
        }
    }

    /// Says which part of the quota is used up, if one is.
    pub(crate) fn over(&self, quota: &Quota) -> Option<String> {
        let (what, most) = if self.bytes > quota.bytes {
            ("bytes", quota.bytes)
        } else if self.documents > quota.documents {
            ("documents", quota.documents)
        } else if self.entries > quota.entries {
            ("entries", quota.entries)
        } else {
            return None;
        };
        Some(format!(
            "this crew's room on the server is used up (at most {most} {what}); whoever runs it can give more"
        ))
    }
}
