//! A clock that steps, a key store in memory, and what waits for a future.

use std::sync::Arc;
use std::sync::Mutex;
use std::sync::atomic::{AtomicI64, Ordering};

use embertally_mobile::{CallbackError, Clock, Embertally, KeyStore, Moment};

/// One second later at each look.
pub(crate) struct Steps(AtomicI64);

impl Steps {
    pub(crate) fn new() -> Arc<Self> {
        // 2031-05-09T20:00:00+02:00
        Arc::new(Self(AtomicI64::new(1_936_116_000_000)))
    }
}

impl Clock for Steps {
    fn now(&self) -> Result<Moment, CallbackError> {
        Ok(Moment { unix_ms: self.0.fetch_add(1000, Ordering::Relaxed), offset_minutes: 120 })
    }
}

#[derive(Default)]
pub(crate) struct Pocket(Mutex<Option<Vec<u8>>>);

impl KeyStore for Pocket {
    fn load(&self) -> Result<Option<Vec<u8>>, CallbackError> {
        Ok(self.0.lock().unwrap().clone())
    }

    fn save(&self, secret: Vec<u8>) -> Result<(), CallbackError> {
        *self.0.lock().unwrap() = Some(secret);
        Ok(())
    }
}

pub(crate) fn wait<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().build().unwrap().block_on(future)
}

pub(crate) fn opened(folder: &std::path::Path) -> Arc<Embertally> {
    Embertally::open(folder.display().to_string(), None, Some(Steps::new()), None).unwrap()
}
