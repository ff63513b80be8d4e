//! Values from outside: RFC 8032, and a signed entry by another implementation of RFC 9052.

use super::*;

fn hex<const N: usize>(text: &str) -> [u8; N] {
    bytes(text).try_into().unwrap()
}

fn bytes(text: &str) -> Vec<u8> {
    (0..text.len()).step_by(2).map(|i| u8::from_str_radix(&text[i..i + 2], 16).unwrap()).collect()
}

/// RFC 8032 section 7.1, tests 1 to 3.
#[test]
fn ed25519_signs_as_published() {
    let published = [
        (
            "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
            "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
            "",
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
        ),
        (
            "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
            "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
            "72",
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
        ),
        (
            "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
            "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
            "af82",
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
        ),
    ];
    for (secret, public, message, signature) in published {
        let key = DeviceKey::from_seed(&hex(secret));
        assert_eq!(key.public(), hex(public));
        assert_eq!(key.sign(&bytes(message)), hex(signature));
        let public = PublicKey::from_bytes(&hex(public)).unwrap();
        assert!(public.verifies(&bytes(message), &hex(signature)));
        assert!(!public.verifies(b"something else", &hex(signature)));
    }
}

#[test]
fn keys_with_which_anybody_can_sign_are_refused() {
    // The neutral point, and the point of order two (RFC 8032 §5.1.2: y and the sign of x): small order.
    let mut neutral = [0; 32];
    neutral[0] = 1;
    assert_eq!(PublicKey::from_bytes(&neutral), Err(KeyError));
    let mut minus_one = [0xff; 32];
    (minus_one[0], minus_one[31]) = (0xec, 0x7f);
    assert_eq!(PublicKey::from_bytes(&minus_one), Err(KeyError));
}

/// Bytes made by pycose, an independent implementation (`tests/fixtures/cose.py`).
#[test]
fn a_signed_entry_is_the_one_that_another_implementation_makes() {
    let fixtures = include_str!("../../../tests/fixtures/cose.txt");
    let made: Vec<Vec<u8>> = fixtures.lines().map(bytes).collect();
    let key = DeviceKey::from_seed(&hex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"));
    let payload = bytes("a301500707070707070707070707070707070702821903e8183c03818205a201634164610201");
    let register = Place { home: None, entry: EntryId::from_bytes([0; 16]) };
    let field = Place { home: Some([3; 16]), entry: EntryId::from_bytes([4; 16]) };
    let signer = DeviceId::from_bytes([5; 16]);
    assert_eq!(Envelope::seal(&key, register, payload.clone(), None).unwrap(), made[0]);
    assert_eq!(Envelope::seal(&key, field, payload.clone(), Some(signer)).unwrap(), made[1]);
    for (bytes, place) in [(&made[0], register), (&made[1], field)] {
        let envelope = Envelope::read(bytes).unwrap();
        assert_eq!(envelope.payload(), payload);
        assert!(envelope.is_signed_by(&PublicKey::from_bytes(&key.public()).unwrap(), place));
    }
    assert_eq!(Envelope::read(&made[1]).unwrap().signer(), Some(signer));
}
