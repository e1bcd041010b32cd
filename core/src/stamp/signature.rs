//! The signatures of tokens and certificates: which there are, and whether one is true.
//!
//! Promises: a signature is judged by the key's own kind; one of another kind or size is [`Flaw::OtherSignature`], never
//! false and never true. Never a hash shorter than 256 bits.

use super::{Flaw, RSA_BITS_MIN};
use der::asn1::ObjectIdentifier;
use p256::ecdsa::signature::hazmat::PrehashVerifier as _;
use p256::pkcs8::DecodePublicKey as _;
use rsa::pkcs1v15;
use rsa::traits::PublicKeyParts as _;
use sha2::{Digest as _, Sha256, Sha384, Sha512};

const SHA256: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.16.840.1.101.3.4.2.1");
const SHA384: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.16.840.1.101.3.4.2.2");
const SHA512: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.16.840.1.101.3.4.2.3");
const RSA: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.1.1");
const RSA_SHA256: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.1.11");
const RSA_SHA384: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.1.12");
const RSA_SHA512: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.1.13");
const ECDSA_SHA256: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.10045.4.3.2");
const ECDSA_SHA384: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.10045.4.3.3");
const ECDSA_SHA512: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.10045.4.3.4");
const EC: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.10045.2.1");
const P256: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.10045.3.1.7");
const P384: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.3.132.0.34");

/// A hash of the SHA-2 family.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Hashing {
    Sha256,
    Sha384,
    Sha512,
}

impl Hashing {
    /// By its identifier.
    pub fn of(oid: ObjectIdentifier) -> Option<Self> {
        match oid {
            SHA256 => Some(Self::Sha256),
            SHA384 => Some(Self::Sha384),
            SHA512 => Some(Self::Sha512),
            _ => None,
        }
    }

    pub fn hash(self, bytes: &[u8]) -> Vec<u8> {
        match self {
            Self::Sha256 => Sha256::digest(bytes).to_vec(),
            Self::Sha384 => Sha384::digest(bytes).to_vec(),
            Self::Sha512 => Sha512::digest(bytes).to_vec(),
        }
    }
}

/// The kinds of key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Key {
    Rsa,
    Ec,
}

/// What a signature's identifier says; where it names a key alone, the hash is the one that was named beside it.
fn algorithm(oid: ObjectIdentifier, beside: Option<Hashing>) -> Option<(Key, Hashing)> {
    match oid {
        RSA => Some((Key::Rsa, beside?)),
        RSA_SHA256 => Some((Key::Rsa, Hashing::Sha256)),
        RSA_SHA384 => Some((Key::Rsa, Hashing::Sha384)),
        RSA_SHA512 => Some((Key::Rsa, Hashing::Sha512)),
        ECDSA_SHA256 => Some((Key::Ec, Hashing::Sha256)),
        ECDSA_SHA384 => Some((Key::Ec, Hashing::Sha384)),
        ECDSA_SHA512 => Some((Key::Ec, Hashing::Sha512)),
        _ => None,
    }
}

/// A public key as a certificate holds it.
pub(super) struct Spki<'a> {
    pub algorithm: ObjectIdentifier,
    pub curve: Option<ObjectIdentifier>,
    pub der: &'a [u8],
}

/// Judges a signature over `message`.
pub(super) fn check(
    key: &Spki<'_>,
    oid: ObjectIdentifier,
    beside: Option<Hashing>,
    message: &[u8],
    signature: &[u8],
) -> Result<(), Flaw> {
    let (kind, hashing) = algorithm(oid, beside).ok_or(Flaw::OtherSignature)?;
    if beside.is_some_and(|beside| beside != hashing) {
        return Err(Flaw::Damaged);
    }
    let digest = hashing.hash(message);
    let good = match (kind, key.algorithm, key.curve) {
        (Key::Rsa, RSA, _) => rsa_is_good(key.der, hashing, &digest, signature)?,
        (Key::Ec, EC, Some(P256)) => {
            let key = p256::ecdsa::VerifyingKey::from_public_key_der(key.der).map_err(|_| Flaw::Damaged)?;
            let signature = p256::ecdsa::DerSignature::try_from(signature).map_err(|_| Flaw::SignatureFalse)?;
            key.verify_prehash(&digest, &signature).is_ok()
        }
        (Key::Ec, EC, Some(P384)) => {
            let key = p384::ecdsa::VerifyingKey::from_public_key_der(key.der).map_err(|_| Flaw::Damaged)?;
            let signature = p384::ecdsa::DerSignature::try_from(signature).map_err(|_| Flaw::SignatureFalse)?;
            key.verify_prehash(&digest, &signature).is_ok()
        }
        _ => return Err(Flaw::OtherSignature),
    };
    if good { Ok(()) } else { Err(Flaw::SignatureFalse) }
}

fn rsa_is_good(der: &[u8], hashing: Hashing, digest: &[u8], signature: &[u8]) -> Result<bool, Flaw> {
    // Keys beyond 4096 bits are refused by the library, so that checking one costs little.
    let key = rsa::PublicKey::from_public_key_der(der).map_err(|_| Flaw::OtherSignature)?;
    if key.n().bit_width() < u32::try_from(RSA_BITS_MIN).unwrap_or(u32::MAX) {
        return Err(Flaw::OtherSignature);
    }
    let Ok(signature) = pkcs1v15::Signature::try_from(signature) else { return Ok(false) };
    Ok(match hashing {
        Hashing::Sha256 => pkcs1v15::VerifyingKey::<Sha256>::new(key).verify_prehash(digest, &signature).is_ok(),
        Hashing::Sha384 => pkcs1v15::VerifyingKey::<Sha384>::new(key).verify_prehash(digest, &signature).is_ok(),
        Hashing::Sha512 => pkcs1v15::VerifyingKey::<Sha512>::new(key).verify_prehash(digest, &signature).is_ok(),
    })
}
