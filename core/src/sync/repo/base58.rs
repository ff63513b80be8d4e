//! Base58Check: bytes as a text that people can copy, with four bytes of a double SHA-256 against slips.
//!
//! The alphabet and the checksum are Bitcoin's, written down in
//! <https://datatracker.ietf.org/doc/html/draft-msporny-base58-03> and
//! <https://en.bitcoin.it/wiki/Base58Check_encoding>.

use sha2::{Digest, Sha256};

const ALPHABET: &[u8; 58] = b"123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz";

/// The longest text that is read: reading takes time with the square of the length.
const LONGEST: usize = 64;

fn checksum(bytes: &[u8]) -> [u8; 4] {
    let twice = Sha256::digest(Sha256::digest(bytes));
    twice.first_chunk().copied().unwrap_or_default()
}

/// Writes bytes with their checksum behind them.
pub(super) fn with_check(bytes: &[u8]) -> String {
    encode(&[bytes, &checksum(bytes)].concat())
}

/// Reads what [`with_check`] wrote; `None` for anything else.
pub(super) fn checked(text: &str) -> Option<Vec<u8>> {
    let mut bytes = decode(text)?;
    let check = bytes.split_off(bytes.len().checked_sub(4)?);
    (check == checksum(&bytes)).then_some(bytes)
}

/// Writes a number in base 58, and a `1` for each zero byte before it.
fn encode(bytes: &[u8]) -> String {
    let zeros = bytes.iter().take_while(|b| **b == 0).count();
    let digits = convert(bytes.iter().copied(), 256, 58);
    let text = digits.iter().filter_map(|d| ALPHABET.get(usize::from(*d)).map(|c| char::from(*c)));
    "1".repeat(zeros).chars().chain(text).collect()
}

fn decode(text: &str) -> Option<Vec<u8>> {
    if text.len() > LONGEST {
        return None;
    }
    let digit = |c: u8| ALPHABET.iter().position(|a| *a == c).and_then(|d| u8::try_from(d).ok());
    let digits: Vec<u8> = text.bytes().map(digit).collect::<Option<_>>()?;
    let zeros = digits.iter().take_while(|d| **d == 0).count();
    Some([vec![0; zeros], convert(digits.into_iter(), 58, 256)].concat())
}

/// Writes a number with digits in another base, without zeros in front.
fn convert(digits: impl Iterator<Item = u8>, from: u32, to: u32) -> Vec<u8> {
    // Lowest digit first while it is worked on.
    let mut out: Vec<u8> = Vec::new();
    for digit in digits {
        let mut carry = u32::from(digit);
        for place in &mut out {
            carry += u32::from(*place) * from;
            *place = (carry % to) as u8;
            carry /= to;
        }
        while carry > 0 {
            out.push((carry % to) as u8);
            carry /= to;
        }
    }
    out.reverse();
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn hex(text: &str) -> Vec<u8> {
        (0..text.len()).step_by(2).map(|n| u8::from_str_radix(&text[n..n + 2], 16).unwrap()).collect()
    }

    #[test]
    fn the_published_examples_are_written_and_read() {
        // draft-msporny-base58-03, section 5.
        for (bytes, text) in [
            (b"Hello World!".to_vec(), "2NEpo7TZRRrLZSi2U"),
            (
                b"The quick brown fox jumps over the lazy dog.".to_vec(),
                "USm3fpXnKG5EUBx2ndxBDMPVciP5hGey2Jh4NDv6gmeo1LkMeiKrLJUUBk6Z",
            ),
            (hex("0000287fb4cd"), "11233QC4"),
        ] {
            assert_eq!(encode(&bytes), text);
            assert_eq!(decode(text), Some(bytes));
        }
        // Bitcoin wiki, "Technical background of version 1 Bitcoin addresses", steps 4 and 9.
        let address = hex("00010966776006953d5567439e5e39f86a0d273bee");
        assert_eq!(with_check(&address), "16UwLL9Risc3QfPqBUvKofHmBQ7wMtjvM");
        assert_eq!(checked("16UwLL9Risc3QfPqBUvKofHmBQ7wMtjvM"), Some(address));
    }

    #[test]
    fn slips_are_noticed() {
        for wrong in ["", "1", "16UwLL9Risc3QfPqBUvKofHmBQ7wMtjvN", "16UwLL9Risc3QfPqBUvKofHmBQ7wMtjv0", "é"] {
            assert_eq!(checked(wrong), None, "{wrong}");
        }
        assert_eq!(checked(&"1".repeat(10_000)), None);
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(bytes in prop::collection::vec(any::<u8>(), 0..32)) {
            prop_assert_eq!(checked(&with_check(&bytes)), Some(bytes));
        }
    }
}
