//! The keys that sign access tokens, one after the other.
//!
//! Promises: one key signs at a time; a new one is published as soon as it is known and signs only [`KEY_LEAD_S`] later,
//! when every process has learned it; an old one verifies until the last token under it has expired, or, where a new key
//! was made because an old one had been seen by others, not a moment longer. A key is found by its name in memory alone:
//! a name nobody knows touches neither file nor database.
//!
//! Never: anything else signed with these keys; a seed in a log or an error.

use super::Refusal;
use crate::limits::{CLOCK_LEEWAY_S, KEY_LEAD_S};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ed25519_dalek::SigningKey;
use ed25519_dalek::pkcs8::EncodePrivateKey as _;
use jsonwebtoken::{DecodingKey, EncodingKey};
use pintle_core::ids::{Hash, PublicKey};
use pintle_openapi::endpoints::documents::{Jwk, JwkSet};
use pintle_openapi::endpoints::token::TOKEN_TTL_S;
use pintle_store::{EarlierKeys, Identity, TokenKeyRecord};

/// The name of a key: the start of a hash of its public half.
#[must_use]
pub fn kid(seed: &[u8; 32]) -> String {
    name(&PublicKey(SigningKey::from_bytes(seed).verifying_key().to_bytes()))
}

fn name(public: &PublicKey) -> String {
    URL_SAFE_NO_PAD.encode(&Hash::of(&[b"pintle/token-key/1\n", &public.0]).0[..8])
}

/// A new key made of a seed.
#[must_use]
pub fn made(seed: [u8; 32], earlier: EarlierKeys, now_ms: i64) -> TokenKeyRecord {
    let signs_ms = match earlier {
        EarlierKeys::Overlap => now_ms.saturating_add(KEY_LEAD_S.saturating_mul(1000)),
        // Whoever holds the old key forges tokens for as long as anyone waits.
        EarlierKeys::Void => now_ms,
    };
    TokenKeyRecord { kid: kid(&seed), seed, made_ms: now_ms, signs_ms, earlier }
}

/// When a key signs and verifies, in seconds since 1970.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    /// The key's name.
    pub kid: String,
    /// It signs from then on, until the next does; none for the first key, which has since the database was made.
    pub signs_from_s: Option<i64>,
    /// It verifies up to then; none if no key follows it.
    pub verifies_to_s: Option<i64>,
}

impl Span {
    /// Whether tokens under it are taken.
    #[must_use]
    pub fn verifies(&self, now_s: i64) -> bool {
        self.verifies_to_s.is_none_or(|to_s| now_s <= to_s)
    }

    /// Whether it has begun to sign.
    #[must_use]
    pub fn signs(&self, now_s: i64) -> bool {
        self.signs_from_s.is_none_or(|from_s| from_s <= now_s)
    }
}

/// When each key signs and verifies: the first, then `records` in their order.
#[must_use]
pub fn spans(first: &str, records: &[TokenKeyRecord]) -> Vec<Span> {
    let begins = |record: &TokenKeyRecord| record.signs_ms.div_euclid(1000);
    let ends = |later: &[TokenKeyRecord]| {
        let overlap = later.first().map(|next| begins(next) + TOKEN_TTL_S + 2 * CLOCK_LEEWAY_S);
        let void = later.iter().filter(|key| key.earlier == EarlierKeys::Void).map(|key| begins(key) - 1);
        overlap.into_iter().chain(void).min()
    };
    let mut spans = vec![Span { kid: first.to_owned(), signs_from_s: None, verifies_to_s: ends(records) }];
    spans.extend(records.iter().enumerate().map(|(index, record)| Span {
        kid: record.kid.clone(),
        signs_from_s: Some(begins(record)),
        verifies_to_s: ends(&records[index + 1..]),
    }));
    spans
}

/// One key, ready for use.
pub(super) struct TokenKey {
    pub(super) span: Span,
    pub(super) encoding: EncodingKey,
    pub(super) decoding: DecodingKey,
    public: PublicKey,
}

/// The keys that this process knows.
pub struct KeyRing {
    /// The first, and the others in their order; never empty.
    first: TokenKey,
    others: Vec<TokenKey>,
}

impl KeyRing {
    /// The keys of a database.
    ///
    /// # Errors
    /// If the signing library refuses one.
    pub fn new(identity: &Identity, records: &[TokenKeyRecord]) -> Result<Self, Refusal> {
        let mut spans = spans(&kid(&identity.token_secret), records).into_iter();
        let seeds = std::iter::once(&identity.token_secret).chain(records.iter().map(|record| &record.seed));
        let mut keys = spans.by_ref().zip(seeds).map(|(span, seed)| key(span, seed));
        let first = keys.next().unwrap_or_else(|| Err(Refusal::internal("there is no first key")))?;
        Ok(Self { first, others: keys.collect::<Result<_, _>>()? })
    }

    fn keys(&self) -> impl DoubleEndedIterator<Item = &TokenKey> {
        std::iter::once(&self.first).chain(&self.others)
    }

    /// The key that signs now.
    pub(super) fn signing(&self, now_s: i64) -> &TokenKey {
        self.keys().rev().find(|key| key.span.signs(now_s)).unwrap_or(&self.first)
    }

    /// The key of a name, if tokens under it are taken now.
    pub(super) fn verifying(&self, kid: &str, now_s: i64) -> Option<&TokenKey> {
        self.keys().find(|key| key.span.kid == kid && key.span.verifies(now_s))
    }

    /// The public halves of all keys whose tokens are taken, or soon will be.
    #[must_use]
    pub fn jwks(&self, now_s: i64) -> JwkSet {
        let keys = self.keys().filter(|key| key.span.verifies(now_s)).map(|key| Jwk {
            kty: "OKP".to_owned(),
            crv: "Ed25519".to_owned(),
            alg: super::token::ALGORITHM.to_owned(),
            usage: "sig".to_owned(),
            kid: key.span.kid.clone(),
            x: key.public.to_string(),
        });
        JwkSet { keys: keys.collect() }
    }
}

fn key(span: Span, seed: &[u8; 32]) -> Result<TokenKey, Refusal> {
    let signing = SigningKey::from_bytes(seed);
    let public = PublicKey(signing.verifying_key().to_bytes());
    let document = signing.to_pkcs8_der().map_err(Refusal::internal)?;
    Ok(TokenKey {
        span,
        encoding: EncodingKey::from_ed_der(document.as_bytes()),
        decoding: DecodingKey::from_ed_der(&public.0),
        public,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(kid: &str, signs_s: i64, earlier: EarlierKeys) -> TokenKeyRecord {
        TokenKeyRecord { kid: kid.to_owned(), seed: [0; 32], made_ms: 0, signs_ms: signs_s * 1000, earlier }
    }

    #[test]
    fn a_key_verifies_until_the_last_token_under_it_has_expired() {
        let records = [record("b", 1_000, EarlierKeys::Overlap), record("c", 2_000, EarlierKeys::Overlap)];
        let ends: Vec<_> = spans("a", &records).into_iter().map(|span| (span.kid, span.verifies_to_s)).collect();
        let left_s = TOKEN_TTL_S + 2 * CLOCK_LEEWAY_S;
        let expected = [("a", Some(1_000 + left_s)), ("b", Some(2_000 + left_s)), ("c", None)];
        assert_eq!(ends, expected.map(|(kid, end)| (kid.to_owned(), end)));
    }

    #[test]
    fn a_key_that_voids_ends_all_before_it_when_it_begins() {
        let records = [record("b", 1_000, EarlierKeys::Overlap), record("c", 1_500, EarlierKeys::Void)];
        let ends: Vec<_> = spans("a", &records).iter().map(|span| span.verifies_to_s).collect();
        assert_eq!(ends, [Some(1_499), Some(1_499), None]);
    }
}
