//! Who may write in a crew's log, and what a chief vouches for: facts of the register that build on each other.

use super::id::{DeviceId, EntryId, FactId, OutingId};
use super::time::Moment;
use super::words::Role;

/// An Ed25519 public key (RFC 8032): 32 bytes.
pub type KeyBytes = [u8; 32];

/// An Ed25519 signature (RFC 8032): 64 bytes.
pub type SignatureBytes = [u8; 64];

/// The first 16 bytes of the BLAKE3 hash of an entry's bytes, without its signature.
pub type EntryHash = [u8; 16];

/// A crew begins: the device that writes this is its first chief's.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Founding {
    /// The device's public key. The crew's id follows from it.
    pub key: KeyBytes,
    /// What the crew calls itself.
    pub name: String,
}

/// A chief will let in whoever holds the secret half of a key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invitation {
    /// The public half. The secret half travels in the code that is shown or sent.
    pub key: KeyBytes,
    /// The part that the new device will have.
    pub role: Role,
    /// Until when. An invitation that ended at the beginning of 1970 ends the one of the same key: who joins by it and was
    /// not known then needs a chief's confirmation.
    pub until: Moment,
    /// The crew facts known to the writer that no other known one builds on.
    pub after: Vec<FactId>,
}

/// A device joins by an invitation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Joining {
    /// The device's public key.
    pub key: KeyBytes,
    /// The invitation's public key.
    pub invitation: KeyBytes,
    /// A signature by the invitation's secret key over the crew and the device's key.
    pub proof: SignatureBytes,
    /// As for [`Invitation::after`].
    pub after: Vec<FactId>,
}

/// A chief says which part a device has from now on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// The device.
    pub device: DeviceId,
    /// Its public key, where it is let in without an invitation.
    pub key: Option<KeyBytes>,
    /// Its part; `None`: it is shut out.
    pub role: Option<Role>,
    /// Why.
    pub reason: String,
    /// Where it may do less than before: its entries that were known, ascending. They are judged by what it might do
    /// when it wrote them; all others by what it may do now.
    pub known: Vec<EntryId>,
    /// As for [`Invitation::after`].
    pub after: Vec<FactId>,
}

/// A device leaves the crew by its own will.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Leaving {
    /// Why.
    pub reason: String,
    /// The entries that it has written, ascending: they go on counting.
    pub known: Vec<EntryId>,
    /// As for [`Invitation::after`].
    pub after: Vec<FactId>,
}

/// An entry, and what it says, in a few bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Held {
    /// The entry.
    pub entry: EntryId,
    /// The hash of its bytes.
    pub hash: EntryHash,
}

/// A chief closes an outing: what counted in it at that time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seal {
    /// The outing.
    pub outing: OutingId,
    /// A part of the entries that counted, ascending; seals of one entry each hold another part.
    pub held: Vec<Held>,
    /// How many entries counted in all.
    pub count: u32,
    /// The BLAKE3 hash of all of them.
    pub digest: [u8; 32],
}

/// A chief vouches for entries that no member signed: those written before there was a crew.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Vouching {
    /// The entries, ascending.
    pub held: Vec<Held>,
    /// Why.
    pub reason: String,
}
