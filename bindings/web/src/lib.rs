//! The core for browsers.
//!
//! Bytes of the log are kept in two files of the browser ([`store`]); what each screen shows is worked out here ([`app`]),
//! so that no rule and no formula is written again in TypeScript.
//!
//! Not for: drawing screens, sockets, timers. The page and its worker do that (`ui/`).

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic))]

pub mod app;
#[cfg(target_arch = "wasm32")]
pub mod bridge;
pub mod error;
pub mod store;
