//! The server's own log: what it did for whom, as entries beside everyone else's.
//!
//! Promises: each organisation has one such log for each epoch of its ledger, under a key of its own that is derived
//! from a secret of the database, so that a ledger that went back to an older copy never signs two different entries
//! under one number. Entries are made and sealed as a device makes and seals them, and are checked like them.
//!
//! Never: a clock, randomness, the secret in an error.

use crate::admit::{self, Checked, Refused};
use crate::chain::{DeviceKey, LogHead};
use crate::entry::{ENTRY_VERSION, Entry, Head};
use crate::exchange::Push;
use crate::fact::Fact;
use crate::fault::{Fault, code};
use crate::ids::{CodeId, DeviceId, Hash, OrganisationId, PersonId, PublicKey};
use crate::moment::Moment;
use serde_json::{Map, Value};
use std::collections::BTreeMap;

/// Domain line of the key's derivation.
const DOMAIN_KEY: &[u8] = b"pintle/server-log/1\n";
/// Domain line of the ids of codes.
const DOMAIN_CODE: &[u8] = b"pintle/code-id/1\n";
/// The mark the server's log asks for: `SV-12` is its entry 12. With every new epoch a digit follows.
pub const SERVER_MARK: &str = "SV";
/// The name under which [`PersonId::OPERATOR`] stands in the directory.
pub const SERVER_NAME: &str = "server";

/// The id under which a code is spoken of, also in the ledger, which every device reads: from it and without the secret
/// nobody tries codes at home. Sixty bits would not hold against that for as long as a code lives.
#[must_use]
pub fn code_id(secret: &[u8; 32], code: &Hash) -> CodeId {
    CodeId(Hash::of(&[DOMAIN_CODE, secret, &code.0]).first_half())
}

/// Writes the server's own log of one organisation in one epoch.
pub struct Scribe {
    organisation: OrganisationId,
    key: DeviceKey,
}

impl Scribe {
    /// The scribe of an organisation in an epoch.
    #[must_use]
    pub fn new(secret: &[u8; 32], organisation: OrganisationId, epoch: u64) -> Self {
        let seed = Hash::of(&[DOMAIN_KEY, secret, &organisation.0, &epoch.to_be_bytes()]);
        Self { organisation, key: DeviceKey::from_secret(&seed.0) }
    }

    /// Its public key.
    #[must_use]
    pub fn key(&self) -> PublicKey {
        self.key.public()
    }

    /// Its device id.
    #[must_use]
    pub fn device(&self) -> DeviceId {
        DeviceId::of_key(&self.key())
    }

    /// The entry that says so, sealed, as a push of one.
    ///
    /// `head` is where the log ends, `seen` where the ledger does; `by` is who had it done.
    ///
    /// # Errors
    /// If the fact cannot be written, or the time lies outside the calendar.
    pub fn write(&self, head: &LogHead, seen: u64, by: PersonId, fact: &Fact, now_ms: i64) -> Result<Checked, Fault> {
        self.write_office(head, seen, by, fact, None, now_ms)
    }

    /// The same, with an office part, which crews do not get. Its salt is the caller's.
    ///
    /// # Errors
    /// As [`Scribe::write`].
    pub fn write_office(
        &self,
        head: &LogHead,
        seen: u64,
        by: PersonId,
        fact: &Fact,
        office: Option<Map<String, Value>>,
        now_ms: i64,
    ) -> Result<Checked, Fault> {
        let unwritable = |detail: &str| Fault::new(code::MALFORMED_ENTRY, "", detail);
        let (kind, body) = fact.write().ok_or_else(|| unwritable("there is nothing to write"))?;
        let made = Head {
            v: ENTRY_VERSION,
            seq: head.seq + 1,
            machine: None,
            mseq: None,
            seen,
            also_seen: BTreeMap::new(),
            at: Moment::at(now_ms.div_euclid(1000), 0)?,
            by,
            kind: kind.to_owned(),
            clock: None,
        };
        let entry = Entry::new(&made, body, None, office)?;
        let end = head.after(&entry);
        let seal = self.key.seal(&self.organisation, end.seq, &end);
        let push = Push { from: end.seq, previous: head.link, entries: vec![entry], signature: seal.signature };
        admit::check(push, &self.key(), &self.organisation).map_err(|refused| match refused {
            Refused::Malformed(fault) => fault,
            Refused::BadSeal => unwritable("the server's own seal does not verify"),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fact::administration::DeviceRevoked;

    const ORGANISATION: OrganisationId = OrganisationId([1; 16]);

    #[test]
    fn what_it_writes_is_a_log_like_any_other() {
        let scribe = Scribe::new(&[7; 32], ORGANISATION, 1);
        let fact = Fact::DeviceRevoked(DeviceRevoked { device: DeviceId([2; 16]) });
        let mut head = LogHead::empty(&scribe.key());
        for seq in 1..=3 {
            let checked = scribe.write(&head, 40 + seq, PersonId::OPERATOR, &fact, 1_780_000_000_999).expect("written");
            let [entry] = checked.entries.as_slice() else { panic!("one entry") };
            let read = entry.entry.head().expect("a head");
            assert_eq!(
                (read.seq, read.seen, read.at.second(), read.by),
                (seq, 40 + seq, 1_780_000_000, PersonId::OPERATOR)
            );
            assert_eq!(entry.fault, None);
            assert_eq!(Fact::read(read, &entry.entry), Ok(fact.clone()));
            head = LogHead { seq, link: entry.link };
        }
    }

    #[test]
    fn a_code_is_named_by_the_secret_and_itself() {
        let ids = [([7; 32], 1), ([7; 32], 2), ([8; 32], 1)].map(|(secret, code)| code_id(&secret, &Hash([code; 32])));
        assert_eq!(ids.iter().collect::<std::collections::BTreeSet<_>>().len(), 3);
        assert!(ids.iter().all(|id| id.0 != [1; 16] && id.0 != [2; 16]), "no half of the hash itself");
    }

    #[test]
    fn every_organisation_and_epoch_has_a_key_of_its_own() {
        let keys = [([7; 32], 1, 1), ([7; 32], 1, 2), ([7; 32], 2, 1), ([8; 32], 1, 1)]
            .map(|(secret, organisation, epoch)| Scribe::new(&secret, OrganisationId([organisation; 16]), epoch).key());
        let distinct: std::collections::BTreeSet<_> = keys.iter().collect();
        assert_eq!(distinct.len(), keys.len());
        assert_eq!(Scribe::new(&[7; 32], ORGANISATION, 1).key(), keys[0], "the same again");
    }
}
