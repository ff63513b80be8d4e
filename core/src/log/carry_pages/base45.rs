//! Base45: bytes as the 45 characters of a QR code's alphanumeric mode, 2 bytes in 3 characters (RFC 9285).

/// The characters of a QR code's alphanumeric mode, in the order of their values (RFC 9285, table 1).
pub(super) const ALPHABET: &[u8; 45] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:";

/// Appends bytes as Base45.
pub(super) fn encode(bytes: &[u8], text: &mut String) {
    let mut digits = |mut value: usize, count: usize| {
        for _ in 0..count {
            text.push(ALPHABET.get(value % 45).map_or(' ', |c| char::from(*c)));
            value /= 45;
        }
    };
    for pair in bytes.chunks(2) {
        match *pair {
            [high, low] => digits(usize::from(high) << 8 | usize::from(low), 3),
            [single] => digits(usize::from(single), 2),
            _ => {}
        }
    }
}

/// Returns the bytes of a Base45 text; none where it is not one.
pub(super) fn decode(text: &str) -> Option<Vec<u8>> {
    let digit = |c: u8| ALPHABET.iter().position(|a| *a == c);
    let mut bytes = Vec::with_capacity(text.len() / 3 * 2 + 1);
    for group in text.as_bytes().chunks(3) {
        match *group {
            [c, d, e] => {
                let value = u16::try_from(digit(c)? + 45 * digit(d)? + 45 * 45 * digit(e)?).ok()?;
                bytes.extend_from_slice(&value.to_be_bytes());
            }
            [c, d] => bytes.push(u8::try_from(digit(c)? + 45 * digit(d)?).ok()?),
            _ => return None,
        }
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn encoded(bytes: &[u8]) -> String {
        let mut text = String::new();
        encode(bytes, &mut text);
        text
    }

    #[test]
    fn the_examples_of_rfc_9285_come_out() {
        // RFC 9285, sections 4.3 and 4.4.
        for (bytes, text) in
            [("AB", "BB8"), ("Hello!!", "%69 VD92EX0"), ("base-45", "UJCLQE7W581"), ("ietf!", "QED8WEX0")]
        {
            assert_eq!(encoded(bytes.as_bytes()), text);
            assert_eq!(decode(text), Some(bytes.as_bytes().to_vec()));
        }
    }

    #[test]
    fn what_the_rfc_says_must_be_refused_is() {
        // RFC 9285, section 6: 65,536 or more in three characters; and one character alone stands for nothing.
        assert_eq!(decode("FGW"), Some(vec![0xff, 0xff]));
        for text in ["GGW", ":::", "::", "V5", "A", "BB8A", "bb8", "BB,", "é8"] {
            assert_eq!(decode(text), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn all_bytes_come_back_and_only_from_one_text(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            let text = encoded(&bytes);
            prop_assert_eq!(text.len(), bytes.len() / 2 * 3 + bytes.len() % 2 * 2);
            prop_assert_eq!(decode(&text), Some(bytes));
        }

        #[test]
        fn a_text_that_is_read_is_the_text_that_would_be_written(text in "[0-9A-Z $%*+./:-]{0,40}") {
            if let Some(bytes) = decode(&text) {
                prop_assert_eq!(encoded(&bytes), text);
            }
        }
    }
}
