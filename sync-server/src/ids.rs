//! Ids of crews and tokens.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use thiserror::Error;

/// Why a text is no id.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("this is not a {what} id; it should be {digits} hexadecimal digits")]
pub struct NotAnId {
    what: &'static str,
    digits: usize,
}

/// Writes bytes as hexadecimal digits in lower case.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn unhex<const N: usize>(text: &str) -> Option<[u8; N]> {
    if text.len() != 2 * N || !text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f')) {
        return None;
    }
    let mut bytes = [0; N];
    for (n, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(text.get(2 * n..2 * n + 2)?, 16).ok()?;
    }
    Some(bytes)
}

macro_rules! hex_id {
    ($(#[$doc:meta])* $name:ident, $bytes:literal, $what:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name([u8; $bytes]);

        impl $name {
            /// Takes the bytes of an id as they are.
            #[must_use]
            pub const fn from_bytes(bytes: [u8; $bytes]) -> Self {
                Self(bytes)
            }

            /// Returns the bytes of the id.
            #[must_use]
            pub const fn as_bytes(&self) -> &[u8; $bytes] {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&hex(&self.0))
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!($what, ":{}"), self)
            }
        }

        impl FromStr for $name {
            type Err = NotAnId;

            /// Reads the hexadecimal digits, lower case only: one id has one way of writing it.
            fn from_str(text: &str) -> Result<Self, NotAnId> {
                unhex(text).map(Self).ok_or(NotAnId { what: $what, digits: 2 * $bytes })
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
            }
        }
    };
}

hex_id!(
    /// A crew, written as 32 hexadecimal digits.
    CrewId, 16, "crew"
);
hex_id!(
    /// A token's public name, written as 16 hexadecimal digits. It opens nothing.
    TokenId, 8, "token"
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_is_read_back_as_it_was_written_and_nothing_else_is_read() {
        let id = CrewId::from_bytes(std::array::from_fn(|n| n as u8 * 17));
        assert_eq!(id.to_string(), "00112233445566778899aabbccddeeff");
        assert_eq!(id.to_string().parse(), Ok(id));
        for wrong in [
            "",
            "0011",
            "00112233445566778899AABBCCDDEEFF",
            "../../../../../../etc/passwd/././",
            "0011223344556677é899aabbccddee",
        ] {
            assert!(wrong.parse::<CrewId>().is_err(), "{wrong}");
        }
    }
}
