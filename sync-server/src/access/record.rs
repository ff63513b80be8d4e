//! Crews and tokens as they are kept in the registry.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::error::ServerError;
use crate::ids::{CrewId, TokenId};

/// A crew.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CrewRecord {
    /// Its id, which also names its store.
    pub id: CrewId,
    /// What people call it.
    pub title: String,
    /// When it was made, in milliseconds since 1970.
    pub made_ms: u64,
}

/// What a token is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Reads and writes a crew's log.
    Writer,
    /// Reads a crew's log.
    Reader,
    /// Runs the server: crews, tokens, backups.
    Admin,
}

/// A token, without its secret.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TokenRecord {
    /// Its public name.
    pub id: TokenId,
    /// BLAKE3 of the secret.
    #[serde(with = "as_text")]
    pub(crate) hash: blake3::Hash,
    /// The crew it is for; none for the server's own.
    pub crew: Option<CrewId>,
    /// What it is for.
    pub role: Role,
    /// Whose it is, in whoever made it's words.
    pub label: String,
    /// When it was made, in milliseconds since 1970.
    pub made_ms: u64,
    /// When it was revoked.
    pub revoked_ms: Option<u64>,
}

mod as_text {
    use serde::{Deserialize, Deserializer, Serializer};

    pub(super) fn serialize<S: Serializer>(hash: &blake3::Hash, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(hash.to_hex().as_str())
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<blake3::Hash, D::Error> {
        blake3::Hash::from_hex(String::deserialize(deserializer)?).map_err(serde::de::Error::custom)
    }
}

pub(super) fn read<T: DeserializeOwned>(key: &str, value: &[u8]) -> Result<T, ServerError> {
    serde_json::from_slice(value).map_err(|_| ServerError::Registry { what: key.to_owned() })
}

pub(super) fn to_bytes(record: &impl Serialize) -> Result<Vec<u8>, ServerError> {
    serde_json::to_vec(record).map_err(|e| ServerError::Registry { what: e.to_string() })
}
