//! Pages of a carry file.
#![no_main]

use embertally_core::log::Gatherer;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let mut gatherer = Gatherer::default();
    for line in text.lines() {
        let _ = gatherer.take(line);
    }
    let _ = gatherer.whole();
});
