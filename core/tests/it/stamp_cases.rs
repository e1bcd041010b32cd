//! Time stamps made by OpenSSL, judged here; and everything about a stamp that must not count.
//!
//! Promises: the moments are those that `openssl ts -reply -text` prints of the same files (`tests/vectors/stamps/make`
//! made them). Of changed tokens it is shown that no change makes another stamp of one.
//! Never a stamp made by what judges it.

use pintle_core::Hash;
use pintle_core::stamp::{Authority, Flaw, Said, Stamp, ask, granted, judge, read};

/// 2026-11-26T12:44:56Z, when those by RSA keys were made.
const AT_S: i64 = 1_795_697_096;
/// A second later.
const EC_AT_S: i64 = AT_S + 1;
const NONCE: [u8; 8] = [0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88];

macro_rules! file {
    ($name:literal) => {
        include_bytes!(concat!("../vectors/stamps/", $name)).as_slice()
    };
}

fn imprint() -> Hash {
    Hash::of(&[b"a checkpoint\n"])
}

fn authorities(pem: &[u8]) -> Vec<Authority> {
    Authority::read_pem(pem).expect("certificates")
}

fn root() -> Vec<Authority> {
    authorities(file!("root.pem"))
}

fn token(answer: &[u8]) -> Vec<u8> {
    granted(answer).expect("a token")
}

fn stamp(at_s: i64, by_s: i64, authority: &str) -> Result<Stamp, Flaw> {
    Ok(Stamp { at_s, by_s, authority: authority.to_owned() })
}

#[test]
fn stamps_of_each_kind_of_key_and_hash_count() {
    let (root_name, ec_name) = ("CN=root,O=Hill Time Works", "CN=ec-root,O=Hill Time Works");
    let ec_root = authorities(file!("ec-root.pem"));
    for (name, answer, trusted, at_s, late_s, authority) in [
        ("rsa", file!("rsa.tsr"), root(), AT_S, 0, root_name),
        // Its accuracy is 1.500001 s, which the latest moment rounds up.
        ("rsa-sha512", file!("rsa-sha512.tsr"), root(), AT_S, 2, root_name),
        ("ess-sha1", file!("ess-sha1.tsr"), root(), AT_S, 0, root_name),
        ("p256", file!("p256.tsr"), ec_root.clone(), EC_AT_S, 0, ec_name),
        ("p384", file!("p384.tsr"), ec_root, EC_AT_S, 0, ec_name),
    ] {
        let token = token(answer);
        assert_eq!(judge(&token, &imprint(), Some(NONCE), &trusted), stamp(at_s, at_s + late_s, authority), "{name}");
        assert_eq!(judge(&token, &imprint(), None, &trusted), stamp(at_s, at_s + late_s, authority), "{name}");
        assert_eq!(read(&token), Ok(Said { at_s, imprint: imprint().0.to_vec() }), "{name}");
        assert_eq!(judge(&token, &imprint(), None, &[]), Err(Flaw::AuthorityUnknown), "{name}");
    }
    // The certificate that signed may be trusted itself, and of several authorities any will do.
    let both = [authorities(file!("ec-root.pem")), authorities(file!("signer.pem"))].concat();
    let judged = judge(&token(file!("rsa.tsr")), &imprint(), Some(NONCE), &both);
    assert_eq!(judged, stamp(AT_S, AT_S, "CN=rsa,O=Hill Time Works"));
}

#[test]
fn what_must_not_count_says_why() {
    let judged = |token: &[u8]| judge(token, &imprint(), None, &root());
    assert_eq!(judged(file!("again.tst")), stamp(AT_S, AT_S, "CN=root,O=Hill Time Works"), "made with cms");
    assert_eq!(judged(&token(file!("other-text.tsr"))), Err(Flaw::OtherImprint));
    assert_eq!(judged(&token(file!("other-hash.tsr"))), Err(Flaw::OtherImprint));
    assert_eq!(granted(file!("refused.tsr")), Err(Flaw::NotGranted));
    let rsa = token(file!("rsa.tsr"));
    assert_eq!(judge(&rsa, &Hash::of(&[b"another"]), None, &root()), Err(Flaw::OtherImprint));
    assert_eq!(judge(&rsa, &imprint(), Some([1; 8]), &root()), Err(Flaw::OtherNonce));
    for (name, token, flaw) in [
        ("its usage is not critical", file!("loosely.tst"), Flaw::NotForStamping),
        ("it is made for mail too", file!("both.tst"), Flaw::NotForStamping),
        ("it is made for mail", file!("mail.tst"), Flaw::NotForStamping),
        ("its issuer may sign no certificates", file!("under-no-ca.tst"), Flaw::AuthorityUnknown),
        ("its issuer's issuer allows none beneath", file!("too-deep.tst"), Flaw::AuthorityUnknown),
        ("the certificates were not valid yet", file!("early.tst"), Flaw::NotValidThen),
        ("they are not valid any more", file!("late.tst"), Flaw::NotValidThen),
        ("1024 bits", file!("weak.tst"), Flaw::OtherSignature),
        ("a curve that is not read", file!("p521.tst"), Flaw::OtherSignature),
    ] {
        assert_eq!(judged(token), Err(flaw), "{name}");
    }
    // Of the name alone anybody can make a root.
    let other = authorities(file!("other-root.pem"));
    assert_eq!(judge(&rsa, &imprint(), None, &other), Err(Flaw::SignatureFalse));
}

#[test]
fn no_changed_byte_makes_another_stamp() {
    for (answer, trusted) in [(file!("rsa.tsr"), root()), (file!("p256.tsr"), authorities(file!("ec-root.pem")))] {
        let good = token(answer);
        let stamp = judge(&good, &imprint(), None, &trusted).expect("a stamp");
        let mut unread = 0;
        for at in 0..good.len() {
            let mut bent = good.clone();
            bent[at] ^= 1 << (at % 8);
            // Versions, parameters of algorithms and the like, which nothing signs.
            if let Ok(same) = judge(&bent, &imprint(), None, &trusted) {
                assert_eq!(same, stamp, "byte {at}");
                unread += 1;
            }
            assert!(judge(&good[..at], &imprint(), None, &trusted).is_err(), "cut at {at}");
        }
        assert!(unread < good.len() / 20, "most of it is read or signed: {unread} of {}", good.len());
    }
}

#[test]
fn a_request_is_what_openssl_asks_with() {
    // The same request as `openssl ts -query -data text -sha256 -cert` makes, with the nonce of the vectors.
    let request = ask(&imprint(), NONCE).expect("a request");
    assert_eq!(request, file!("request.tsq"));
    // A nonce that begins with a set bit, or with zeros, is a whole number above nothing all the same.
    for nonce in [[0xff; 8], [0, 0, 0, 0, 0, 0, 0, 7], [0; 8]] {
        assert!(ask(&imprint(), nonce).expect("a request").len() > 40, "{nonce:?}");
    }
}

#[test]
fn hostile_bytes_are_damaged() {
    for bytes in
        [&b""[..], b"0", b"\x30\x80\x00\x00", b"\x30\x84\xff\xff\xff\xff", b"<html>", &[0x30; 4000], &[0; 70_000]]
    {
        assert_eq!(granted(bytes), Err(Flaw::Damaged));
        assert_eq!(judge(bytes, &imprint(), None, &root()), Err(Flaw::Damaged));
        assert_eq!(read(bytes), Err(Flaw::Damaged));
    }
    assert_eq!(Authority::read_pem(b"no certificate"), None);
    assert_eq!(Authority::read_pem(b""), None);
    let authority = &root()[0];
    assert_eq!(authority.name(), "CN=root,O=Hill Time Works");
    assert!(authority.until_s() > AT_S);
}
