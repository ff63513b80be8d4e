//! Which id a document has in the automerge-repo protocol.

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

use super::base58;
use crate::facts::DocumentId;

/// What stands before an id to make it a URL.
const URL: &str = "automerge:";

/// Keeps these hashes apart from all others (BLAKE3's key derivation mode).
const CONTEXT: &str = "embertally 2026-11 automerge-repo document id";

/// A text is no id of a document in the automerge-repo protocol.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("this is no document id of automerge-repo; it should be 16 bytes in Base58Check")]
pub struct NotARepoId;

/// The id of a document in the automerge-repo protocol: 16 bytes, written in Base58Check.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RepoId([u8; 16]);

impl RepoId {
    /// Returns the id of a document of a crew: the first 16 bytes of BLAKE3 over the crew's own id and the document's
    /// text form.
    ///
    /// It is the same on every server of a crew. The crew is part of it because a client that talks with two crews would
    /// take their registers for one document, and merge them.
    #[must_use]
    pub fn of(crew: &[u8], document: DocumentId) -> Self {
        let mut hasher = blake3::Hasher::new_derive_key(CONTEXT);
        hasher.update(&(crew.len() as u64).to_le_bytes()).update(crew).update(document.to_string().as_bytes());
        Self(hasher.finalize().as_bytes().first_chunk().copied().unwrap_or_default())
    }

    /// Returns the id as the URL by which a client finds the document.
    #[must_use]
    pub fn url(&self) -> String {
        format!("{URL}{self}")
    }
}

impl fmt::Display for RepoId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&base58::with_check(&self.0))
    }
}

impl FromStr for RepoId {
    type Err = NotARepoId;

    fn from_str(text: &str) -> Result<Self, NotARepoId> {
        base58::checked(text).and_then(|bytes| bytes.try_into().ok()).map(Self).ok_or(NotARepoId)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_is_read_back_and_differs_by_crew_and_document() {
        let register = DocumentId::Register { part: 1 };
        let id = RepoId::of(b"crew a", register);
        assert_eq!(id.to_string().parse(), Ok(id));
        assert_eq!(id.url(), format!("automerge:{id}"));
        assert_ne!(id, RepoId::of(b"crew b", register));
        assert_ne!(id, RepoId::of(b"crew a", DocumentId::Register { part: 2 }));
        // Clients keep URLs: the id of a document must never change.
        assert_eq!(id.to_string(), "oa38s9K55ELwwH1mYNNKUKKE3rC");
        assert_eq!("16UwLL9Risc3QfPqBUvKofHmBQ7wMtjvM".parse::<RepoId>(), Err(NotARepoId), "21 bytes");
    }
}
