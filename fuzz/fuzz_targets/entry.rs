//! Entries.
#![no_main]

use embertally_core::facts::{Entry, EntryId};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let id = EntryId::from_bytes([1; 16]);
    if let Ok(entry) = Entry::from_bytes(id, bytes) {
        let again = entry.to_bytes().map(|bytes| Entry::from_bytes(id, &bytes));
        assert_eq!(again.ok().and_then(Result::ok), Some(entry), "what is written is read back");
    }
});
