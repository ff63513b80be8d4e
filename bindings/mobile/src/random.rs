//! Random bits that never fail once the log is open.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::error::EmbertallyError;

/// The system's bits; should it ever have none, bits from a seed that it gave at the beginning.
#[derive(Debug, Clone)]
pub(crate) struct Random {
    seed: [u8; 32],
    drawn: Arc<AtomicU64>,
}

impl Random {
    pub(crate) fn of_system() -> Result<Self, EmbertallyError> {
        let mut seed = [0; 32];
        getrandom::fill(&mut seed).map_err(|e| {
            EmbertallyError::refused(
                "E_NO_RANDOM",
                format!("This system gives no random bits ({e}); nothing was written."),
            )
        })?;
        Ok(Self { seed, drawn: Arc::default() })
    }

    pub(crate) fn fill<const N: usize>(&self) -> [u8; N] {
        let mut bytes = [0; N];
        if getrandom::fill(&mut bytes).is_err() {
            let mut hash = blake3::Hasher::new_keyed(&self.seed);
            hash.update(&self.drawn.fetch_add(1, Ordering::Relaxed).to_le_bytes());
            hash.finalize_xof().fill(&mut bytes);
        }
        bytes
    }

    /// Returns a source of bits as ids and logs take them.
    pub(crate) fn bits(&self) -> impl FnMut() -> u64 + Send + 'static {
        let own = self.clone();
        move || u64::from_le_bytes(own.fill())
    }
}
