//! What a peer may send at most.

/// Limits of one conversation. Each is counted before anything is inflated or allocated for what it limits.
///
/// The defaults leave room for the largest document of a crew (5,000 entries, 4 MiB); a device that keeps the log's own
/// rules never meets them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// One frame, in bytes: 256 KiB.
    pub frame_bytes: usize,
    /// One message, which may come in several frames, in bytes: 1 MiB.
    pub message_bytes: usize,
    /// What one message may inflate to, in bytes: 8 MiB.
    pub inflated_bytes: usize,
    /// Changes in one message: 5,000.
    pub changes: usize,
    /// Rows of operations in one message: 200,000.
    pub rows: usize,
    /// Changes of one document that wait in memory for one that is missing: 5,000.
    pub waiting_changes: usize,
    /// Documents named in one outline: 20,000.
    pub documents: usize,
    /// Documents whose exchange goes on at one time: 4. With one message each under way, this bounds what either side
    /// has to hold for the other.
    pub documents_at_once: usize,
    /// Bytes a second over a longer time: 64 KiB; more than that waits, it is not refused.
    pub sustained_bytes_per_s: u32,
    /// Bytes that may come at once on top of it: 8 MiB.
    pub burst_bytes: u32,
    /// How long an answer may take before the exchange of a document is begun again, in ms: 20 s.
    pub answer_ms: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            frame_bytes: 256 << 10,
            message_bytes: 1 << 20,
            inflated_bytes: 8 << 20,
            changes: 5_000,
            rows: 200_000,
            waiting_changes: 5_000,
            documents: 20_000,
            documents_at_once: 4,
            sustained_bytes_per_s: 64 << 10,
            burst_bytes: 8 << 20,
            answer_ms: 20_000,
        }
    }
}
