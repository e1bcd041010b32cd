//! Access tokens: given for a device's signed assertion, checked with every request.
//!
//! Promises: one algorithm (EdDSA), fixed here and never taken from a token; header and claims have exactly the fields
//! they must have, once each; keys are this database's own or those of enrolled devices, never from a token. Whether
//! the device is still enrolled and not revoked is looked up every time. An assertion is answered once, whichever process
//! of the database it comes to.
//!
//! Never logs a token or an assertion.

use super::gate::Lane;
use super::token_keys::KeyRing;
use super::{App, Caller, Refusal};
use crate::ambient::random;
use crate::limits::{CLOCK_LEEWAY_S, TOKEN_BYTES_MAX};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jsonwebtoken::{Algorithm, DecodingKey, Header, Validation};
use pintle_core::ids::{DeviceId, Hash, OrganisationId, RequestId};
use pintle_openapi::Problem;
use pintle_openapi::endpoints::documents::JwkSet;
use pintle_openapi::endpoints::token::{
    ASSERTION_TTL_S_MAX, AssertionClaims, AssertionHeader, TOKEN_TTL_S, TokenReply, TokenRequest,
};
use pintle_store::{DeviceRecord, Identity};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::sync::{Arc, PoisonError, RwLock};

const ISSUER: &str = "pintle";
const TYPE: &str = "at+jwt";
pub(super) const ALGORITHM: &str = "EdDSA";

/// Signs and reads access tokens with the keys that this process knows.
pub struct Tokens {
    ring: RwLock<Arc<KeyRing>>,
    audience: String,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct AccessHeader {
    alg: String,
    typ: String,
    kid: String,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct AccessClaims {
    iss: String,
    aud: String,
    sub: DeviceId,
    org: OrganisationId,
    role: String,
    iat: i64,
    nbf: i64,
    exp: i64,
    jti: String,
}

impl Tokens {
    /// Knows the first key of a database; see [`App::learn_keys`] for the others.
    ///
    /// # Errors
    /// If the signing library refuses it.
    pub fn new(identity: &Identity) -> Result<Self, Refusal> {
        let ring = RwLock::new(Arc::new(KeyRing::new(identity, &[])?));
        Ok(Self { ring, audience: identity.store.to_string() })
    }

    // A new ring takes the place of the old one in one assignment: a panic left nothing half done.
    fn ring(&self) -> Arc<KeyRing> {
        self.ring.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn learn(&self, ring: KeyRing) {
        *self.ring.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(ring);
    }

    fn sign(&self, device: &DeviceRecord, now_s: i64, jti: RequestId) -> Result<String, Refusal> {
        let ring = self.ring();
        let key = ring.signing(now_s);
        let mut header = Header::new(Algorithm::EdDSA);
        header.typ = Some(TYPE.to_owned());
        header.kid = Some(key.span.kid.clone());
        let claims = AccessClaims {
            iss: ISSUER.to_owned(),
            aud: self.audience.clone(),
            sub: device.device,
            org: device.organisation,
            role: device.role.as_str().to_owned(),
            iat: now_s,
            nbf: now_s,
            exp: now_s + TOKEN_TTL_S,
            jti: jti.to_string(),
        };
        jsonwebtoken::encode(&header, &claims, &key.encoding).map_err(Refusal::internal)
    }

    fn read(&self, token: &str, now_s: i64) -> Result<AccessClaims, Refusal> {
        let invalid = || Refusal::of(Problem::InvalidToken);
        let header: AccessHeader = header_of(token).ok_or_else(invalid)?;
        if header.alg != ALGORITHM || header.typ != TYPE {
            return Err(invalid());
        }
        let ring = self.ring();
        let key = ring.verifying(&header.kid, now_s).ok_or_else(invalid)?;
        let claims: AccessClaims = claims_of(token, &key.decoding).ok_or_else(invalid)?;
        let lives = claims.nbf <= claims.exp && claims.exp.saturating_sub(claims.iat) <= TOKEN_TTL_S;
        if claims.iss != ISSUER || claims.aud != self.audience || !lives {
            return Err(invalid());
        }
        if claims.iat.max(claims.nbf) > now_s.saturating_add(CLOCK_LEEWAY_S) {
            return Err(invalid());
        }
        if now_s > claims.exp.saturating_add(CLOCK_LEEWAY_S) {
            return Err(Refusal::of(Problem::TokenExpired));
        }
        Ok(claims)
    }
}

fn invalid(detail: &str) -> Refusal {
    Refusal::of(Problem::InvalidAssertion).pointer("/assertion").detail(detail)
}

/// The header of a compact JWT, if it has exactly the fields of `H`, once each.
fn header_of<H: DeserializeOwned>(token: &str) -> Option<H> {
    if token.len() > TOKEN_BYTES_MAX || token.split('.').count() != 3 {
        return None;
    }
    let bytes = URL_SAFE_NO_PAD.decode(token.split('.').next()?).ok()?;
    serde_json::from_slice(&bytes).ok()
}

/// The claims of a compact JWT signed with EdDSA by `key`. Times, issuer and audience are for the caller to judge, by
/// its own clock.
fn claims_of<C: DeserializeOwned>(token: &str, key: &DecodingKey) -> Option<C> {
    let mut validation = Validation::new(Algorithm::EdDSA);
    validation.validate_exp = false;
    validation.validate_nbf = false;
    validation.validate_aud = false;
    validation.set_required_spec_claims::<&str>(&[]);
    jsonwebtoken::decode::<C>(token, key, &validation).ok().map(|data| data.claims)
}

impl App {
    /// Gives a device a token for its assertion.
    ///
    /// # Errors
    /// `invalid-assertion`, `clock-off` with the server's time, `device-revoked`, and failures of the store.
    pub async fn token(&self, request: TokenRequest) -> Result<TokenReply, Refusal> {
        let now_ms = self.ambient.now_ms();
        let now_s = now_ms.div_euclid(1000);
        let (device, claims) = self.asserted(&request.assertion, now_ms).await?;
        self.gate.device(Lane::Token, device.device)?;
        self.first_time(&device, &claims, now_s).await?;
        let jti = RequestId(random(self.ambient())?);
        let access_token = self.tokens.sign(&device, now_s, jti)?;
        Ok(TokenReply { access_token, token_type: "Bearer".to_owned(), expires_in: TOKEN_TTL_S, now_ms })
    }

    /// Remembers the assertion until it is too old by itself; one that has been answered is not answered again.
    async fn first_time(&self, device: &DeviceRecord, claims: &AssertionClaims, now_s: i64) -> Result<(), Refusal> {
        let hash = Hash::of(&[b"pintle/assertion/1\n", device.device.as_bytes(), claims.jti.as_bytes()]);
        let until_s = claims.exp.saturating_add(CLOCK_LEEWAY_S);
        if self.store.assertion_new(hash, until_s, now_s).await? {
            return Ok(());
        }
        tracing::warn!(target: "pintle::security", device = %device.device, "an assertion came a second time");
        Err(invalid("an assertion with this jti has been answered; make a new one"))
    }

    /// The device whose assertion this is.
    async fn asserted(&self, assertion: &str, now_ms: i64) -> Result<(DeviceRecord, AssertionClaims), Refusal> {
        let header: AssertionHeader =
            header_of(assertion).ok_or_else(|| invalid("the header has exactly alg, typ and kid"))?;
        if header.alg != ALGORITHM || header.typ != "JWT" {
            return Err(invalid("alg is EdDSA and typ is JWT"));
        }
        let device: DeviceId = header.kid.parse().map_err(|_| invalid("kid is the device's id"))?;
        let record = self.store.device(device).await?;
        let record = record.ok_or_else(|| Refusal::of(Problem::UnknownDevice).pointer("/assertion"))?;
        let claims: AssertionClaims =
            claims_of(assertion, &DecodingKey::from_ed_der(&record.key.0)).ok_or_else(|| {
                invalid("the signature is not the device's, or the claims are not exactly those asked for")
            })?;
        if claims.iss != header.kid || claims.sub != header.kid || claims.aud != self.tokens.audience {
            return Err(invalid("iss and sub are the device's id, aud is the server's store id"));
        }
        let life_s = claims.exp.checked_sub(claims.iat).filter(|life_s| (1..=ASSERTION_TTL_S_MAX).contains(life_s));
        if life_s.is_none() || claims.jti.is_empty() {
            return Err(invalid("exp is 1 to 60 s after iat, and jti is not empty"));
        }
        let now_s = now_ms.div_euclid(1000);
        let early = claims.iat > now_s.saturating_add(CLOCK_LEEWAY_S);
        if early || now_s > claims.exp.saturating_add(CLOCK_LEEWAY_S) {
            return Err(Refusal::of(Problem::ClockOff).now_ms(now_ms));
        }
        if record.revoked {
            return Err(Refusal::of(Problem::DeviceRevoked));
        }
        Ok((record, claims))
    }

    /// The caller behind a bearer token, as the database knows the device now.
    ///
    /// # Errors
    /// `invalid-token`, `token-expired`, `device-revoked`, and failures of the store.
    pub async fn caller(&self, token: &str) -> Result<Caller, Refusal> {
        let claims = self.tokens.read(token, self.ambient.now_ms().div_euclid(1000))?;
        let record = self.store.device(claims.sub).await?;
        let device = record.filter(|record| record.organisation == claims.org);
        let device = device.ok_or_else(|| Refusal::of(Problem::InvalidToken))?;
        if device.revoked {
            return Err(Refusal::of(Problem::DeviceRevoked));
        }
        self.gate.device(Lane::Read, device.device)?;
        Ok(Caller { device })
    }

    /// The public keys of access tokens.
    #[must_use]
    pub fn jwks(&self) -> JwkSet {
        self.tokens.ring().jwks(self.ambient.now_ms().div_euclid(1000))
    }

    /// Learns the keys that the database holds now: at the start, and then every [`crate::limits::KEY_LOOK`].
    ///
    /// # Errors
    /// Failures of the store; what was known stays known.
    pub async fn learn_keys(&self) -> Result<(), Refusal> {
        let records = self.store.token_keys().await?;
        self.tokens.learn(KeyRing::new(self.store.identity(), &records)?);
        Ok(())
    }
}
