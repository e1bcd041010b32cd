//! Requests, answers and tokens of RFC 3161, within the signed data of RFC 5652.
//!
//! Promises: a token has exactly one signer; what it signs names its content's type, its content's hash and its own
//! certificate (RFC 5816, or RFC 2634 by SHA-1). A field that is not read changes nothing that is. Never more than
//! [`ELEMENTS_MAX`] elements of one kind.

use super::chain::{Authority, check_by, is_for_stamping, leads_to, read as read_certificate};
use super::signature::Hashing;
use super::{CHAIN_MAX, Flaw, Said, Stamp, TOKEN_BYTES_MAX};
use crate::ids::Hash;
use der::asn1::{AnyRef, ObjectIdentifier, OctetStringRef, UintRef};
use der::{Decode as _, Encode as _, Reader as _, Sequence, SliceReader, Tag, TagNumber, Tagged as _};
use sha1::{Digest as _, Sha1};
use x509_cert::Certificate;

/// Most elements of one kind that are looked at.
const ELEMENTS_MAX: usize = 32;

const SIGNED_DATA: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.7.2");
const TST_INFO: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.16.1.4");
const CONTENT_TYPE: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.3");
const MESSAGE_DIGEST: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.4");
const SIGNING_CERTIFICATE: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.16.2.12");
const SIGNING_CERTIFICATE_V2: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.16.2.47");
const SHA256: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.16.840.1.101.3.4.2.1");

#[derive(Sequence)]
struct Algorithm<'a> {
    oid: ObjectIdentifier,
    parameters: Option<AnyRef<'a>>,
}

#[derive(Sequence)]
struct Imprint<'a> {
    algorithm: Algorithm<'a>,
    hash: &'a OctetStringRef,
}

#[derive(Sequence)]
struct Request<'a> {
    version: u8,
    imprint: Imprint<'a>,
    nonce: UintRef<'a>,
    with_certificates: bool,
}

/// The request to send to an authority: for a stamp of the SHA-256 `imprint`, with the certificates that show who made it.
///
/// # Errors
/// [`Flaw::Damaged`], which does not happen for what fits its types.
pub fn ask(imprint: &Hash, nonce: [u8; 8]) -> Result<Vec<u8>, Flaw> {
    let algorithm = Algorithm { oid: SHA256, parameters: Some(AnyRef::NULL) };
    let imprint = Imprint { algorithm, hash: OctetStringRef::new(&imprint.0)? };
    let request = Request { version: 1, imprint, nonce: UintRef::new(&nonce)?, with_certificates: true };
    Ok(request.to_der()?)
}

/// The token in an authority's answer.
///
/// # Errors
/// [`Flaw::NotGranted`] if it refused, [`Flaw::Damaged`] if the answer is none.
pub fn granted(answer: &[u8]) -> Result<Vec<u8>, Flaw> {
    if answer.len() > TOKEN_BYTES_MAX {
        return Err(Flaw::Damaged);
    }
    let parts = elements(sequence(answer)?)?;
    let (status, token) = match parts.as_slice() {
        [status] => (status, None),
        [status, token] => (status, Some(token)),
        _ => return Err(Flaw::Damaged),
    };
    let status = elements(sequence(status)?)?;
    match u8::from_der(status.first().ok_or(Flaw::Damaged)?) {
        // Granted, and granted with changes.
        Ok(0 | 1) => token.map(|token| token.to_vec()).ok_or(Flaw::Damaged),
        _ => Err(Flaw::NotGranted),
    }
}

/// What a token says about itself; nothing of it is checked.
///
/// # Errors
/// [`Flaw::Damaged`]
pub fn read(token: &[u8]) -> Result<Said, Flaw> {
    let token = Token::read(token)?;
    let info = Info::read(token.content)?;
    Ok(Said { at_s: info.at_s, imprint: info.imprint.to_vec() })
}

/// Judges a token over the SHA-256 `imprint`; at its receipt also by the request's `nonce`.
///
/// # Errors
/// The [`Flaw`] that was found first.
pub fn judge(token: &[u8], imprint: &Hash, nonce: Option<[u8; 8]>, authorities: &[Authority]) -> Result<Stamp, Flaw> {
    let token = Token::read(token)?;
    let info = Info::read(token.content)?;
    if info.hashing != Some(Hashing::Sha256) || info.imprint != imprint.0 {
        return Err(Flaw::OtherImprint);
    }
    if let Some(nonce) = nonce
        && info.nonce != Some(UintRef::new(&nonce)?.as_bytes())
    {
        return Err(Flaw::OtherNonce);
    }
    let signer = token.signer()?;
    if !is_for_stamping(signer) {
        return Err(Flaw::NotForStamping);
    }
    // Who it leads to comes first: what nobody known has signed is nobody's forgery.
    let authority = leads_to(signer, &token.certificates, authorities, info.at_s)?;
    token.check(signer)?;
    Ok(Stamp { at_s: info.at_s, by_s: info.by_s, authority: authority.name() })
}

/// The elements of a constructed value, each with its tag and length.
fn elements(value: &[u8]) -> Result<Vec<&[u8]>, Flaw> {
    let mut reader = SliceReader::new(value)?;
    let mut found = Vec::new();
    while !reader.is_finished() {
        if found.len() == ELEMENTS_MAX {
            return Err(Flaw::Damaged);
        }
        found.push(reader.tlv_bytes()?);
    }
    Ok(found)
}

fn inside(element: &[u8], tag: Tag) -> Result<&[u8], Flaw> {
    let any = <AnyRef<'_> as der::Decode<'_>>::from_der(element)?;
    if any.tag() == tag { Ok(any.value()) } else { Err(Flaw::Damaged) }
}

fn sequence(element: &[u8]) -> Result<&[u8], Flaw> {
    inside(element, Tag::Sequence)
}

fn context(number: u32) -> Tag {
    Tag::ContextSpecific { constructed: true, number: TagNumber(number) }
}

/// The identifier of an algorithm.
fn algorithm(element: &[u8]) -> Result<ObjectIdentifier, Flaw> {
    Ok(Algorithm::from_der(element)?.oid)
}

/// A token taken apart.
struct Token<'a> {
    content: &'a [u8],
    certificates: Vec<Certificate>,
    /// Issuer and serial number of the signer's certificate, as the token names it; or its key's name.
    who: Who<'a>,
    hashing: Hashing,
    /// What is signed, as a set.
    attributes: &'a [u8],
    algorithm: ObjectIdentifier,
    signature: &'a [u8],
}

enum Who<'a> {
    Issued { issuer: &'a [u8], serial: &'a [u8] },
    Key(&'a [u8]),
}

impl<'a> Token<'a> {
    fn read(token: &'a [u8]) -> Result<Self, Flaw> {
        if token.len() > TOKEN_BYTES_MAX {
            return Err(Flaw::Damaged);
        }
        let [kind, content] = fixed(sequence(token)?)?;
        if ObjectIdentifier::from_der(kind)? != SIGNED_DATA {
            return Err(Flaw::Damaged);
        }
        let [signed] = fixed(inside(content, context(0))?)?;
        let parts = elements(sequence(signed)?)?;
        let [_version, _digests, encapsulated, rest @ ..] = parts.as_slice() else { return Err(Flaw::Damaged) };
        let [kind, content] = fixed(sequence(encapsulated)?)?;
        if ObjectIdentifier::from_der(kind)? != TST_INFO {
            return Err(Flaw::Damaged);
        }
        let [content] = fixed(inside(content, context(0))?)?;
        let content = inside(content, Tag::OctetString)?;
        let (signers, sets) = rest.split_last().ok_or(Flaw::Damaged)?;
        let mut certificates = Vec::new();
        for set in sets {
            let tag = <AnyRef<'_> as der::Decode<'_>>::from_der(set)?.tag();
            if tag == context(0) {
                for one in elements(inside(set, context(0))?)? {
                    certificates.push(read_certificate(one)?);
                }
            } else if tag != context(1) {
                return Err(Flaw::Damaged);
            }
        }
        if certificates.len() > CHAIN_MAX {
            return Err(Flaw::Damaged);
        }
        // A token has one signer (RFC 3161 section 2.4.2).
        let [signer] = fixed(inside(signers, Tag::Set)?)?;
        let parts = elements(sequence(signer)?)?;
        let [_version, who, digest, attributes, kind, signature, _unsigned @ ..] = parts.as_slice() else {
            return Err(Flaw::Damaged);
        };
        Ok(Self {
            content,
            certificates,
            who: Who::read(who)?,
            hashing: Hashing::of(algorithm(digest)?).ok_or(Flaw::OtherSignature)?,
            attributes: inside(attributes, context(0))?,
            algorithm: algorithm(kind)?,
            signature: inside(signature, Tag::OctetString)?,
        })
    }

    /// The certificate that is said to have signed.
    fn signer(&self) -> Result<&Certificate, Flaw> {
        self.certificates.iter().find(|one| self.who.is(one)).ok_or(Flaw::AuthorityUnknown)
    }

    /// Whether the certificate signed this content, and says that it was this very certificate.
    fn check(&self, signer: &Certificate) -> Result<(), Flaw> {
        let (mut kind, mut digest, mut named) = (false, false, false);
        for attribute in elements(self.attributes)? {
            let [oid, values] = fixed(sequence(attribute)?)?;
            let oid = ObjectIdentifier::from_der(oid)?;
            let values = inside(values, Tag::Set)?;
            let once = |seen: &mut bool| if std::mem::replace(seen, true) { Err(Flaw::Damaged) } else { Ok(()) };
            match oid {
                CONTENT_TYPE => {
                    once(&mut kind)?;
                    let [value] = fixed(values)?;
                    if ObjectIdentifier::from_der(value)? != TST_INFO {
                        return Err(Flaw::SignatureFalse);
                    }
                }
                MESSAGE_DIGEST => {
                    once(&mut digest)?;
                    let [value] = fixed(values)?;
                    if inside(value, Tag::OctetString)? != self.hashing.hash(self.content) {
                        return Err(Flaw::SignatureFalse);
                    }
                }
                SIGNING_CERTIFICATE | SIGNING_CERTIFICATE_V2 => {
                    let [value] = fixed(values)?;
                    if !names(value, oid == SIGNING_CERTIFICATE_V2, &signer.to_der()?)? {
                        return Err(Flaw::SignatureFalse);
                    }
                    named = true;
                }
                _ => {}
            }
        }
        if !(kind && digest && named) {
            return Err(Flaw::Damaged);
        }
        // Signed is the set, not the field that holds it (RFC 5652 section 5.4).
        let message = AnyRef::new(Tag::Set, self.attributes)?.to_der()?;
        check_by(signer, self.algorithm, Some(self.hashing), &message, self.signature)
    }
}

/// Whether the first certificate that an attribute names is this one.
fn names(value: &[u8], is_v2: bool, certificate: &[u8]) -> Result<bool, Flaw> {
    let lists = elements(sequence(value)?)?;
    let list = elements(sequence(lists.first().ok_or(Flaw::Damaged)?)?)?;
    let first = elements(sequence(list.first().ok_or(Flaw::Damaged)?)?)?;
    let (hash, by_default) = match first.as_slice() {
        [kind, hash, ..] if is_v2 && sequence(kind).is_ok() && inside(hash, Tag::OctetString).is_ok() => {
            let hashing = Hashing::of(algorithm(kind)?).ok_or(Flaw::OtherSignature)?;
            return Ok(inside(hash, Tag::OctetString)? == hashing.hash(certificate));
        }
        [hash, ..] if is_v2 => (hash, Hashing::Sha256.hash(certificate)),
        [hash, ..] => (hash, Sha1::digest(certificate).to_vec()),
        [] => return Err(Flaw::Damaged),
    };
    Ok(inside(hash, Tag::OctetString)? == by_default)
}

impl<'a> Who<'a> {
    fn read(element: &'a [u8]) -> Result<Self, Flaw> {
        let any = <AnyRef<'a> as der::Decode<'a>>::from_der(element)?;
        match any.tag() {
            Tag::Sequence => {
                let [issuer, serial] = fixed(any.value())?;
                Ok(Self::Issued { issuer, serial })
            }
            Tag::ContextSpecific { number: TagNumber(0), .. } => Ok(Self::Key(any.value())),
            _ => Err(Flaw::Damaged),
        }
    }

    fn is(&self, certificate: &Certificate) -> bool {
        let tbs = certificate.tbs_certificate();
        match self {
            Self::Issued { issuer, serial } => {
                let is_issuer = tbs.issuer().to_der().is_ok_and(|der| der == *issuer);
                is_issuer && tbs.serial_number().to_der().is_ok_and(|der| der == *serial)
            }
            Self::Key(named) => {
                let held = tbs.get_extension::<x509_cert::ext::pkix::SubjectKeyIdentifier>();
                matches!(held, Ok(Some((_, held))) if held.0.as_bytes() == *named)
            }
        }
    }
}

/// Exactly so many elements.
fn fixed<const N: usize>(value: &[u8]) -> Result<[&[u8]; N], Flaw> {
    elements(value)?.try_into().map_err(|_| Flaw::Damaged)
}

/// What a token states.
struct Info<'a> {
    hashing: Option<Hashing>,
    imprint: &'a [u8],
    at_s: i64,
    by_s: i64,
    nonce: Option<&'a [u8]>,
}

impl<'a> Info<'a> {
    fn read(content: &'a [u8]) -> Result<Self, Flaw> {
        let parts = elements(sequence(content)?)?;
        let [version, _policy, imprint, _serial, time, rest @ ..] = parts.as_slice() else {
            return Err(Flaw::Damaged);
        };
        if u8::from_der(version)? != 1 {
            return Err(Flaw::Damaged);
        }
        let [kind, hash] = fixed(sequence(imprint)?)?;
        let (at_s, fraction_us) = moment(inside(time, Tag::GeneralizedTime)?)?;
        let (mut accuracy_us, mut nonce) = (0, None);
        for part in rest {
            let any = <AnyRef<'a> as der::Decode<'a>>::from_der(part)?;
            match any.tag() {
                Tag::Sequence => accuracy_us = accuracy(any.value())?,
                Tag::Integer => nonce = Some(UintRef::from_der(part)?.as_bytes()),
                Tag::Boolean | Tag::ContextSpecific { .. } => {}
                _ => return Err(Flaw::Damaged),
            }
        }
        let late_us = fraction_us + accuracy_us;
        Ok(Self {
            hashing: Hashing::of(algorithm(kind)?),
            imprint: inside(hash, Tag::OctetString)?,
            at_s,
            by_s: at_s + late_us.div_euclid(1_000_000) + i64::from(late_us % 1_000_000 != 0),
            nonce,
        })
    }
}

/// A moment, `YYYYMMDDhhmmss[.fraction]Z`, as seconds since 1970 and microseconds, these rounded up.
fn moment(text: &[u8]) -> Result<(i64, i64), Flaw> {
    let text = std::str::from_utf8(text).ok().and_then(|text| text.strip_suffix('Z')).ok_or(Flaw::Damaged)?;
    let (whole, fraction) = text.split_once('.').map_or((text, None), |(whole, rest)| (whole, Some(rest)));
    if whole.len() != 14 || !whole.bytes().all(|c| c.is_ascii_digit()) {
        return Err(Flaw::Damaged);
    }
    let micros = match fraction {
        None => 0,
        Some(digits) if (1..=9).contains(&digits.len()) && digits.bytes().all(|c| c.is_ascii_digit()) => {
            let nanos: i64 = format!("{digits:0<9}").parse().map_err(|_| Flaw::Damaged)?;
            nanos.div_euclid(1000) + i64::from(nanos % 1000 != 0)
        }
        Some(_) => return Err(Flaw::Damaged),
    };
    let time = jiff::civil::DateTime::strptime("%Y%m%d%H%M%S", whole).map_err(|_| Flaw::Damaged)?;
    let at = jiff::tz::Offset::UTC.to_timestamp(time).map_err(|_| Flaw::Damaged)?;
    Ok((at.as_second(), micros))
}

/// An accuracy in microseconds.
fn accuracy(value: &[u8]) -> Result<i64, Flaw> {
    /// Beyond a day it is no accuracy.
    const SECONDS_MAX: u32 = 86_400;
    let mut micros = 0;
    for part in elements(value)? {
        let any = <AnyRef<'_> as der::Decode<'_>>::from_der(part)?;
        let unit = match any.tag() {
            Tag::Integer => 1_000_000,
            Tag::ContextSpecific { number: TagNumber(0), .. } => 1000,
            Tag::ContextSpecific { number: TagNumber(1), .. } => 1,
            _ => return Err(Flaw::Damaged),
        };
        let number = AnyRef::new(Tag::Integer, any.value())?.decode_as::<u32>()?;
        if number > SECONDS_MAX {
            return Err(Flaw::Damaged);
        }
        micros += i64::from(number) * unit;
    }
    Ok(micros)
}
