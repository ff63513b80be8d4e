//! The open automerge-repo network protocol, version 1, as a state machine without I/O: what a stock automerge-repo
//! client in Node or a browser speaks.
//!
//! The protocol: <https://github.com/automerge/automerge-repo/tree/main/packages/automerge-repo-network-websocket>. Each
//! message is one CBOR map with texts as keys. The client says `join`, this side answers `peer`; from then on `request`
//! and `sync` carry the CRDT's own messages about one document each, and either side may speak at any time.
//!
//! ```text
//! base58    Base58Check, the text form of a document's id there
//! id        which id a document has there
//! directory which documents there are, by those ids
//! message   the messages and their bytes
//! peers     what is known of what the client has, for many documents in bounded memory
//! unmet     exchanges that are not at their end
//! session   one connection
//! ```
//!
//! What a client is served is what it asks for: nothing is announced to it. It cannot make documents, since their ids
//! there cannot be turned back into ours; an outing begins on a device. The first part of the register is always there.
//!
//! Not for: the conversation between our own devices ([`super::Engine`]), which needs fewer bytes and rounds.

mod base58;
mod directory;
mod id;
mod message;
mod peers;
mod session;
mod unmet;

pub use id::{NotARepoId, RepoId};
pub use message::{MAX_HEAD_BYTES, RepoMessage};
pub use session::{RepoConfig, RepoSession};

#[cfg(test)]
mod tests;
