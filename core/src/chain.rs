//! The device's chain and its seals.
//!
//! Promises: `link[n] = SHA-256(link[n−1] ‖ H(head) ‖ H(body) ‖ H(words) ‖ H(office))`, so that one signature over
//! the newest link covers the whole log before it. Every signed text starts with a domain line of its own, so that a
//! signature for one purpose never passes for another. Verification is strict (RFC 8032, no small-order keys).

use crate::entry::{Entry, PARTS};
use crate::ids::{DeviceId, Hash, OrganisationId, PublicKey, Signature};
use ed25519_dalek::{Signer as _, SigningKey, VerifyingKey};
use serde::{Deserialize, Serialize};

/// Domain line of the first link of a log.
pub const DOMAIN_LOG: &[u8] = b"pintle/log/1\n";
/// Domain line of a seal.
pub const DOMAIN_SEAL: &[u8] = b"pintle/seal/1\n";
/// Domain line of the proof that an exchange comes from its device.
pub const DOMAIN_SYNC: &[u8] = b"pintle/sync/1\n";
/// Domain line of an enrolment.
pub const DOMAIN_ENROL: &[u8] = b"pintle/enrol/1\n";

/// Domain line of a key that goes on for another.
pub const DOMAIN_FOLLOW: &[u8] = b"pintle/follow/1\n";

/// Where a log ends: the number of its last entry and that entry's link.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct LogHead {
    /// Number of the last entry; 0 for an empty log.
    pub seq: u64,
    /// Its link; for an empty log the log's first link, made from the public key alone.
    pub link: Hash,
}

impl LogHead {
    /// The head of the empty log of a device.
    #[must_use]
    pub fn empty(key: &PublicKey) -> Self {
        Self { seq: 0, link: Hash::of(&[DOMAIN_LOG, &key.0]) }
    }

    /// The head after one more entry.
    #[must_use]
    pub fn after(&self, entry: &Entry) -> Self {
        Self { seq: self.seq + 1, link: link(&self.link, entry) }
    }
}

/// The link of an entry that follows the entry with link `previous`.
#[must_use]
pub fn link(previous: &Hash, entry: &Entry) -> Hash {
    let parts = PARTS.map(|part| entry.part_hash(part));
    Hash::of(&[&previous.0, &parts[0].0, &parts[1].0, &parts[2].0, &parts[3].0])
}

/// A device's signature over its log up to an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Seal {
    /// The device that sealed its log.
    pub device: DeviceId,
    /// First entry of the batch it was made for; it covers the whole log before that too.
    pub from: u64,
    /// Last entry sealed.
    pub to: u64,
    /// Link of that entry.
    pub link: Hash,
    /// Ed25519 over [`seal_text`].
    pub signature: Signature,
}

/// The text a seal signs: domain line, organisation, device, `from` and `to` as 8 bytes big-endian each, link of `to`.
#[must_use]
pub fn seal_text(organisation: &OrganisationId, device: &DeviceId, from: u64, to: u64, link: &Hash) -> Vec<u8> {
    let pieces: [&[u8]; 6] = [DOMAIN_SEAL, &organisation.0, &device.0, &from.to_be_bytes(), &to.to_be_bytes(), &link.0];
    pieces.concat()
}

/// The text that proves an exchange comes from its device: domain line, SHA-256 of the body as JSON (not compressed).
#[must_use]
pub fn sync_text(body: &[u8]) -> Vec<u8> {
    [DOMAIN_SYNC, &Hash::of(&[body]).0].concat()
}

/// The text an enrolment signs: domain line, SHA-256 of the body's `code`, public key.
#[must_use]
pub fn enrol_text(code: &str, key: &PublicKey) -> Vec<u8> {
    [DOMAIN_ENROL, &Hash::of(&[code.as_bytes()]).0, &key.0[..]].concat()
}

/// The text that both keys sign where one goes on for another: domain line, organisation, the old device, the new key.
#[must_use]
pub fn follow_text(organisation: &OrganisationId, old: &DeviceId, key: &PublicKey) -> Vec<u8> {
    [DOMAIN_FOLLOW, &organisation.0, &old.0, &key.0].concat()
}

/// A device's private key, held in memory only as long as it signs.
pub struct DeviceKey {
    signing: SigningKey,
}

impl DeviceKey {
    /// From 32 secret bytes.
    #[must_use]
    pub fn from_secret(secret: &[u8; 32]) -> Self {
        Self { signing: SigningKey::from_bytes(secret) }
    }

    /// The public key.
    #[must_use]
    pub fn public(&self) -> PublicKey {
        PublicKey(self.signing.verifying_key().to_bytes())
    }

    /// Signs a text that starts with its domain line.
    #[must_use]
    pub fn sign(&self, text: &[u8]) -> Signature {
        Signature(self.signing.sign(text).to_bytes())
    }

    /// Seals the log of this device from `from` up to `head`.
    #[must_use]
    pub fn seal(&self, organisation: &OrganisationId, from: u64, head: &LogHead) -> Seal {
        let device = DeviceId::of_key(&self.public());
        let signature = self.sign(&seal_text(organisation, &device, from, head.seq, &head.link));
        Seal { device, from, to: head.seq, link: head.link, signature }
    }
}

/// Whether a public key may be enrolled: a point of the curve that is not of small order.
#[must_use]
pub fn usable_key(key: &PublicKey) -> bool {
    VerifyingKey::from_bytes(&key.0).is_ok_and(|key| !key.is_weak())
}

/// Whether `signature` over `text` is the key's, judged strictly.
#[must_use]
pub fn verify(key: &PublicKey, text: &[u8], signature: &Signature) -> bool {
    let Ok(key) = VerifyingKey::from_bytes(&key.0) else { return false };
    key.verify_strict(text, &ed25519_dalek::Signature::from_bytes(&signature.0)).is_ok()
}

/// Whether a seal is the key's, for this organisation.
#[must_use]
pub fn verify_seal(key: &PublicKey, organisation: &OrganisationId, seal: &Seal) -> bool {
    seal.from >= 1
        && seal.from <= seal.to
        && seal.device == DeviceId::of_key(key)
        && verify(key, &seal_text(organisation, &seal.device, seal.from, seal.to, &seal.link), &seal.signature)
}
