//! A token in use: its secret's hash, its sessions, its revocation.

use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use embertally_core::facts::DeviceId;
use tokio::sync::watch;

use super::record::TokenRecord;
use crate::bucket::Bucket;
use crate::clock::{now_ms, random};
use crate::error::ServerError;
use crate::ids::TokenId;
use crate::limits::ServerLimits;

/// The length of a secret's text: 32 bytes in base64url.
const LENGTH: usize = 43;

/// Makes a secret and its hash.
pub(crate) fn fresh() -> Result<(String, blake3::Hash), ServerError> {
    let bytes: [u8; 32] = random()?;
    Ok((URL_SAFE_NO_PAD.encode(bytes), blake3::hash(&bytes)))
}

/// Returns the hash of a secret's text; `None` if it is no secret's text at all.
pub(super) fn hash(secret: &str) -> Option<blake3::Hash> {
    if secret.len() != LENGTH {
        return None;
    }
    let mut bytes = [0; 33];
    let length = URL_SAFE_NO_PAD.decode_slice(secret, &mut bytes).ok()?;
    (length == 32).then(|| blake3::hash(bytes.first_chunk::<32>().map_or(&[][..], |b| b)))
}

/// Returns the public name that a hash gives: its first 8 bytes, which tell nothing of the secret.
pub(super) fn id_of(hash: &blake3::Hash) -> TokenId {
    TokenId::from_bytes(hash.as_bytes().first_chunk().copied().unwrap_or_default())
}

/// A token that is known here.
#[derive(Debug)]
pub struct Token {
    record: TokenRecord,
    /// The member's device that it stands for, where it is none of the operator's.
    guest: Option<DeviceId>,
    /// Milliseconds since 1970; 0 while it counts.
    revoked_ms: AtomicU64,
    /// Whether its sessions are over.
    closed: watch::Sender<bool>,
    why: Mutex<Option<String>>,
    seats: AtomicUsize,
    most_seats: usize,
    requests: Mutex<Bucket>,
    frames: Mutex<Bucket>,
    /// Conversations that ended for what the device sent.
    faults: Mutex<Bucket>,
}

impl Token {
    pub(super) fn new(record: TokenRecord, limits: &ServerLimits) -> Self {
        let now = Instant::now();
        Self {
            revoked_ms: AtomicU64::new(record.revoked_ms.unwrap_or(0)),
            closed: watch::Sender::new(record.revoked_ms.is_some()),
            guest: None,
            why: Mutex::default(),
            record,
            seats: AtomicUsize::new(0),
            most_seats: limits.connections_per_token,
            requests: Mutex::new(Bucket::new(limits.requests_at_once, f64::from(limits.requests_per_s), now)),
            frames: Mutex::new(Bucket::new(limits.frames_at_once, f64::from(limits.frames_per_s), now)),
            faults: Mutex::new(Bucket::new(20, 0.1, now)),
        }
    }

    /// Makes the token of a member's device, which is kept nowhere.
    pub(super) fn of_guest(record: TokenRecord, device: DeviceId, limits: &ServerLimits) -> Self {
        Self { guest: Some(device), ..Self::new(record, limits) }
    }

    /// Returns the member's device that it stands for; `None`: it is one of the operator's.
    #[must_use]
    pub fn guest(&self) -> Option<DeviceId> {
        self.guest
    }

    /// Returns the token as it was made.
    #[must_use]
    pub fn record(&self) -> &TokenRecord {
        &self.record
    }

    pub(super) fn as_it_stands(&self) -> TokenRecord {
        let revoked_ms = Some(self.revoked_ms.load(Ordering::Acquire)).filter(|ms| *ms > 0);
        TokenRecord { revoked_ms, ..self.record.clone() }
    }

    /// Compares in constant time.
    pub(super) fn matches(&self, hash: &blake3::Hash) -> bool {
        self.record.hash == *hash
    }

    /// Tells whether it was revoked.
    #[must_use]
    pub fn is_revoked(&self) -> bool {
        self.revoked_ms.load(Ordering::Acquire) > 0
    }

    pub(super) fn revoke(&self, at_ms: Option<u64>) {
        self.revoked_ms.store(at_ms.unwrap_or(1).max(1), Ordering::Release);
        self.close("this token was revoked");
    }

    /// Ends its sessions, and says why; the first reason stays.
    pub(super) fn close(&self, why: &str) {
        self.why.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert_with(|| why.to_owned());
        self.closed.send_replace(true);
    }

    /// Ends it for good, and its sessions.
    pub(super) fn end(&self, why: &str) {
        self.revoked_ms.store(now_ms().max(1), Ordering::Release);
        self.close(why);
    }

    /// Tells whether its sessions are over, and why.
    #[must_use]
    pub fn why_closed(&self) -> Option<String> {
        self.why.lock().unwrap_or_else(PoisonError::into_inner).clone().filter(|_| self.is_closed())
    }

    /// Tells whether its sessions are over: it was revoked, or it opens no conversation any more.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        *self.closed.borrow()
    }

    /// Waits until its sessions are over.
    pub(crate) async fn until_revoked(&self) {
        let mut closed = self.closed.subscribe();
        // The sender lives in `self`, so this ends by a closing only.
        drop(closed.wait_for(|is| *is).await);
    }

    /// Takes one of the sockets that the token may have at one time; `None` if all are taken.
    #[must_use]
    pub fn seat(self: &Arc<Self>) -> Option<Seat> {
        let taken =
            self.seats.fetch_update(Ordering::AcqRel, Ordering::Acquire, |n| (n < self.most_seats).then_some(n + 1));
        taken.is_ok().then(|| Seat(self.clone()))
    }

    /// Counts a request of the HTTP part; `false` if there were too many.
    pub(crate) fn may_ask(&self) -> bool {
        self.requests.lock().unwrap_or_else(PoisonError::into_inner).take(1, Instant::now())
    }

    /// Counts a frame; returns how long nothing more should be read.
    pub(crate) fn frame(&self) -> Duration {
        self.frames.lock().unwrap_or_else(PoisonError::into_inner).owe(1, Instant::now())
    }

    /// Counts a conversation that ended for what the device sent.
    pub(crate) fn at_fault(&self) {
        let _ = self.faults.lock().unwrap_or_else(PoisonError::into_inner).take(1, Instant::now());
    }

    /// Tells whether it may begin a conversation: not right after twenty that it spoilt.
    pub(crate) fn is_in_good_standing(&self) -> bool {
        self.faults.lock().unwrap_or_else(PoisonError::into_inner).has(1, Instant::now())
    }
}

/// One socket of a token; given back when dropped.
#[derive(Debug)]
pub struct Seat(Arc<Token>);

impl Seat {
    /// Returns whose it is.
    #[must_use]
    pub fn token(&self) -> &Arc<Token> {
        &self.0
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        self.0.seats.fetch_sub(1, Ordering::AcqRel);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_has_one_text_and_its_hash_is_of_the_bytes() {
        let (secret, made) = fresh().unwrap();
        assert_eq!(hash(&secret), Some(made));
        assert_eq!(secret.len(), LENGTH);
        // 43 characters carry 258 bits: a text whose last two bits are not 0 is no secret's text.
        let zeros = URL_SAFE_NO_PAD.encode([0; 32]);
        assert!(hash(&zeros).is_some());
        assert_eq!(hash(&format!("{}B", &zeros[..42])), None);
        for wrong in ["", &secret[..42], &format!("{secret}A"), &"/".repeat(43), &"é".repeat(21)] {
            assert_eq!(hash(wrong), None, "{wrong}");
        }
    }
}
