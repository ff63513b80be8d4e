//! Frames of the conversation.
#![no_main]

use embertally_core::sync::Frame;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(frame) = Frame::from_bytes(bytes) {
        let again = Frame::from_bytes(&frame.to_bytes());
        assert!(matches!(frame, Frame::Unknown(_) | Frame::Refuse(_)) || again == Ok(frame));
    }
});
