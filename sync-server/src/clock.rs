//! The one place where this crate asks for the time and for random bits.

use std::time::{SystemTime, UNIX_EPOCH};

use crate::error::ServerError;

/// Returns the time in milliseconds since 1970.
pub(crate) fn now_ms() -> u64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    u64::try_from(since.as_millis()).unwrap_or(u64::MAX)
}

/// Returns random bytes from the system.
///
/// # Errors
/// [`ServerError::NoRandom`]: without them no token is safe, so nothing is made.
pub(crate) fn random<const N: usize>() -> Result<[u8; N], ServerError> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(|e| ServerError::NoRandom { reason: e.to_string() })?;
    Ok(bytes)
}

/// Random bits for ids in a log.
///
/// They keep actor ids apart and are no secret. Should the system have none left while the server runs, the time and a
/// count stand in, so that a log that is open goes on.
pub(crate) fn random_bits() -> u64 {
    use std::sync::atomic::{AtomicU64, Ordering};
    static COUNT: AtomicU64 = AtomicU64::new(0);
    match random::<8>() {
        Ok(bytes) => u64::from_ne_bytes(bytes),
        Err(_) => {
            let count = COUNT.fetch_add(1, Ordering::Relaxed);
            let seed = blake3::hash(format!("{} {count} {}", now_ms(), std::process::id()).as_bytes());
            seed.as_bytes().first_chunk::<8>().map_or(count, |b| u64::from_ne_bytes(*b))
        }
    }
}
