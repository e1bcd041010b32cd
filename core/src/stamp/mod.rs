//! Time stamps of checkpoints by an authority outside (RFC 3161): asking for one, and judging what came.
//!
//! Promises: a stamp counts only if its token is of the very bytes asked about, signed by a certificate made for stamping
//! and nothing else, which leads to an authority that was given another way, all of it valid at the stamp's own time.
//! What is counted is the latest moment that the token allows. Whatever else comes has a [`Flaw`], by which a person can
//! tell what to do. What is read is bounded: [`TOKEN_BYTES_MAX`], [`CHAIN_MAX`].
//!
//! Never: I/O, a clock, randomness; an authority believed because the token holds its certificate. Whether a certificate
//! was revoked is not asked: that needs a network.

mod chain;
mod signature;
mod token;

pub use chain::Authority;
pub use token::{ask, granted, judge, read};

/// Longest token, and longest answer of an authority, in bytes: one with a chain of certificates has some 6,000.
pub const TOKEN_BYTES_MAX: usize = 64 * 1024;
/// Most certificates from the one that signed to the authority, both counted.
pub const CHAIN_MAX: usize = 8;
/// Least size of an RSA key, in bits (NIST SP 800-131A: shorter ones are disallowed for signatures).
pub const RSA_BITS_MIN: usize = 2048;

/// What a token that counts says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stamp {
    /// The moment that the authority states, in whole seconds since 1970, rounded down.
    pub at_s: i64,
    /// The latest moment that this may have been, in seconds since 1970: the stated one with its fraction and accuracy,
    /// rounded up.
    pub by_s: i64,
    /// The authority it leads to, as its certificate names it.
    pub authority: String,
}

/// What a token says about itself, before anything is checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// The moment that it states, in whole seconds since 1970, rounded down.
    pub at_s: i64,
    /// The hash that it is about.
    pub imprint: Vec<u8>,
}

/// Why a token does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Flaw {
    /// It is no token in the form of the standard, or longer than any.
    Damaged,
    /// The authority did not grant it.
    NotGranted,
    /// It is of other bytes.
    OtherImprint,
    /// It answers another request.
    OtherNonce,
    /// Its certificate is not made for stamping, or for other things too.
    NotForStamping,
    /// Its signature, or that of a certificate on its way, is false.
    SignatureFalse,
    /// It is signed in a way that is not read: RSA (PKCS #1 v1.5, 2048 to 4096 bits) and ECDSA (P-256, P-384) with SHA-2
    /// are.
    OtherSignature,
    /// It leads to no authority that was given.
    AuthorityUnknown,
    /// A certificate on its way was not valid at the time that it states.
    NotValidThen,
}

impl Flaw {
    /// Its stable code.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Damaged => "damaged",
            Self::NotGranted => "not-granted",
            Self::OtherImprint => "other-imprint",
            Self::OtherNonce => "other-nonce",
            Self::NotForStamping => "not-for-stamping",
            Self::SignatureFalse => "signature-false",
            Self::OtherSignature => "other-signature",
            Self::AuthorityUnknown => "authority-unknown",
            Self::NotValidThen => "not-valid-then",
        }
    }
}

impl From<der::Error> for Flaw {
    fn from(_: der::Error) -> Self {
        Self::Damaged
    }
}
