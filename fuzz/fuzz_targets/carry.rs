//! Carry files.
#![no_main]

use embertally_core::log::Log;
use embertally_core::store::MemoryStore;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let _ = Log::open(MemoryStore::new(), || 4).absorb(bytes);
});
