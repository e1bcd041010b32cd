//! Checkpoints: the server's signed statement of the size and root of a ledger's tree (C2SP tlog-checkpoint).
//!
//! Promises: each organisation signs with a key of its own for each epoch, derived from a secret of the database, so
//! that a ledger that went back to an older copy signs under another name and key; each key is vouched for by the one
//! before, so that who has the first can check all that follow.
//!
//! Never: the same key for anything else.

use super::note::{self, Judged, Kind, Note, Signer};
use crate::chain::{DeviceKey, verify};
use crate::ids::{Hash, OrganisationId, PublicKey, Signature};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

/// Domain line of the derivation of a checkpoint key.
const DOMAIN_SECRET: &[u8] = b"pintle/checkpoint-secret/1\n";
/// Domain line of the text with which a key vouches for the next one.
const DOMAIN_KEY: &[u8] = b"pintle/checkpoint-key/1\n";

/// What a checkpoint states.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checkpoint {
    /// Which log: see [`origin`].
    pub origin: String,
    /// Number of leaves.
    pub size: u64,
    /// Root over them.
    pub root: Hash,
}

/// The name of an organisation's tree in an epoch.
#[must_use]
pub fn origin(organisation: &OrganisationId, epoch: u64) -> String {
    format!("pintle/{organisation}/{epoch}")
}

impl Checkpoint {
    /// Reads the text of a note; none if it is no checkpoint. Lines after the root are passed over, as the form demands.
    #[must_use]
    pub fn read(text: &str) -> Option<Self> {
        let mut lines = text.strip_suffix('\n')?.split('\n');
        let (origin, size, root) = (lines.next()?, lines.next()?, lines.next()?);
        let digits = !size.is_empty() && size.bytes().all(|c| c.is_ascii_digit());
        if origin.is_empty() || !digits || (size.len() > 1 && size.starts_with('0')) || lines.any(str::is_empty) {
            return None;
        }
        let root = Hash::from_slice(&STANDARD.decode(root).ok()?).ok()?;
        Some(Self { origin: origin.to_owned(), size: size.parse().ok()?, root })
    }

    /// The text of its note.
    #[must_use]
    pub fn text(&self) -> String {
        format!("{}\n{}\n{}\n", self.origin, self.size, STANDARD.encode(self.root.0))
    }

    /// Reads a note signed by the key of this origin; none if it is not one, not that log's or not signed by it.
    #[must_use]
    pub fn open(note: &str, origin: &str, key: &PublicKey) -> Option<Self> {
        let note = Note::read(note)?;
        let checkpoint = Self::read(&note.text).filter(|read| read.origin == origin)?;
        let signer = Signer { name: origin.to_owned(), kind: Kind::Log, key: *key };
        matches!(note.judge(&signer), Judged::Signed(_)).then_some(checkpoint)
    }
}

/// The key that signs an organisation's checkpoints in one epoch.
pub struct CheckpointKey {
    organisation: OrganisationId,
    epoch: u64,
    key: DeviceKey,
}

impl CheckpointKey {
    /// The key of an organisation in an epoch.
    #[must_use]
    pub fn new(secret: &[u8; 32], organisation: OrganisationId, epoch: u64) -> Self {
        let seed = Hash::of(&[DOMAIN_SECRET, secret, &organisation.0, &epoch.to_be_bytes()]);
        Self { organisation, epoch, key: DeviceKey::from_secret(&seed.0) }
    }

    /// Its public half.
    #[must_use]
    pub fn public(&self) -> PublicKey {
        self.key.public()
    }

    /// The name of what it signs.
    #[must_use]
    pub fn origin(&self) -> String {
        origin(&self.organisation, self.epoch)
    }

    /// A signed checkpoint, as it is stored and sent.
    #[must_use]
    pub fn sign(&self, size: u64, root: Hash) -> String {
        let text = Checkpoint { origin: self.origin(), size, root }.text();
        let line = note::sign(&text, &self.origin(), &self.key);
        Note { text, lines: vec![line] }.write()
    }

    /// Vouches for the key of the next epoch.
    #[must_use]
    pub fn vouch(&self, next: &Self) -> Signature {
        self.key.sign(&vouch_text(&self.organisation, self.epoch, next.epoch, &next.public()))
    }
}

/// What a key signs to vouch for the one after it: domain line, organisation, its own epoch, the epoch and the key
/// vouched for.
#[must_use]
pub fn vouch_text(organisation: &OrganisationId, own_epoch: u64, epoch: u64, key: &PublicKey) -> Vec<u8> {
    [DOMAIN_KEY, &organisation.0, &own_epoch.to_be_bytes(), &epoch.to_be_bytes(), &key.0].concat()
}

/// Whether `key` of `own_epoch` vouches for `next` in `epoch`.
#[must_use]
pub fn vouched(
    organisation: &OrganisationId,
    (own_epoch, key): (u64, &PublicKey),
    (epoch, next): (u64, &PublicKey),
    proof: &Signature,
) -> bool {
    verify(key, &vouch_text(organisation, own_epoch, epoch, next), proof)
}
