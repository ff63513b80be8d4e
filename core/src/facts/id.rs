//! Identifiers, and how they are made and written.
//!
//! Two ways of making one, both of RFC 9562, both 16 bytes and both written as the usual 36 characters in lower case:
//!
//! - **Version 7** (time and random bits, both handed in) for what happens once on one device: entries, devices.
//! - **Version 5** (SHA-1 of a name) for what the whole crew calls by a name: lots, fuses, modules, people, outings.
//!   Two phones that never met and both wrote down lot "A-17" mean the same lot; with one id for one name their logs
//!   meet without anybody having to say so. A wrong name is withdrawn and replaced, never edited in place.

use std::fmt;
use std::str::FromStr;

use thiserror::Error;
use uuid::Uuid;

use super::crew::KeyBytes;

/// Why a text is not an identifier.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum IdError {
    /// The text is not a UUID.
    #[error("{text:?} is not a {what} id; it should look like 017f22e2-79b0-7cc3-98c4-dc0c0c07398f")]
    NotAnId {
        /// Which kind of id was wanted.
        what: &'static str,
        /// The text.
        text: String,
    },
    /// The part after the id is not a number.
    #[error("{text:?} is not a {what} id; it should look like {shape}")]
    BadSuffix {
        /// Which kind of id was wanted.
        what: &'static str,
        /// The text.
        text: String,
        /// What it should look like.
        shape: &'static str,
    },
}

/// The source of random bits for new ids: the caller hands in one that suits it (the system's, or a seeded one in tests).
pub trait RandomBits {
    /// Returns 64 fresh random bits.
    fn next_u64(&mut self) -> u64;
}

impl<F: FnMut() -> u64> RandomBits for F {
    fn next_u64(&mut self) -> u64 {
        self()
    }
}

/// Makes a UUID version 7 (RFC 9562 §5.7) from a time in milliseconds since 1970 and 74 random bits.
///
/// Times outside the 48-bit field (before 1970, after the year 10889) are held at its ends.
fn uuid_v7(unix_ms: i64, random: &mut dyn RandomBits) -> Uuid {
    let ms = u64::try_from(unix_ms).unwrap_or(0).min((1 << 48) - 1);
    let (a, b) = (random.next_u64(), random.next_u64());
    let high = (ms << 16) | 0x7000 | (a & 0x0fff);
    let low = (0b10 << 62) | (b >> 2);
    Uuid::from_u64_pair(high, low)
}

/// The namespace of all version 5 ids of this program (a fixed random UUID).
const NAMESPACE: Uuid = Uuid::from_u128(0x6f1d_0c6e_93a4_4d0b_8a3e_51c7_2b9f_e604);

/// Returns `name` as it is compared: outer white space cut, inner white space single, letters in lower case.
#[must_use]
pub fn comparable_name(name: &str) -> String {
    name.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase()
}

fn uuid_v5(kind: &str, name: &str) -> Uuid {
    let full = format!("{kind}\u{1f}{}", comparable_name(name));
    Uuid::new_v5(&NAMESPACE, full.as_bytes())
}

macro_rules! id_type {
    ($(#[$doc:meta])* $name:ident, $what:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(Uuid);

        impl $name {
            /// Takes the 16 bytes of an id as they are.
            #[must_use]
            pub const fn from_bytes(bytes: [u8; 16]) -> Self {
                Self(Uuid::from_bytes(bytes))
            }

            /// Returns the 16 bytes of the id.
            #[must_use]
            pub const fn as_bytes(&self) -> &[u8; 16] {
                self.0.as_bytes()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(self.0.as_hyphenated(), f)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!($what, ":{}"), self.0.as_hyphenated())
            }
        }

        impl FromStr for $name {
            type Err = IdError;

            fn from_str(text: &str) -> Result<Self, IdError> {
                Uuid::try_parse(text)
                    .map(Self)
                    .map_err(|_| IdError::NotAnId { what: $what, text: text.to_owned() })
            }
        }
    };
}

macro_rules! timed_id {
    ($(#[$doc:meta])* $name:ident, $what:literal) => {
        id_type!($(#[$doc])* $name, $what);

        impl $name {
            /// Makes a new id from a time in milliseconds since 1970 and random bits, both handed in.
            #[must_use]
            pub fn new(unix_ms: i64, random: &mut dyn RandomBits) -> Self {
                Self(uuid_v7(unix_ms, random))
            }

            /// Returns the time in the id, in milliseconds since 1970; `None` if the id is not of version 7.
            #[must_use]
            pub fn unix_ms(&self) -> Option<i64> {
                (self.0.get_version_num() == 7).then(|| (self.0.as_u64_pair().0 >> 16) as i64)
            }
        }
    };
}

macro_rules! named_id {
    ($(#[$doc:meta])* $name:ident, $what:literal) => {
        id_type!($(#[$doc])* $name, $what);

        impl $name {
            /// Returns the id that belongs to a name; names that differ only in case or spacing give the same id.
            #[must_use]
            pub fn named(name: &str) -> Self {
                Self(uuid_v5($what, name))
            }
        }
    };
}

timed_id!(
    /// One entry: what a device writes in one go.
    EntryId, "entry"
);
timed_id!(
    /// One device of the crew.
    DeviceId, "device"
);
named_id!(
    /// An igniter type.
    TypeId, "type"
);
named_id!(
    /// A lot of igniters.
    LotId, "lot"
);
named_id!(
    /// A fuse.
    FuseId, "fuse"
);
named_id!(
    /// A firing module.
    ModuleId, "module"
);
named_id!(
    /// A member of the crew.
    PersonId, "person"
);
named_id!(
    /// An outing.
    OutingId, "outing"
);

id_type!(
    /// One crew; it follows from its founder's key.
    CrewId, "crew"
);

/// Returns the BLAKE3 hash of a key in a given use, as 64-bit words.
fn key_words(used_as: &str, key: &KeyBytes) -> [u64; 4] {
    let mut hasher = blake3::Hasher::new();
    hasher.update(used_as.as_bytes()).update(key);
    let hash = hasher.finalize();
    let (chunks, _) = hash.as_bytes().as_chunks::<8>();
    let mut words = [0; 4];
    words.iter_mut().zip(chunks).for_each(|(word, chunk)| *word = u64::from_be_bytes(*chunk));
    words
}

impl CrewId {
    /// Returns the id of the crew that a key founds: a UUID of version 8 (RFC 9562 §5.8) made from its hash.
    #[must_use]
    pub fn founded_by(key: &KeyBytes) -> Self {
        let [high, low, ..] = key_words("embertally crew", key);
        Self(Uuid::from_u64_pair((high & !0xf000) | 0x8000, (0b10 << 62) | (low >> 2)))
    }
}

impl DeviceId {
    /// Returns the id of a device with a key, made at a time: version 7, with the key's hash in place of random bits.
    #[must_use]
    pub fn of_key(unix_ms: i64, key: &KeyBytes) -> Self {
        let mut words = key_words("embertally device", key).into_iter();
        Self(uuid_v7(unix_ms, &mut move || words.next().unwrap_or(0)))
    }

    /// Tells whether this is the id of a device with this key. 74 bits of the key's hash stand in the id, so nobody
    /// finds a second key for a device.
    #[must_use]
    pub fn belongs_to(&self, key: &KeyBytes) -> bool {
        self.unix_ms().is_some_and(|ms| Self::of_key(ms, key) == *self)
    }

    /// Tells whether this stands for a name in a file that somebody brought, and not for a device with a key.
    #[must_use]
    pub fn is_name(&self) -> bool {
        self.0.get_version_num() == 5
    }
}

impl EntryId {
    /// Makes the id of an entry from its content, so that the same content read twice is the same entry.
    ///
    /// `digest` is a hash of the content; the result has the shape of version 7, with `unix_ms` as its time and the
    /// digest in place of the random bits.
    #[must_use]
    pub fn from_content(unix_ms: i64, digest: &[u8; 32]) -> Self {
        let mut words = digest.chunks_exact(8).map(|c| {
            let mut w = [0; 8];
            w.copy_from_slice(c);
            u64::from_be_bytes(w)
        });
        let mut next = move || words.next().unwrap_or(0);
        Self(uuid_v7(unix_ms, &mut next))
    }

    /// Makes the id of an entry from its time for order and its bytes.
    #[must_use]
    pub fn of_bytes(unix_ms: i64, bytes: &[u8]) -> Self {
        let mut hasher = blake3::Hasher::new();
        hasher.update(b"embertally entry 1\0").update(bytes);
        Self::from_content(unix_ms, hasher.finalize().as_bytes())
    }

    /// Tells whether this is the id of an entry with these bytes. 74 bits of their hash stand in it, so nobody puts
    /// anything else under an id that is taken.
    #[must_use]
    pub fn fits(&self, bytes: &[u8]) -> bool {
        self.unix_ms().is_some_and(|ms| Self::of_bytes(ms, bytes) == *self)
    }
}

impl DeviceId {
    /// Returns the id of a device known only by a name in a file that somebody brought.
    #[must_use]
    pub fn named(name: &str) -> Self {
        Self(uuid_v5("device", name))
    }
}

/// One fact: the entry that holds it, and its place in that entry. Written `ENTRY.PLACE`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FactId {
    /// The entry.
    pub entry: EntryId,
    /// The fact's place in the entry, from 0.
    pub place: u16,
}

impl FactId {
    /// Returns the end of its entry's id, as lists show it: the end is random, the beginning is a time. With its place,
    /// where it is not the first fact of its entry.
    #[must_use]
    pub fn short(self) -> String {
        /// How many letters are shown.
        const SHORT: usize = 8;
        let entry = self.entry.to_string();
        let end = entry.get(entry.len().saturating_sub(SHORT)..).unwrap_or(&entry);
        if self.place == 0 { end.to_owned() } else { format!("{end}.{}", self.place) }
    }
}

impl fmt::Display for FactId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.entry, self.place)
    }
}

impl fmt::Debug for FactId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "fact:{self}")
    }
}

impl FromStr for FactId {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let bad = || IdError::BadSuffix { what: "fact", text: text.to_owned(), shape: "ENTRY.PLACE" };
        let (entry, place) = text.split_once('.').ok_or_else(bad)?;
        Ok(Self { entry: entry.parse()?, place: place.parse().map_err(|_| bad())? })
    }
}

/// One volley: the fact that first stated it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct VolleyId(pub FactId);

impl fmt::Display for VolleyId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Debug for VolleyId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "volley:{}", self.0)
    }
}

impl FromStr for VolleyId {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        text.parse().map(Self)
    }
}

/// One shot: its volley, and its position in it from 1. Written `ENTRY.PLACE:POSITION`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ShotId {
    /// The volley.
    pub volley: VolleyId,
    /// The position in the volley, from 1.
    pub position: u16,
}

impl fmt::Display for ShotId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.volley, self.position)
    }
}

impl fmt::Debug for ShotId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "shot:{self}")
    }
}

impl FromStr for ShotId {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let bad = || IdError::BadSuffix { what: "shot", text: text.to_owned(), shape: "ENTRY.PLACE:POSITION" };
        let (volley, position) = text.split_once(':').ok_or_else(bad)?;
        Ok(Self { volley: volley.parse()?, position: position.parse().map_err(|_| bad())? })
    }
}

/// One document of a log, numbered in parts because a part is closed when it is full.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DocumentId {
    /// A part of the crew's register.
    Register {
        /// The part, from 1.
        part: u32,
    },
    /// A part of an outing.
    Outing {
        /// The outing.
        outing: OutingId,
        /// The part, from 1.
        part: u32,
    },
    /// A part of what names one person: their name lives here and nowhere else, so that it can be dropped whole.
    Person {
        /// The person.
        person: PersonId,
        /// The part, from 1.
        part: u32,
    },
}

impl fmt::Display for DocumentId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Register { part } => write!(f, "register/{part}"),
            Self::Outing { outing, part } => write!(f, "outing/{outing}/{part}"),
            Self::Person { person, part } => write!(f, "person/{person}/{part}"),
        }
    }
}

impl FromStr for DocumentId {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let bad = || IdError::BadSuffix {
            what: "document",
            text: text.to_owned(),
            shape: "register/PART, outing/OUTING/PART or person/PERSON/PART",
        };
        let part = |p: &str| p.parse::<u32>().ok().filter(|p| *p > 0).ok_or_else(bad);
        match text.split('/').collect::<Vec<_>>().as_slice() {
            ["register", p] => Ok(Self::Register { part: part(p)? }),
            ["outing", outing, p] => Ok(Self::Outing { outing: outing.parse()?, part: part(p)? }),
            ["person", person, p] => Ok(Self::Person { person: person.parse()?, part: part(p)? }),
            _ => Err(bad()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worked_example_of_rfc_9562_a6_is_made_and_read() {
        // RFC 9562 appendix A.6: 2022-02-22T19:22:22Z, rand_a 0xCC3, rand_b 0x18C4DC0C0C07398F.
        let mut bits = [0xcc3_u64, 0x18c4_dc0c_0c07_398f << 2].into_iter();
        let id = EntryId::new(1_645_557_742_000, &mut || bits.next().unwrap());
        assert_eq!(id.to_string(), "017f22e2-79b0-7cc3-98c4-dc0c0c07398f");
        assert_eq!(id.unix_ms(), Some(1_645_557_742_000));
        assert_eq!("017F22E2-79B0-7CC3-98C4-DC0C0C07398F".parse(), Ok(id));
    }

    #[test]
    fn one_name_is_one_id_whatever_its_case_and_spacing() {
        assert_eq!(LotId::named("A 17"), LotId::named("  a   17 "));
        assert_ne!(LotId::named("A 17"), LotId::named("A17"));
        assert_ne!(LotId::named("x").as_bytes(), FuseId::named("x").as_bytes());
    }

    #[test]
    fn composed_ids_read_back_what_they_print() {
        let mut n = 0;
        let entry = EntryId::new(5, &mut || {
            n += 1;
            n
        });
        let shot = ShotId { volley: VolleyId(FactId { entry, place: 3 }), position: 10 };
        assert_eq!(shot.to_string().parse(), Ok(shot));
        for doc in [
            DocumentId::Register { part: 2 },
            DocumentId::Outing { outing: OutingId::named("dry run"), part: 1 },
            DocumentId::Person { person: PersonId::named("Ada"), part: 3 },
        ] {
            assert_eq!(doc.to_string().parse(), Ok(doc));
        }
        assert!("register/0".parse::<DocumentId>().is_err());
        assert!("outing/x/1".parse::<DocumentId>().is_err());
    }
}
