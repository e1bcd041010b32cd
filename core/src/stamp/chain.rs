//! From the certificate that signed a token to an authority that was given (RFC 5280, as far as stamping needs it).
//!
//! Promises: each certificate on the way is signed by the next, may sign certificates, and is valid at the moment asked
//! about; one that demands what is not understood here is refused. Never a certificate believed for being in the token.

use super::signature::{Spki, check};
use super::{CHAIN_MAX, Flaw};
use der::asn1::ObjectIdentifier;
use der::{Decode as _, Encode as _};
use x509_cert::Certificate;
use x509_cert::ext::pkix::{BasicConstraints, ExtendedKeyUsage, KeyUsage};

const TIME_STAMPING: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.3.6.1.5.5.7.3.8");
const EXT_KEY_USAGE: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.5.29.37");
const KEY_USAGE: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.5.29.15");
const BASIC_CONSTRAINTS: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.5.29.19");
const SUBJECT_ALT_NAME: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.5.29.17");
/// Extensions that are understood, or that change nothing here: a certificate may demand these.
const UNDERSTOOD: [ObjectIdentifier; 4] = [EXT_KEY_USAGE, KEY_USAGE, BASIC_CONSTRAINTS, SUBJECT_ALT_NAME];
/// Longest name of an authority that is told, in characters.
const NAME_CHARS_MAX: usize = 120;

/// Somebody whose stamps are believed: an authority's own certificate, or one that it leads to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Authority(Certificate);

impl Authority {
    /// The certificates of a PEM file; none if it holds none or anything else.
    #[must_use]
    pub fn read_pem(pem: &[u8]) -> Option<Vec<Self>> {
        let all = Certificate::load_pem_chain(pem).ok()?;
        (!all.is_empty()).then(|| all.into_iter().map(Self).collect())
    }

    /// How it names itself.
    #[must_use]
    pub fn name(&self) -> String {
        self.0
            .tbs_certificate()
            .subject()
            .to_string()
            .chars()
            .filter(|c| !c.is_control())
            .take(NAME_CHARS_MAX)
            .collect()
    }

    /// The last second at which it is valid, since 1970.
    #[must_use]
    pub fn until_s(&self) -> i64 {
        seconds(&self.0.tbs_certificate().validity().not_after)
    }
}

fn seconds(time: &x509_cert::time::Time) -> i64 {
    i64::try_from(time.to_unix_duration().as_secs()).unwrap_or(i64::MAX)
}

fn is_valid_at(certificate: &Certificate, at_s: i64) -> bool {
    let validity = certificate.tbs_certificate().validity();
    (seconds(&validity.not_before)..=seconds(&validity.not_after)).contains(&at_s)
}

/// Whether nothing critical is in it that is not understood.
fn is_understood(certificate: &Certificate) -> bool {
    let extensions = certificate.tbs_certificate().extensions().map(Vec::as_slice).unwrap_or_default();
    extensions.iter().all(|extension| !extension.critical || UNDERSTOOD.contains(&extension.extn_id))
}

/// Whether it is made for stamping and nothing else, and says so critically (RFC 3161 section 2.3).
pub(super) fn is_for_stamping(certificate: &Certificate) -> bool {
    let tbs = certificate.tbs_certificate();
    let usage = tbs.get_extension::<ExtendedKeyUsage>();
    let stamps = matches!(&usage, Ok(Some((true, usage))) if usage.0.as_slice() == [TIME_STAMPING]);
    let signs = match tbs.get_extension::<KeyUsage>() {
        Ok(None) => true,
        Ok(Some((_, usage))) => usage.digital_signature() || usage.non_repudiation(),
        Err(_) => false,
    };
    stamps && signs
}

/// Whether it may sign certificates, with `below` certificates of that kind beneath it.
fn may_sign(certificate: &Certificate, below: usize) -> bool {
    let tbs = certificate.tbs_certificate();
    let is_ca = matches!(tbs.get_extension::<BasicConstraints>(), Ok(Some((_, constraints)))
        if constraints.ca && constraints.path_len_constraint.is_none_or(|most| below <= usize::from(most)));
    let signs = match tbs.get_extension::<KeyUsage>() {
        Ok(None) => true,
        Ok(Some((_, usage))) => usage.key_cert_sign(),
        Err(_) => false,
    };
    is_ca && signs
}

/// Judges a signature by a certificate's key.
pub(super) fn check_by(
    certificate: &Certificate,
    oid: ObjectIdentifier,
    beside: Option<super::signature::Hashing>,
    message: &[u8],
    signature: &[u8],
) -> Result<(), Flaw> {
    let spki = certificate.tbs_certificate().subject_public_key_info();
    let der = spki.to_der()?;
    let curve = spki.algorithm.parameters.as_ref().and_then(|any| any.decode_as::<ObjectIdentifier>().ok());
    check(&Spki { algorithm: spki.algorithm.oid, curve, der: &der }, oid, beside, message, signature)
}

fn is_signed_by(certificate: &Certificate, issuer: &Certificate) -> Result<(), Flaw> {
    let message = certificate.tbs_certificate().to_der()?;
    let oid = certificate.signature_algorithm().oid;
    let signature = certificate.signature().as_bytes().ok_or(Flaw::Damaged)?;
    check_by(issuer, oid, None, &message, signature)
}

/// The authority that a certificate leads to, over those that came with the token, all valid at `at_s`.
pub(super) fn leads_to<'a>(
    signer: &Certificate,
    beside: &[Certificate],
    authorities: &'a [Authority],
    at_s: i64,
) -> Result<&'a Authority, Flaw> {
    let mut here = signer.clone();
    // Of several ways the one that leads nearest to an authority is told where none does.
    for below in 0..CHAIN_MAX {
        if !is_understood(&here) {
            return Err(Flaw::AuthorityUnknown);
        }
        if !is_valid_at(&here, at_s) {
            return Err(Flaw::NotValidThen);
        }
        if let Some(known) = authorities.iter().find(|authority| authority.0 == here) {
            return Ok(known);
        }
        let issuer = here.tbs_certificate().issuer();
        let named = |certificate: &&Certificate| certificate.tbs_certificate().subject() == issuer;
        let mut flaw = Flaw::AuthorityUnknown;
        let mut next = None;
        for issuer in authorities.iter().map(|authority| &authority.0).chain(beside).filter(named) {
            if !may_sign(issuer, below) {
                continue;
            }
            match is_signed_by(&here, issuer) {
                Ok(()) => {
                    next = Some(issuer.clone());
                    break;
                }
                Err(other) => flaw = other,
            }
        }
        match next {
            // A root that signs itself leads no further.
            Some(next) if next != here => here = next,
            _ => return Err(if flaw == Flaw::SignatureFalse { flaw } else { Flaw::AuthorityUnknown }),
        }
    }
    Err(Flaw::AuthorityUnknown)
}

/// Reads a certificate that came with a token.
pub(super) fn read(der: &[u8]) -> Result<Certificate, Flaw> {
    Ok(Certificate::from_der(der)?)
}
