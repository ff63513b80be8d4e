//! The look through the CRDT's bytes.
#![no_main]

use embertally_core::log::{Allowance, screen};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let _ = screen(bytes, &mut Allowance { inflated_bytes: 8 << 20, rows: 200_000, chunks: 5_000 });
});
