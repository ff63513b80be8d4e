//! How long the network is waited for.

use std::time::Duration;

/// How long a courier waits for the network before it does something about it.
///
/// The defaults suit a phone on a field at the edge of its signal. A connection of which one side has heard nothing for
/// [`Patience::silence`] is taken for gone, whatever the system still thinks of it: bytes that a network swallows are
/// never reported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// How long a connection may take to come about, and TLS and the upgrade each after it: 10 s.
    pub step: Duration,
    /// How often the other side is asked whether it is still there: 20 s.
    pub ping: Duration,
    /// After how long without any word it is taken for gone: 60 s.
    pub silence: Duration,
    /// How long one write may take: 30 s.
    pub write: Duration,
    /// The wait after a first failure; it doubles with each further one in a row: 0.5 s.
    pub first_retry: Duration,
    /// The longest wait: 60 s.
    pub longest_retry: Duration,
}

impl Default for Patience {
    fn default() -> Self {
        Self {
            step: Duration::from_secs(10),
            ping: Duration::from_secs(20),
            silence: Duration::from_secs(60),
            write: Duration::from_secs(30),
            first_retry: Duration::from_millis(500),
            longest_retry: Duration::from_secs(60),
        }
    }
}
