//! What every byte from a peer passes before anything is done with it: size, rate, grammar.
//!
//! Who the peer is and what it may do was settled by whoever accepted the connection; what is inside the CRDT's own
//! bytes is looked through by [`crate::log::screen`].

use super::frame::{Frame, grammar};
use super::limits::Limits;
use super::refusal::Refusal;

/// How fast a peer sends: a bucket that fills at the sustained rate, and from which its bytes are taken.
#[derive(Debug, Clone)]
pub struct Rate {
    bytes_per_s: u64,
    burst: u64,
    /// Bytes that may come at once now; below zero while the peer is ahead of its rate.
    left: i64,
    at_ms: u64,
}

impl Rate {
    /// Begins with a full bucket.
    #[must_use]
    pub fn new(limits: &Limits, now_ms: u64) -> Self {
        let burst = u64::from(limits.burst_bytes);
        Self { bytes_per_s: u64::from(limits.sustained_bytes_per_s).max(1), burst, left: burst as i64, at_ms: now_ms }
    }

    /// Counts bytes that came, and returns how long nothing more should be read, in milliseconds.
    pub fn take(&mut self, bytes: usize, now_ms: u64) -> u64 {
        // A clock that is set back gives nothing, and takes nothing away.
        let passed = now_ms.saturating_sub(self.at_ms).min(86_400_000);
        self.at_ms = now_ms;
        let filled = self.left.saturating_add((passed * self.bytes_per_s / 1000) as i64);
        self.left = filled.min(self.burst as i64).saturating_sub(i64::try_from(bytes).unwrap_or(i64::MAX));
        if self.left >= 0 { 0 } else { self.left.unsigned_abs() * 1000 / self.bytes_per_s }
    }
}

/// Puts frames together from pieces, within the limits.
#[derive(Debug)]
pub(super) struct Guard {
    limits: Limits,
    rate: Rate,
    pause_ms: u64,
    pieces: Vec<u8>,
}

impl Guard {
    pub(super) fn new(limits: Limits) -> Self {
        Self { limits, rate: Rate::new(&limits, 0), pause_ms: 0, pieces: Vec::new() }
    }

    /// How long nothing more should be read from the peer, in milliseconds.
    pub(super) fn pause_ms(&self) -> u64 {
        self.pause_ms
    }

    /// Checks one frame as it came; gives a whole frame, or `None` while pieces of one are still to come.
    pub(super) fn admit(&mut self, bytes: &[u8], now_ms: u64) -> Result<Option<Frame>, Refusal> {
        let too_large = |what: &str, bytes: usize, most: usize| Refusal::TooLarge {
            what: what.to_owned(),
            bytes: bytes as u64,
            most: most as u64,
        };
        if bytes.len() > self.limits.frame_bytes {
            return Err(too_large("a frame", bytes.len(), self.limits.frame_bytes));
        }
        self.pause_ms = self.rate.take(bytes.len(), now_ms);
        match Frame::from_bytes(bytes)? {
            Frame::Piece { last, bytes } => {
                let whole = self.pieces.len() + bytes.len();
                if whole > self.limits.message_bytes {
                    return Err(too_large("a message", whole, self.limits.message_bytes));
                }
                self.pieces.extend(bytes);
                if !last {
                    return Ok(None);
                }
                match Frame::from_bytes(&std::mem::take(&mut self.pieces))? {
                    Frame::Piece { .. } => Err(grammar("a piece of a piece")),
                    frame => Ok(Some(frame)),
                }
            }
            _ if !self.pieces.is_empty() => Err(grammar("a frame between the pieces of another")),
            frame => Ok(Some(frame)),
        }
    }

    /// Cuts a frame's bytes into frames that are small enough.
    pub(super) fn cut(&self, frame: Vec<u8>) -> Vec<Vec<u8>> {
        // A piece's own head takes at most 8 bytes.
        let most = self.limits.frame_bytes.saturating_sub(16).max(1);
        if frame.len() <= most {
            return vec![frame];
        }
        let count = frame.len().div_ceil(most);
        let pieces = frame.chunks(most).enumerate();
        pieces.map(|(n, bytes)| Frame::Piece { last: n + 1 == count, bytes: bytes.to_vec() }.to_bytes()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::DocumentId;

    fn document(length: usize) -> Frame {
        Frame::Document { document: DocumentId::Register { part: 1 }, message: vec![7; length] }
    }

    #[test]
    fn a_large_frame_goes_through_in_pieces_and_comes_out_whole() {
        let mut guard = Guard::new(Limits::default());
        for length in [0, 1, 262_000, 262_144, 262_200, 600_000, 1_000_000] {
            let frame = document(length);
            let sent = guard.cut(frame.to_bytes());
            let mut got: Vec<Frame> =
                sent.iter().filter_map(|bytes| guard.admit(bytes, 0).expect("within the limits")).collect();
            assert_eq!((got.len(), got.pop()), (1, Some(frame)), "{length} bytes in {} frames", sent.len());
        }
    }

    #[test]
    fn what_is_too_large_is_refused_before_it_is_read() {
        let mut guard = Guard::new(Limits::default());
        let refused = guard.admit(&vec![0; 262_145], 0).unwrap_err();
        assert!(matches!(refused, Refusal::TooLarge { bytes: 262_145, most: 262_144, .. }), "{refused}");
        let piece = Frame::Piece { last: false, bytes: vec![0; 200_000] }.to_bytes();
        let refused = (0..10).find_map(|_| guard.admit(&piece, 0).err()).expect("refused in the end");
        assert!(matches!(refused, Refusal::TooLarge { bytes: 1_200_000, .. }), "{refused}");
    }

    #[test]
    fn nothing_comes_between_pieces_and_no_piece_in_a_piece() {
        let mut guard = Guard::new(Limits::default());
        let piece = Frame::Piece { last: false, bytes: vec![1] };
        assert_eq!(guard.admit(&piece.to_bytes(), 0), Ok(None));
        assert!(guard.admit(&document(3).to_bytes(), 0).is_err());
        let mut guard = Guard::new(Limits::default());
        let inner = Frame::Piece { last: true, bytes: piece.to_bytes() };
        assert!(guard.admit(&inner.to_bytes(), 0).is_err());
    }

    #[test]
    fn a_peer_that_is_ahead_of_its_rate_waits_as_long_as_it_is_ahead() {
        let limits = Limits { sustained_bytes_per_s: 1_000, burst_bytes: 10_000, ..Limits::default() };
        let mut rate = Rate::new(&limits, 5_000);
        assert_eq!(rate.take(10_000, 5_000), 0);
        assert_eq!(rate.take(500, 5_000), 500);
        assert_eq!(rate.take(0, 5_500), 0);
        assert_eq!(rate.take(2_000, 5_000), 2_000, "a clock set back");
        assert_eq!(rate.take(0, u64::MAX), 0, "a clock set far ahead");
        assert_eq!(rate.take(10_000, u64::MAX), 0, "and no more than a burst is saved up");
        assert_eq!(rate.take(1, u64::MAX), 1);
    }
}
