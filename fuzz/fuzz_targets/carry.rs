//! Carry files.
#![no_main]

use embertally_core::log::Log;
use embertally_core::store::MemoryStore;
use libfuzzer_sys::fuzz_target;

// The log contains the CRDT's panics; one that gets out still ends the run.
fuzz_target!(init: std::panic::set_hook(Box::new(|_| ())), |bytes: &[u8]| {
    let _ = Log::open(MemoryStore::new(), || 4).absorb(bytes);
});
