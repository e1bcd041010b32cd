//! Cursors: opaque texts that only this server can have made, for the place and the question they were made for.
//!
//! Promises: a cursor of a pull holds store, epoch, position, the start of the link at that position, and the hash of
//! the wanted set; it is judged in this order, each failure with its own code. A cursor of a list is bound to its
//! organisation, list and filter. Both carry an HMAC-SHA256 cut to 16 bytes, which covers the organisation too.
//!
//! Never trusts a byte of a cursor before its authenticity is shown, but for telling "another ledger" from "forged".

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hmac::{Hmac, KeyInit as _, Mac as _};
use pintle_core::Hash;
use pintle_core::ids::{OrganisationId, StoreId};
use pintle_store::Identity;
use sha2::Sha256;

const FORM: u8 = 1;
const MAC_BYTES: usize = 16;
const PULL_BYTES: usize = 1 + 16 + 8 + 8 + 8 + 8;

/// The key that makes cursors.
pub struct CursorKey {
    secret: [u8; 32],
    store: StoreId,
}

/// Why a pull's cursor is void.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Void {
    /// It comes from another database.
    OtherLedger,
    /// The ledger was restored since.
    OtherEpoch,
    /// This server has not made it for this organisation.
    NotAuthentic,
    /// Another entry stands at its position, or none.
    Rewritten,
    /// It was made for another set of machines.
    WantedChanged,
}

impl Void {
    /// The stable code.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Void::OtherLedger => "other-ledger",
            Void::OtherEpoch => "other-epoch",
            Void::NotAuthentic => "not-authentic",
            Void::Rewritten => "rewritten",
            Void::WantedChanged => "wanted-changed",
        }
    }
}

/// What an authentic cursor of a pull says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PullPlace {
    /// The position up to which pages were given.
    pub position: u64,
    /// First eight bytes of the link there.
    pub link_prefix: u64,
    /// Hash of the wanted set.
    pub wanted: [u8; 8],
}

impl PullPlace {
    /// Judges the rest of a cursor that is authentic: the link that stands at its position now, and the set wanted now.
    #[must_use]
    pub fn void(&self, link: Option<Hash>, wanted: [u8; 8]) -> Option<Void> {
        if link.map(|link| link.prefix()) != Some(self.link_prefix) {
            return Some(Void::Rewritten);
        }
        (wanted != self.wanted).then_some(Void::WantedChanged)
    }
}

impl CursorKey {
    /// The key of a database.
    #[must_use]
    pub fn new(identity: &Identity) -> Self {
        Self { secret: identity.cursor_secret, store: identity.store }
    }

    pub(super) fn mac(&self, pieces: &[&[u8]]) -> Hmac<Sha256> {
        let mut mac = match Hmac::<Sha256>::new_from_slice(&self.secret) {
            Ok(mac) => mac,
            // HMAC takes a key of any length.
            Err(error) => unreachable!("{error}"),
        };
        pieces.iter().for_each(|piece| mac.update(piece));
        mac
    }

    fn sealed(&self, bytes: &[u8], pieces: &[&[u8]]) -> String {
        let mac = self.mac(pieces).finalize().into_bytes();
        URL_SAFE_NO_PAD.encode([bytes, &mac[..MAC_BYTES]].concat())
    }

    /// The cursor after a page of a pull in an epoch.
    #[must_use]
    pub fn pull(&self, organisation: &OrganisationId, epoch: u64, place: &PullPlace) -> String {
        let mut bytes = Vec::with_capacity(PULL_BYTES + MAC_BYTES);
        bytes.push(FORM);
        bytes.extend_from_slice(&self.store.0);
        bytes.extend_from_slice(&epoch.to_be_bytes());
        bytes.extend_from_slice(&place.position.to_be_bytes());
        bytes.extend_from_slice(&place.link_prefix.to_be_bytes());
        bytes.extend_from_slice(&place.wanted);
        self.sealed(&bytes, &[b"pintle/pull/1\n", &organisation.0, &bytes])
    }

    /// Reads a pull's cursor in an epoch.
    ///
    /// # Errors
    /// Why it is void: another ledger, another epoch, not authentic, in this order.
    pub fn read_pull(&self, organisation: &OrganisationId, epoch: u64, cursor: &str) -> Result<PullPlace, Void> {
        let all = decode(cursor).filter(|all| all.len() == PULL_BYTES + MAC_BYTES && all[0] == FORM);
        let all = all.ok_or(Void::NotAuthentic)?;
        let (bytes, mac) = all.split_at(PULL_BYTES);
        if bytes[1..17] != self.store.0 {
            return Err(Void::OtherLedger);
        }
        if number(&bytes[17..25]) != epoch {
            return Err(Void::OtherEpoch);
        }
        let ours = self.mac(&[b"pintle/pull/1\n", &organisation.0, bytes]);
        ours.verify_truncated_left(mac).map_err(|_| Void::NotAuthentic)?;
        let mut wanted = [0; 8];
        wanted.copy_from_slice(&bytes[41..49]);
        Ok(PullPlace { position: number(&bytes[25..33]), link_prefix: number(&bytes[33..41]), wanted })
    }

    /// The cursor after an item with this key. `question` names list and filter.
    #[must_use]
    pub fn list(&self, organisation: &OrganisationId, question: &str, key: &[u8]) -> String {
        let bytes = [&[FORM][..], key].concat();
        self.sealed(&bytes, &self.list_pieces(organisation, question, &bytes))
    }

    /// Reads a list's cursor: the key of the last item given. None if it was not made for this question.
    #[must_use]
    pub fn read_list(&self, organisation: &OrganisationId, question: &str, cursor: &str) -> Option<Vec<u8>> {
        let all = decode(cursor)?;
        let (bytes, mac) = all.split_at_checked(all.len().checked_sub(MAC_BYTES)?)?;
        let ours = self.mac(&self.list_pieces(organisation, question, bytes));
        ours.verify_truncated_left(mac).ok()?;
        bytes.strip_prefix(&[FORM]).map(<[u8]>::to_vec)
    }

    fn list_pieces<'a>(
        &'a self,
        organisation: &'a OrganisationId,
        question: &'a str,
        bytes: &'a [u8],
    ) -> [&'a [u8]; 6] {
        // The zero byte ends the question: none holds one, so that no question runs into a key.
        [b"pintle/list/1\n", &self.store.0, &organisation.0, question.as_bytes(), &[0], bytes]
    }
}

fn decode(cursor: &str) -> Option<Vec<u8>> {
    (cursor.len() <= 256).then(|| URL_SAFE_NO_PAD.decode(cursor).ok()).flatten()
}

fn number(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0, |number, byte| (number << 8) | u64::from(*byte))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(store: u8, secret: u8) -> CursorKey {
        CursorKey { secret: [secret; 32], store: StoreId([store; 16]) }
    }

    #[test]
    fn a_pull_cursor_is_judged_in_order() {
        let (ours, org) = (key(1, 9), OrganisationId([5; 16]));
        let link = Hash([0xab; 32]);
        let place = PullPlace { position: 77, link_prefix: link.prefix(), wanted: [4; 8] };
        let cursor = ours.pull(&org, 3, &place);
        assert_eq!(ours.read_pull(&org, 3, &cursor), Ok(place));
        assert_eq!(key(2, 8).read_pull(&org, 3, &cursor), Err(Void::OtherLedger));
        assert_eq!(key(1, 8).read_pull(&org, 4, &cursor), Err(Void::OtherEpoch));
        assert_eq!(key(1, 8).read_pull(&org, 3, &cursor), Err(Void::NotAuthentic));
        assert_eq!(ours.read_pull(&OrganisationId([6; 16]), 3, &cursor), Err(Void::NotAuthentic));
        assert_eq!(place.void(Some(link), [4; 8]), None);
        assert_eq!(place.void(None, [4; 8]), Some(Void::Rewritten));
        assert_eq!(place.void(Some(Hash([1; 32])), [9; 8]), Some(Void::Rewritten));
        assert_eq!(place.void(Some(link), [9; 8]), Some(Void::WantedChanged));
    }

    /// Every single bit of a cursor matters, and so does its length.
    #[test]
    fn no_edited_cursor_is_read() {
        let (ours, org) = (key(1, 9), OrganisationId([5; 16]));
        let place = PullPlace { position: 77, link_prefix: 7, wanted: [4; 8] };
        let bytes = URL_SAFE_NO_PAD.decode(ours.pull(&org, 3, &place)).expect("base64url");
        for bit in 0..bytes.len() * 8 {
            let mut edited = bytes.clone();
            edited[bit / 8] ^= 1 << (bit % 8);
            assert!(ours.read_pull(&org, 3, &URL_SAFE_NO_PAD.encode(&edited)).is_err(), "bit {bit}");
        }
        for bad in ["", "AA", "=", "é", &"A".repeat(87), &"A".repeat(100_000)] {
            assert!(ours.read_pull(&org, 3, bad).is_err(), "{bad:.10}");
            assert_eq!(ours.read_list(&org, "machines", bad), None, "{bad:.10}");
        }
        let list = ours.list(&org, "findings machine=x", b"key");
        assert_eq!(ours.read_list(&org, "findings machine=x", &list), Some(b"key".to_vec()));
        assert_eq!(ours.read_list(&org, "findings machine=y", &list), None);
        assert_eq!(ours.read_list(&OrganisationId([6; 16]), "findings machine=x", &list), None);
        assert_eq!(ours.read_list(&org, "findings machine=x", &list[..list.len() - 1]), None);
    }
}
