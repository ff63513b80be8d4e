//! What a device needs to reach its crew's server, as one text to hand over: by hand, by QR code, by any messenger.
//!
//! The form is `https://HOST:PORT/#crew=…&token=…&pin=…`, with `join=` (a chief's code, which lets one device into the
//! crew) in the place of `token=`, or neither: then the device is a member's and proves it by its key. `near=` is the code
//! by which the crew's devices meet with no server between. All that is secret stands behind the `#`: that part of an
//! address is never sent to a server (RFC 3986, 3.5), so it does not land in anybody's access log.

use std::fmt;
use std::net::Ipv6Addr;
use std::str::FromStr;

use embertally_core::crew::Invite;
use thiserror::Error;

use crate::code::Code;

/// The longest text that is read, in bytes.
const LONGEST: usize = 2_048;
/// The most addresses of one invitation.
const MOST_ADDRESSES: usize = 8;
/// The shortest and the longest token, in characters: 16 characters of a 64-letter alphabet are 96 bits.
const TOKEN: std::ops::RangeInclusive<usize> = 16..=256;

/// Why a text is no invitation.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum InvitationError {
    /// It does not begin as one.
    #[error("an invitation begins with https:// and has a #; ask for it anew, whole and in one line")]
    Form,
    /// It is too long to be one.
    #[error("{bytes} bytes are too long for an invitation")]
    TooLong {
        /// Its length.
        bytes: usize,
    },
    /// A part is missing.
    #[error("the invitation lacks its part `{part}`; perhaps it was cut off")]
    Missing {
        /// Which.
        part: &'static str,
    },
    /// A part stands there twice, so that nobody can tell which one holds.
    #[error("the invitation has its part `{part}` twice")]
    Twice {
        /// Which.
        part: &'static str,
    },
    /// A part is not what it should be.
    #[error("the part `{part}` of the invitation is wrong: {what}")]
    Wrong {
        /// Which.
        part: &'static str,
        /// What it should be.
        what: &'static str,
    },
}

fn wrong(part: &'static str, what: &'static str) -> InvitationError {
    InvitationError::Wrong { part, what }
}

/// Where a server listens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    host: String,
    port: u16,
}

impl Address {
    /// Takes a host (a name, an IPv4 address, or an IPv6 address without brackets) and a port.
    ///
    /// # Errors
    /// [`InvitationError::Wrong`].
    pub fn new(host: &str, port: u16) -> Result<Self, InvitationError> {
        let is_name = host.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-'));
        let is_known = !host.is_empty() && host.len() <= 253 && (is_name || host.parse::<Ipv6Addr>().is_ok());
        if !is_known || port == 0 {
            return Err(wrong("address", "a host name or an IP address, then a colon and a port"));
        }
        Ok(Self { host: host.to_ascii_lowercase(), port })
    }

    /// Returns the host, an IPv6 address without brackets.
    #[must_use]
    pub fn host(&self) -> &str {
        &self.host
    }

    /// Returns the port.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.host.contains(':') {
            write!(f, "[{}]:{}", self.host, self.port)
        } else {
            write!(f, "{}:{}", self.host, self.port)
        }
    }
}

impl FromStr for Address {
    type Err = InvitationError;

    /// Reads `HOST:PORT`, `[IPV6]:PORT`, or a host alone, whose port is then 443.
    fn from_str(text: &str) -> Result<Self, InvitationError> {
        let bad = || wrong("address", "a host name or an IP address, then a colon and a port");
        let (host, port) = match text.strip_prefix('[') {
            Some(rest) => {
                let (host, rest) = rest.split_once(']').ok_or_else(bad)?;
                host.parse::<Ipv6Addr>().map_err(|_| bad())?;
                (host, if rest.is_empty() { None } else { Some(rest.strip_prefix(':').ok_or_else(bad)?) })
            }
            None => text.split_once(':').map_or((text, None), |(host, port)| (host, Some(port))),
        };
        let port = match port {
            None => 443,
            Some(digits) if digits.bytes().all(|b| b.is_ascii_digit()) => digits.parse().map_err(|_| bad())?,
            Some(_) => return Err(bad()),
        };
        if host.contains(':') != text.starts_with('[') {
            return Err(bad());
        }
        Self::new(host, port)
    }
}

/// The right to speak for a crew. It shows itself to nobody by accident: not with `{:?}`, and there is no `Display`.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

impl Token {
    /// Takes a token as the server made it: 16 to 256 of the characters A–Z, a–z, 0–9, `-`, `_`, `.` and `~`.
    ///
    /// # Errors
    /// [`InvitationError::Wrong`].
    pub fn new(text: &str) -> Result<Self, InvitationError> {
        let is_plain = text.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.' | b'~'));
        if !is_plain || !TOKEN.contains(&text.len()) {
            return Err(wrong("token", "16 to 256 letters, digits, hyphens, underscores, dots and tildes"));
        }
        Ok(Self(text.to_owned()))
    }

    /// Returns the secret itself.
    #[must_use]
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(…)")
    }
}

/// By what right a device comes.
#[derive(Clone, PartialEq, Eq)]
pub enum Pass {
    /// The server's operator gave it a token.
    Token(Token),
    /// A chief of the crew invited it.
    Join(Box<Invite>),
    /// It is a member's: its key says so.
    Member,
}

impl fmt::Debug for Pass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Token(_) => "Token(…)",
            Self::Join(_) => "Join(…)",
            Self::Member => "Member",
        })
    }
}

/// How a server is known to be the right one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trust {
    /// Its certificate has this SHA-256 hash: a self-made one, as a server at a display has.
    Pin([u8; 32]),
    /// Its certificate is for its name and comes from a public authority.
    Web,
}

/// What a device needs to reach its crew's server.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invitation {
    /// Where the server listens; tried in this order.
    pub addresses: Vec<Address>,
    /// The crew, as the server names it.
    pub crew: [u8; 16],
    /// By what right the device comes.
    pub pass: Pass,
    /// How the server is known.
    pub trust: Trust,
    /// The code by which the crew's devices meet with no server between.
    pub near: Option<Code>,
}

impl Invitation {
    /// Returns the text to hand over. Whoever has one with a token or a code can read the crew's log, and with most write
    /// to it.
    #[must_use]
    pub fn reveal(&self) -> String {
        let mut addresses = self.addresses.iter();
        let first = addresses.next().map(Address::to_string).unwrap_or_default();
        let pin = match &self.trust {
            Trust::Pin(hash) => hex(hash),
            Trust::Web => "web".to_owned(),
        };
        let mut text = format!("https://{first}/#crew={}", hex(&self.crew));
        match &self.pass {
            Pass::Token(token) => text.push_str(&format!("&token={}", token.reveal())),
            Pass::Join(invite) => text.push_str(&format!("&join={}", invite.to_text())),
            Pass::Member => {}
        }
        text.push_str(&format!("&pin={pin}"));
        if let Some(near) = &self.near {
            text.push_str(&format!("&near={}", near.reveal()));
        }
        for address in addresses {
            text.push_str("&also=");
            text.push_str(&address.to_string());
        }
        text
    }
}

impl FromStr for Invitation {
    type Err = InvitationError;

    fn from_str(text: &str) -> Result<Self, InvitationError> {
        let text = text.trim();
        if text.len() > LONGEST {
            return Err(InvitationError::TooLong { bytes: text.len() });
        }
        let rest = text.strip_prefix("https://").ok_or(InvitationError::Form)?;
        let (place, secret) = rest.split_once('#').ok_or(InvitationError::Form)?;
        let place = place.strip_suffix('/').unwrap_or(place);
        if place.contains(['/', '?', '@']) {
            return Err(InvitationError::Form);
        }
        let mut addresses = vec![place.parse::<Address>()?];
        let (mut crew, mut token, mut join, mut pin, mut near) = (None, None, None, None, None);
        for part in secret.split('&') {
            let (name, value) = part.split_once('=').ok_or(InvitationError::Form)?;
            let (slot, name) = match name {
                "crew" => (&mut crew, "crew"),
                "token" => (&mut token, "token"),
                "join" => (&mut join, "join"),
                "pin" => (&mut pin, "pin"),
                "near" => (&mut near, "near"),
                "also" if addresses.len() < MOST_ADDRESSES => {
                    addresses.push(value.parse()?);
                    continue;
                }
                // What a newer server adds is not for this program.
                _ => continue,
            };
            if slot.replace(value).is_some() {
                return Err(InvitationError::Twice { part: name });
            }
        }
        let missing = |part| InvitationError::Missing { part };
        let crew = crew.ok_or_else(|| missing("crew"))?;
        let trust = match pin.ok_or_else(|| missing("pin"))? {
            "web" => Trust::Web,
            hash => Trust::Pin(unhex(hash).ok_or_else(|| wrong("pin", "64 hexadecimal digits, or the word web"))?),
        };
        let crew = unhex(crew).ok_or_else(|| wrong("crew", "32 hexadecimal digits"))?;
        let pass = match (token, join) {
            (Some(token), None) => Pass::Token(Token::new(token)?),
            (None, Some(code)) => {
                Pass::Join(Box::new(Invite::from_text(code).map_err(|_| wrong("join", "a chief's whole code"))?))
            }
            (None, None) => Pass::Member,
            (Some(_), Some(_)) => return Err(wrong("join", "there only where there is no token")),
        };
        let near = near.map(str::parse::<Code>).transpose();
        let near = near.map_err(|_| wrong("near", "a code of 25 letters and digits"))?;
        Ok(Self { addresses, crew, pass, trust, near })
    }
}

/// Writes bytes as hexadecimal digits.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Reads exactly `N` bytes from hexadecimal digits of either case.
#[must_use]
pub fn unhex<const N: usize>(text: &str) -> Option<[u8; N]> {
    let digit = |b: &u8| char::from(*b).to_digit(16).map(|d| d as u8);
    if text.len() != 2 * N {
        return None;
    }
    let mut bytes = [0; N];
    for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks_exact(2)) {
        let [high, low] = pair else { return None };
        *byte = digit(high)? << 4 | digit(low)?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(pin: &str) -> String {
        format!("https://box.example:7443/#crew={}&token=abcdefghij-KLMNOP_0123&pin={pin}", "0a".repeat(16))
    }

    fn invite() -> Invite {
        let crew = embertally_core::crew::DeviceKey::from_seed(&[1; 32]).crew();
        Invite::new(crew, embertally_core::facts::Role::Recorder, 1_900_000_000_000, &mut || 7)
    }

    #[test]
    fn what_is_written_is_read_back() {
        for text in [
            sample(&"5f".repeat(32)),
            sample("web"),
            sample("web").replace("token=abcdefghij-KLMNOP_0123", &format!("join={}", invite().to_text())),
            sample("web").replace("&token=abcdefghij-KLMNOP_0123", "")
                + &format!("&near={}", Code::from_random([9; 24]).reveal()),
            sample("web").replace("box.example:7443", "[fd00::7]:443") + "&also=192.0.2.7:8443&also=box.example:443",
        ] {
            let read: Invitation = text.parse().expect("an invitation");
            assert_eq!(read.reveal(), text);
        }
        let read: Invitation = sample("web").replace(":7443", "").parse().expect("an invitation");
        assert_eq!(read.addresses, [Address::new("box.example", 443).expect("an address")]);
    }

    #[test]
    fn what_is_no_invitation_is_refused_with_the_part_that_is_wrong() {
        let good = sample("web");
        for (text, wanted) in [
            (good.replace("https", "http"), "begins with https"),
            (good.replace('#', "?"), "has a #"),
            (good.replace("box.example:7443", "user@box.example:7443"), "begins with https"),
            (good.replace("box.example:7443", "box.example:70000"), "`address`"),
            (good.replace("box.example:7443", "box.example:+443"), "`address`"),
            (good.replace("box.example:7443", "fd00::7"), "`address`"),
            (good.replace("box.example:7443", "[box.example]:1"), "`address`"),
            (good.replace("box.example:7443", ""), "`address`"),
            (good.replace("&pin=web", ""), "lacks its part `pin`"),
            (good.replace("&token", "&join"), "`join`"),
            (format!("{good}&join={}", invite().to_text()), "`join`"),
            (format!("{good}&near=12345"), "`near`"),
            (good.replace("_0123", "%0a"), "`token`"),
            (good.replace("abcdefghij-KLMNOP_0123", "short"), "`token`"),
            (good.replace("0a0a", "0a"), "`crew`"),
            (good.replace("0a0a", "0ä0"), "`crew`"),
            (good.replace("=web", "=5f5f"), "`pin`"),
            (good.clone() + "&pin=web", "`pin` twice"),
            (good + &"x".repeat(3000), "too long"),
        ] {
            let error = text.parse::<Invitation>().expect_err(&text);
            assert!(error.to_string().contains(wanted), "{text}: {error}");
        }
    }

    #[test]
    fn the_token_is_not_shown_by_accident() {
        let read: Invitation = sample("web").parse().expect("an invitation");
        assert!(!format!("{read:?}").contains("KLMNOP"));
        assert!(!format!("{:?}", Pass::Join(Box::new(invite()))).contains('7'));
    }
}
