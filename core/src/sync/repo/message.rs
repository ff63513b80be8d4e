//! The messages of the automerge-repo protocol, and their bytes (CBOR, RFC 8949).

use minicbor::data::{Tag, Type};
use minicbor::{Decoder, Encoder};

use super::id::RepoId;

/// The most bytes that a message has beside the CRDT's own.
pub const MAX_HEAD_BYTES: usize = 4 << 10;

/// The version of the protocol that is spoken here.
pub(super) const VERSION: &str = "1";

/// The most keys of a message's map; stock ones have at most eight.
const MOST_KEYS: u64 = 32;
/// The longest text that is looked at, in bytes.
const LONGEST_TEXT: usize = 512;
/// The most versions that a client may offer.
const MOST_VERSIONS: u64 = 16;
/// A byte string as a typed array of bytes (RFC 8746).
const TYPED_BYTES: u64 = 64;

/// One message. `sender` and `target` are the ids that the two sides gave themselves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RepoMessage {
    /// The client's first word.
    Join {
        /// The client.
        sender: String,
        /// Whether it speaks version 1; one that names no version does.
        speaks_ours: bool,
    },
    /// The answer to it.
    Peer {
        /// The server.
        sender: String,
        /// The client.
        target: String,
    },
    /// The CRDT's message about a document. A client that has nothing of it yet sends it as a request, and wants to be
    /// told if it is not there.
    Sync {
        /// Who sends it.
        sender: String,
        /// Whom it is for.
        target: String,
        /// The document.
        document: RepoId,
        /// The CRDT's message.
        data: Vec<u8>,
        /// Whether it is a request.
        request: bool,
    },
    /// A document is not here.
    Unavailable {
        /// Who says so.
        sender: String,
        /// To whom.
        target: String,
        /// The document.
        document: RepoId,
    },
    /// The last word before the connection ends.
    Error {
        /// Who says so.
        sender: String,
        /// To whom.
        target: String,
        /// What was wrong.
        message: String,
    },
    /// The client goes.
    Leave {
        /// The client.
        sender: String,
    },
    /// Of a kind that nothing is done about: words between clients, news of others' heads, kinds of later versions.
    Ignored,
}

type Out = Encoder<Vec<u8>>;
type Written = Result<(), minicbor::encode::Error<std::convert::Infallible>>;

/// Writes a map's head and the keys that all messages have.
fn head(out: &mut Out, keys: u64, kind: &str, sender: &str) -> Written {
    out.map(keys)?.str("type")?.str(kind)?.str("senderId")?.str(sender)?;
    Ok(())
}

impl RepoMessage {
    /// Returns the message's bytes.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut out = Encoder::new(Vec::new());
        // Writing to memory cannot fail.
        let _ = self.write(&mut out);
        out.into_writer()
    }

    fn write(&self, out: &mut Out) -> Written {
        match self {
            Self::Join { sender, .. } => {
                head(out, 4, "join", sender)?;
                out.str("peerMetadata")?.map(0)?.str("supportedProtocolVersions")?.array(1)?.str(VERSION)?;
            }
            Self::Peer { sender, target } => {
                head(out, 5, "peer", sender)?;
                out.str("peerMetadata")?.map(0)?.str("selectedProtocolVersion")?.str(VERSION)?;
                out.str("targetId")?.str(target)?;
            }
            Self::Sync { sender, target, document, data, request } => {
                head(out, 5, if *request { "request" } else { "sync" }, sender)?;
                out.str("targetId")?.str(target)?.str("documentId")?.str(&document.to_string())?;
                out.str("data")?.bytes(data)?;
            }
            Self::Unavailable { sender, target, document } => {
                head(out, 4, "doc-unavailable", sender)?;
                out.str("targetId")?.str(target)?.str("documentId")?.str(&document.to_string())?;
            }
            Self::Error { sender, target, message } => {
                head(out, 4, "error", sender)?;
                out.str("targetId")?.str(target)?.str("message")?.str(message)?;
            }
            Self::Leave { sender } => head(out, 2, "leave", sender)?,
            Self::Ignored => head(out, 2, "ephemeral", "")?,
        }
        Ok(())
    }

    /// Reads a message. Keys that are not known here are skipped, whatever they hold.
    ///
    /// # Errors
    /// What was wrong, and at which byte.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, String> {
        let mut from = Decoder::new(bytes);
        let keys = Keys::read(&mut from).map_err(|what| format!("byte {}: {what}", from.position()))?;
        if from.position() != bytes.len() {
            return Err(format!("byte {}: there is more than one message", from.position()));
        }
        keys.message()
    }
}

/// The keys that are looked at.
#[derive(Default)]
struct Keys {
    kind: Option<String>,
    sender: Option<String>,
    target: Option<String>,
    document: Option<String>,
    message: Option<String>,
    data: Option<Vec<u8>>,
    versions: Option<Vec<String>>,
}

impl Keys {
    fn read(from: &mut Decoder<'_>) -> Result<Self, String> {
        let mut keys = Self::default();
        let count = definite(from.map(), "a map")?;
        if count > MOST_KEYS {
            return Err(format!("a message with {count} keys"));
        }
        for _ in 0..count {
            let key = text(from)?;
            match key.as_str() {
                "type" => once(&mut keys.kind, text(from)?, &key)?,
                "senderId" => once(&mut keys.sender, text(from)?, &key)?,
                "targetId" => once(&mut keys.target, text(from)?, &key)?,
                "documentId" => once(&mut keys.document, text(from)?, &key)?,
                "message" => once(&mut keys.message, text(from)?, &key)?,
                "data" => once(&mut keys.data, byte_string(from)?, &key)?,
                "supportedProtocolVersions" => once(&mut keys.versions, texts(from)?, &key)?,
                _ => from.skip().map_err(|e| e.to_string())?,
            }
        }
        Ok(keys)
    }

    fn message(self) -> Result<RepoMessage, String> {
        let missing = |what: &str| format!("a message without {what}");
        let kind = self.kind.ok_or_else(|| missing("a type"))?;
        if !["join", "peer", "sync", "request", "doc-unavailable", "error", "leave"].contains(&kind.as_str()) {
            return Ok(RepoMessage::Ignored);
        }
        let sender = self.sender.ok_or_else(|| missing("senderId"))?;
        let target = self.target.ok_or_else(|| missing("targetId"));
        let document = || -> Result<RepoId, String> {
            let text = self.document.as_deref().ok_or_else(|| missing("documentId"))?;
            text.parse().map_err(|e: super::NotARepoId| e.to_string())
        };
        Ok(match kind.as_str() {
            "join" => {
                let speaks_ours = self.versions.is_none_or(|versions| versions.iter().any(|v| v == VERSION));
                RepoMessage::Join { sender, speaks_ours }
            }
            "peer" => RepoMessage::Peer { sender, target: target? },
            "doc-unavailable" => RepoMessage::Unavailable { sender, target: target?, document: document()? },
            "error" => {
                let message = self.message.ok_or_else(|| missing("message"))?;
                RepoMessage::Error { sender, target: target?, message }
            }
            "leave" => RepoMessage::Leave { sender },
            kind => {
                let (document, request) = (document()?, kind == "request");
                let data = self.data.ok_or_else(|| missing("data"))?;
                RepoMessage::Sync { sender, target: target?, document, data, request }
            }
        })
    }
}

/// Keeps a key's value; a second one would let two readers of one message disagree.
fn once<T>(place: &mut Option<T>, value: T, key: &str) -> Result<(), String> {
    if place.replace(value).is_some() { Err(format!("{key} twice")) } else { Ok(()) }
}

fn definite(length: Result<Option<u64>, minicbor::decode::Error>, what: &str) -> Result<u64, String> {
    length.map_err(|e| e.to_string())?.ok_or_else(|| format!("{what} of no stated length"))
}

fn text(from: &mut Decoder<'_>) -> Result<String, String> {
    let text = from.str().map_err(|e| e.to_string())?;
    if text.len() > LONGEST_TEXT {
        return Err(format!("a text of {} bytes; at most {LONGEST_TEXT} are taken", text.len()));
    }
    Ok(text.to_owned())
}

fn texts(from: &mut Decoder<'_>) -> Result<Vec<String>, String> {
    let count = definite(from.array(), "a list")?;
    if count > MOST_VERSIONS {
        return Err(format!("a list of {count} versions"));
    }
    (0..count).map(|_| text(from)).collect()
}

/// Reads bytes, also those that are marked as a typed array, as some encoders of JavaScript do.
fn byte_string(from: &mut Decoder<'_>) -> Result<Vec<u8>, String> {
    if from.datatype().map_err(|e| e.to_string())? == Type::Tag {
        let tag = from.tag().map_err(|e| e.to_string())?;
        if tag != Tag::new(TYPED_BYTES) {
            return Err(format!("bytes with the tag {}", tag.as_u64()));
        }
    }
    from.bytes().map(<[u8]>::to_vec).map_err(|e| e.to_string())
}
