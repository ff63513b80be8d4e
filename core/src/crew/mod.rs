//! Who belongs to a crew, what their devices may write, and what stands sealed.
//!
//! Each device has an Ed25519 key, and its id follows from it. Every entry is signed by its device ([`envelope`]). Who may
//! write what follows from crew facts in the register, which build on each other: [`Roster`] works it out, the same on
//! every device whatever the order in which they came, and judges entries by it. What does not stand up is kept apart
//! with a reason ([`Apart`]); it is never counted.
//!
//! By file: `key` (a device's key), `envelope` (COSE_Sign1), `invite` (the code that lets a device in), `acts` (crew
//! facts, and which of them take effect), `roster` (members), `judge` (one entry), `seal`, `vault` (a key at rest),
//! `hybrid` (time for order), `visit` (a device proves to a server who it is), `paper` (a signed statement under a page).
//!
//! Not for: keeping or sending anything (`crate::log`, `crate::sync`), or where a key is kept (the shell's part).

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic))]

mod acts;
pub mod envelope;
mod hybrid;
mod invite;
mod judge;
mod key;
mod paper;
mod roster;
mod seal;
mod vault;
mod visit;

#[cfg(test)]
mod tests;

pub use envelope::{Envelope, EnvelopeError, Place};
pub use hybrid::{FARTHEST_AHEAD_MS, hybrid_ms};
pub use invite::{Invite, InviteError};
pub use judge::Apart;
pub use key::{DeviceKey, KeyError, PublicKey};
pub use paper::{Paper, PaperError};
pub use roster::{How, Member, Roster};
pub use seal::{SealFault, Sealed, digest_of, hash_of};
pub use vault::{SealedKey, VaultError};
pub use visit::Visit;
