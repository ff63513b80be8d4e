//! The code that the devices of a crew share, so that they can meet with no server between them.

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

/// Crockford's base 32: no I, L, O and U, so that a code can be read out and typed in.
const LETTERS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// Characters that are random: 24 of 5 bits are 120 bits, too many to be guessed even from a recorded meeting.
const RANDOM: usize = 24;
/// Characters of a group, as they are shown.
const GROUP: usize = 5;
/// What a QR code has in front, so that a scanner knows what it found.
const PREFIX: &str = "EMBERTALLY:";

/// Why a text is no code.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum CodeError {
    /// It has another length.
    #[error("a code has 25 letters and digits, this one has {found}")]
    Length {
        /// How many it has.
        found: usize,
    },
    /// A character that no code has.
    #[error("{found:?} does not occur in a code")]
    Letter {
        /// The character.
        found: char,
    },
    /// The last character does not go with the others.
    #[error("the code has a slip in it: its last letter does not go with the others")]
    Slip,
}

/// The code of a crew: 120 random bits. It is not shown by `{:?}`, and there is no `Display`.
#[derive(Clone, PartialEq, Eq)]
pub struct Code([u8; RANDOM]);

impl Code {
    /// Makes a code from random bits; each byte gives five.
    #[must_use]
    pub fn from_random(bytes: [u8; 24]) -> Self {
        Self(bytes.map(|b| b & 31))
    }

    /// Returns the code as it is read out and typed in, in groups of five.
    #[must_use]
    pub fn reveal(&self) -> String {
        let mut text = String::with_capacity(RANDOM + GROUP);
        for (place, value) in self.0.iter().chain([&self.check()]).enumerate() {
            if place > 0 && place % GROUP == 0 {
                text.push('-');
            }
            text.push(LETTERS.get(usize::from(*value)).copied().map_or('0', char::from));
        }
        text
    }

    /// Returns the text for a QR code: upper case, for which QR codes have a denser form.
    #[must_use]
    pub fn reveal_for_qr(&self) -> String {
        format!("{PREFIX}{}", self.reveal())
    }

    /// Derives a key from the code for one purpose, which stands in `context`.
    #[must_use]
    pub fn key(&self, context: &'static str) -> [u8; 32] {
        blake3::derive_key(context, &self.0)
    }

    /// Five bits that catch a slip: any one wrong letter in 31 of 32 cases.
    fn check(&self) -> u8 {
        self.key("embertally crew code 1 check").first().copied().unwrap_or_default() & 31
    }
}

impl fmt::Debug for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Code(…)")
    }
}

impl FromStr for Code {
    type Err = CodeError;

    /// Reads a code; case, hyphens and spaces do not matter, and the letters O, I and L are taken for the digits.
    fn from_str(text: &str) -> Result<Self, CodeError> {
        let text = text.trim().to_ascii_uppercase();
        let text = text.strip_prefix(PREFIX).unwrap_or(&text);
        let mut values = Vec::with_capacity(RANDOM + 1);
        for found in text.chars().filter(|c| !matches!(c, '-' | ' ')) {
            let plain = match found {
                'O' => '0',
                'I' | 'L' => '1',
                other => other,
            };
            let value = LETTERS.iter().position(|l| char::from(*l) == plain).ok_or(CodeError::Letter { found })?;
            values.push(value as u8);
            if values.len() > 4 * RANDOM {
                break;
            }
        }
        let found = values.len();
        let check = values.pop();
        let code = Self(values.try_into().map_err(|_| CodeError::Length { found })?);
        if check == Some(code.check()) { Ok(code) } else { Err(CodeError::Slip) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_shown_is_read_back_however_it_is_typed() {
        let code = Code::from_random(std::array::from_fn(|i| (i * 37 + 200) as u8));
        let shown = code.reveal();
        assert_eq!((shown.len(), shown.matches('-').count()), (29, 4));
        let sloppy = shown.to_lowercase().replace('-', " ").replace('0', "o").replace('1', "l");
        for text in [&shown, &sloppy, &code.reveal_for_qr(), &format!("  {shown}\n")] {
            assert_eq!(text.parse::<Code>(), Ok(code.clone()), "{text}");
        }
    }

    #[test]
    fn slips_are_caught() {
        let shown = Code::from_random([7; 24]).reveal();
        assert_eq!(shown.get(..20).expect("it is longer").parse::<Code>(), Err(CodeError::Length { found: 17 }));
        assert_eq!(shown.replacen('7', "U", 1).parse::<Code>(), Err(CodeError::Letter { found: 'U' }));
        let caught = LETTERS.iter().filter(|l| **l != b'7').filter(|letter| {
            shown.replacen('7', &char::from(**letter).to_string(), 1).parse::<Code>() == Err(CodeError::Slip)
        });
        assert!(caught.count() >= 28);
    }

    #[test]
    fn the_code_is_not_shown_by_accident() {
        assert_eq!(format!("{:?}", Code::from_random([3; 24])), "Code(…)");
    }
}
