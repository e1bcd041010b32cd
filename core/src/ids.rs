//! Ids, hashes, keys and signatures as types: fixed numbers of bytes that cannot be mistaken for one another.
//!
//! In JSON each is base64url without padding (RFC 4648 section 5), and only its one exact spelling is read:
//! padding, other alphabets and spare bits in the last character are refused.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use sha2::{Digest as _, Sha256};
use std::fmt;
use std::str::FromStr;

/// A text that is not the base64url of the wanted number of bytes.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("expected {bytes} bytes in base64url without padding ({chars} characters)")]
pub struct BadBytes {
    /// Bytes wanted.
    pub bytes: usize,
    /// Characters wanted.
    pub chars: usize,
}

macro_rules! bytes_type {
    ($(#[$doc:meta])* $name:ident, $len:expr) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub [u8; $len]);

        impl $name {
            /// Number of bytes.
            pub const LEN: usize = $len;

            /// From a slice of exactly `LEN` bytes.
            ///
            /// # Errors
            /// If the length differs.
            pub fn from_slice(bytes: &[u8]) -> Result<Self, BadBytes> {
                let array: [u8; $len] = bytes.try_into().map_err(|_| Self::bad())?;
                Ok(Self(array))
            }

            /// The bytes.
            #[must_use]
            pub fn as_bytes(&self) -> &[u8] {
                &self.0
            }

            /// In hexadecimal, as other programs print hashes and name files.
            #[must_use]
            pub fn hex(&self) -> String {
                self.0.iter().map(|byte| format!("{byte:02x}")).collect()
            }

            fn bad() -> BadBytes {
                BadBytes { bytes: $len, chars: ($len * 4usize).div_ceil(3) }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&URL_SAFE_NO_PAD.encode(self.0))
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!(stringify!($name), "({})"), self)
            }
        }

        impl FromStr for $name {
            type Err = BadBytes;
            fn from_str(text: &str) -> Result<Self, BadBytes> {
                let bytes = URL_SAFE_NO_PAD.decode(text).map_err(|_| Self::bad())?;
                Self::from_slice(&bytes)
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                let text = std::borrow::Cow::<'de, str>::deserialize(d)?;
                text.parse().map_err(de::Error::custom)
            }
        }

        #[cfg(feature = "schema")]
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                utoipa::openapi::ObjectBuilder::new()
                    .schema_type(utoipa::openapi::schema::Type::String)
                    .description(Some(format!("{} bytes in base64url without padding", $len)))
                    .pattern(Some(exact_pattern($len)))
                    .into()
            }
        }

        #[cfg(feature = "schema")]
        impl utoipa::ToSchema for $name {}
    };
}

/// The pattern of the one exact spelling of so many bytes: the last character has no spare bits set.
#[cfg(feature = "schema")]
fn exact_pattern(bytes: usize) -> String {
    let chars = (bytes * 4).div_ceil(3);
    match bytes % 3 {
        0 => format!("^[A-Za-z0-9_-]{{{chars}}}$"),
        1 => format!("^[A-Za-z0-9_-]{{{}}}[AQgw]$", chars - 1),
        _ => format!("^[A-Za-z0-9_-]{{{}}}[AEIMQUYcgkosw048]$", chars - 1),
    }
}

bytes_type!(
    /// A device: the first 16 bytes of SHA-256 of its public key.
    DeviceId, 16
);
bytes_type!(
    /// A machine: 16 random bytes, made by the device that added it.
    MachineId, 16
);
bytes_type!(
    /// A person: 16 random bytes. The name lives outside the ledger, so that it can be erased.
    PersonId, 16
);
bytes_type!(
    /// An organisation: 16 random bytes, made by the server.
    OrganisationId, 16
);
bytes_type!(
    /// A server's database: 16 random bytes, made with it.
    StoreId, 16
);
bytes_type!(
    /// One exchange: 16 random bytes, echoed by the server.
    RequestId, 16
);
bytes_type!(
    /// Random, changes with every applied reply, so that a copy of a device shows itself.
    Baton, 16
);
bytes_type!(
    /// Random bytes beside a person's own words, so that their hash cannot be guessed: 96 bits.
    Salt, 12
);
bytes_type!(
    /// A clash or twin: computed from what disagrees, so that every device gives it the same id.
    ClashId, 16
);
bytes_type!(
    /// An enrolment code, by the first 16 bytes of its hash: names it without letting anyone in.
    CodeId, 16
);
bytes_type!(
    /// A share link, by the first 16 bytes of its hash: names it without opening it.
    ShareId, 16
);
bytes_type!(
    /// A customer, site, job or list of rates of the office, or a draft, invoice or credit note: 16 random bytes.
    OfficeId, 16
);
bytes_type!(
    /// What a share link holds: 256 random bits. Whoever has them may read.
    Capability, 32
);
bytes_type!(
    /// A SHA-256 hash.
    Hash, 32
);
bytes_type!(
    /// A raw Ed25519 public key (RFC 8032).
    PublicKey, 32
);
bytes_type!(
    /// An Ed25519 signature (RFC 8032).
    Signature, 64
);

impl Hash {
    /// Stands for a part that an entry does not have.
    pub const ZERO: Hash = Hash([0; 32]);

    /// SHA-256 of the pieces, one after the other.
    #[must_use]
    pub fn of(pieces: &[&[u8]]) -> Self {
        let mut sha = Sha256::new();
        for piece in pieces {
            sha.update(piece);
        }
        Self(sha.finalize().into())
    }

    /// The first half of it, where 16 bytes are an id.
    #[must_use]
    pub fn first_half(&self) -> [u8; 16] {
        let mut half = [0; 16];
        half.copy_from_slice(&self.0[..16]);
        half
    }

    /// First eight bytes, big-endian: what a digest sums.
    #[must_use]
    pub fn prefix(&self) -> u64 {
        let mut first = [0; 8];
        first.copy_from_slice(&self.0[..8]);
        u64::from_be_bytes(first)
    }
}

impl ShareId {
    /// The id of the link that has this hash. A link has 256 random bits: nobody finds it by its hash.
    #[must_use]
    pub fn of_hash(hash: &Hash) -> Self {
        Self(hash.first_half())
    }
}

impl PersonId {
    /// Stands for whoever runs the server's program: what is done at its console is done in this name.
    pub const OPERATOR: PersonId = PersonId([0; 16]);
}

impl DeviceId {
    /// The id that belongs to a public key.
    #[must_use]
    pub fn of_key(key: &PublicKey) -> Self {
        let hash = Hash::of(&[&key.0]);
        let mut id = [0; 16];
        id.copy_from_slice(&hash.0[..16]);
        Self(id)
    }
}

/// Six characters a person can read aloud: Crockford's base32 of the first 30 bits.
fn six_characters(id: &[u8; 16]) -> String {
    const ALPHABET: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
    let bits = u32::from_be_bytes([id[0], id[1], id[2], id[3]]);
    (0..6).map(|i| ALPHABET[(bits >> (27 - 5 * i)) as usize & 31] as char).collect()
}

impl ClashId {
    /// Six characters a person can read aloud.
    #[must_use]
    pub fn short(&self) -> String {
        six_characters(&self.0)
    }
}

impl OfficeId {
    /// Six characters a person can read aloud and type: the whole id may begin like an option.
    #[must_use]
    pub fn short(&self) -> String {
        six_characters(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_exact_spelling_is_read() {
        let id = DeviceId([7; 16]);
        assert_eq!(id.to_string().parse(), Ok(id));
        assert_eq!(id.to_string(), "BwcHBwcHBwcHBwcHBwcHBw");
        for bad in ["", "BwcHBwcHBwcHBwcHBwcHBw==", "BwcHBwcHBwcHBwcHBwcHBx", "BwcHBwcHBwcHBwcHBwcHB+", "BwcH"] {
            assert!(bad.parse::<DeviceId>().is_err(), "{bad:?} was read");
        }
    }

    #[test]
    fn short_clash_ids_are_stable() {
        assert_eq!(ClashId([0xff; 16]).short(), "ZZZZZZ");
        assert_eq!(ClashId([0; 16]).short(), "000000");
        assert_eq!(ClashId([0x08, 0x42, 0x10, 0x84, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]).short(), "111111");
    }
}
