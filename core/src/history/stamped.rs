//! Time stamps in a history file: which of its entries an outside clock has seen, and by when.
//!
//! Promises: a stamp is told only once the machine's last entry under it was found in the tree that was stamped, with the
//! machine's own root there, so that it is about exactly the entries before it. One counts as proof only if its token leads
//! to an authority that the reader gave; any other is told as a claim. A token that a given authority should have made and
//! did not is a failure.
//!
//! Never: an authority believed because the file names it.

use super::STAMPS_MAX;
use super::line::StampShown;
use crate::ids::{Hash, OrganisationId};
use crate::proof::checkpoint::{Checkpoint, origin};
use crate::proof::leaf::{MachineSoFar, Row, entry_leaf_data};
use crate::proof::merkle::{leaf_hash, verify_inclusion};
use crate::stamp::{Authority, Flaw, TOKEN_BYTES_MAX, judge};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

/// What a token is worth to the reader.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// It counts: what it is about existed by then, in seconds since 1970.
    Counts {
        /// The latest moment that it allows.
        by_s: i64,
    },
    /// It leads to none of the authorities that were given, or is signed in a way that is not read: a claim.
    Stranger,
    /// No authority was given: a claim.
    Unjudged,
}

/// A time stamp of a file, found to be about its first entries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stamped {
    /// Whose it is: as the file says, or where it counts, as that authority's certificate says.
    pub authority: String,
    /// The moment that it states, in seconds since 1970.
    pub at_s: i64,
    /// How many entries it is about: the first of the file.
    pub count: u64,
    /// What it is worth.
    pub weight: Weight,
}

impl Stamped {
    /// The latest moment that it proves, in seconds since 1970.
    #[must_use]
    pub fn by_s(&self) -> Option<i64> {
        match self.weight {
            Weight::Counts { by_s } => Some(by_s),
            Weight::Stranger | Weight::Unjudged => None,
        }
    }
}

/// The moment by which the file's entry `nth`, counted from 1, is proved to have existed, in seconds since 1970.
#[must_use]
pub fn proved_by(stamps: &[Stamped], nth: u64) -> Option<i64> {
    stamps.iter().filter(|stamp| stamp.count >= nth).filter_map(Stamped::by_s).min()
}

/// A stamp whose entries have not all come.
#[derive(Debug)]
struct Waiting {
    shown: StampShown,
    line: u64,
    /// None if it was found false already.
    stamped: Option<Stamped>,
}

/// Entries since the last stamp that counts.
#[derive(Debug, Default)]
struct Since {
    /// The earliest time claimed, and the entry.
    earliest: Option<(i64, String)>,
    /// How many claim a time later than the next stamp that counts.
    ahead: u64,
}

/// What was found of the stamps.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Tally {
    /// Those that are about the file's entries.
    pub stamps: Vec<Stamped>,
    /// The longest time between the moment that an entry claims and the one by which it is proved to have existed, in
    /// seconds, and the entry.
    pub longest_gap: Option<(i64, String)>,
    /// Entries that claim a time after the moment by which they are proved to have existed.
    pub ahead: u64,
}

impl Tally {
    /// How many entries are under a stamp that counts: the first of the file.
    #[must_use]
    pub fn proved(&self) -> u64 {
        self.stamps.iter().filter(|stamp| stamp.by_s().is_some()).map(|stamp| stamp.count).max().unwrap_or(0)
    }

    /// For each authority, by weight, its stamp over most entries and how many it made; of several over as many, the
    /// earliest.
    #[must_use]
    pub fn series(&self) -> Vec<(&Stamped, usize)> {
        let mut all: Vec<(&Stamped, usize)> = Vec::new();
        for stamp in &self.stamps {
            let is_same = |other: &Stamped| {
                other.authority == stamp.authority
                    && std::mem::discriminant(&other.weight) == std::mem::discriminant(&stamp.weight)
            };
            match all.iter_mut().find(|(last, _)| is_same(last)) {
                Some((last, made)) => {
                    *made += 1;
                    if (stamp.count, last.at_s) > (last.count, stamp.at_s) {
                        *last = stamp;
                    }
                }
                None => all.push((stamp, 1)),
            }
        }
        all
    }
}

/// Something that is wrong with a stamp.
#[derive(Debug)]
pub(super) enum Wrong {
    /// The line cannot be read.
    Form(&'static str),
    /// The stamp is false.
    False(String),
}

/// The stamps of a file while it is being read.
#[derive(Debug, Default)]
pub(super) struct Stamps {
    authorities: Vec<Authority>,
    waiting: Vec<Waiting>,
    /// How many of these are done with.
    done: usize,
    since: Since,
    unproved: Vec<(u64, String)>,
    tally: Tally,
}

impl Stamps {
    pub(super) fn believing(authorities: Vec<Authority>) -> Self {
        Self { authorities, ..Self::default() }
    }

    /// Whether none has been taken.
    pub(super) fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }

    /// Takes the next stamp; `epochs` are those of the file's keys.
    pub(super) fn take(
        &mut self,
        line: u64,
        organisation: &OrganisationId,
        epochs: &[u64],
        shown: StampShown,
    ) -> Result<(), Wrong> {
        if self.waiting.len() >= STAMPS_MAX {
            return Err(Wrong::Form("there are more time stamps than a file may have"));
        }
        let before = self.waiting.last().map_or(1, |last| last.shown.count);
        if shown.count < before || shown.position == 0 || shown.index >= shown.size {
            return Err(Wrong::Form("the numbers of a time stamp do not fit together"));
        }
        let token = URL_SAFE_NO_PAD.decode(&shown.token).ok();
        let token = token.filter(|token| (1..=TOKEN_BYTES_MAX).contains(&token.len()));
        let Some(token) = token else { return Err(Wrong::Form("what should be a time stamp's token is none")) };
        let judged = if epochs.contains(&shown.epoch) {
            self.weigh(organisation, &shown, &token)
        } else {
            Err("it is of an epoch that the file has no key of".to_owned())
        };
        let told = judged.as_ref().err().map(|why| format!("{} is false: {why}", named(&shown)));
        self.waiting.push(Waiting { line, stamped: judged.ok(), shown });
        told.map_or(Ok(()), |told| Err(Wrong::False(told)))
    }

    fn weigh(&self, organisation: &OrganisationId, shown: &StampShown, token: &[u8]) -> Result<Stamped, String> {
        let StampShown { authority, at_s, count, .. } = shown;
        let claim = |weight| Stamped { authority: authority.clone(), at_s: *at_s, count: *count, weight };
        if self.authorities.is_empty() {
            return Ok(claim(Weight::Unjudged));
        }
        let stamped = Checkpoint { origin: origin(organisation, shown.epoch), size: shown.size, root: shown.root };
        match judge(token, &Hash::of(&[stamped.text().as_bytes()]), None, &self.authorities) {
            Ok(stamp) if stamp.at_s != *at_s => Err("its token states another moment".to_owned()),
            Ok(stamp) => {
                let weight = Weight::Counts { by_s: stamp.by_s };
                Ok(Stamped { authority: stamp.authority, at_s: stamp.at_s, count: *count, weight })
            }
            Err(Flaw::AuthorityUnknown | Flaw::OtherSignature) => Ok(claim(Weight::Stranger)),
            Err(flaw) => Err(told(flaw).to_owned()),
        }
    }

    /// An entry came, which claims a time.
    pub(super) fn claimed(&mut self, name: &str, at_s: i64) {
        let next = self.waiting.get(self.done..).unwrap_or_default();
        let next = next.iter().find_map(|waiting| waiting.stamped.as_ref()?.by_s());
        self.since.ahead += u64::from(next.is_some_and(|by_s| at_s > by_s));
        if self.since.earliest.as_ref().is_none_or(|(earliest, _)| at_s < *earliest) {
            self.since.earliest = Some((at_s, name.to_owned()));
        }
    }

    /// Entry `count` was added to the machine's tree, whose root is now that: looks at the stamps that end with it.
    pub(super) fn reached(&mut self, count: u64, root: impl Fn() -> Hash, row: &Row) {
        while let Some(waiting) = self.waiting.get(self.done).filter(|waiting| waiting.shown.count == count) {
            self.done += 1;
            let Waiting { shown, line, stamped: Some(stamped) } = waiting else { continue };
            let so_far = MachineSoFar { count, root: root() };
            let row = Row { position: shown.position, ..row.clone() };
            let leaf = leaf_hash(&entry_leaf_data(&row, Some(&so_far)));
            if !verify_inclusion(&leaf, shown.index, shown.size, &shown.inclusion, &shown.root) {
                let told = format!("{} is not of these entries: the last of them is not where it says", named(shown));
                self.unproved.push((*line, told));
                continue;
            }
            self.tally.stamps.push(stamped.clone());
            let Some(by_s) = stamped.by_s() else { continue };
            let Since { earliest, ahead } = std::mem::take(&mut self.since);
            self.tally.ahead += ahead;
            if let Some((at_s, name)) = earliest {
                let gap_s = by_s.saturating_sub(at_s);
                if self.tally.longest_gap.as_ref().is_none_or(|(longest, _)| gap_s > *longest) {
                    self.tally.longest_gap = Some((gap_s, name));
                }
            }
        }
    }

    /// What was found, and the stamps that are not of this file's entries, with their lines: these mean something only
    /// where all entries are there and in their places.
    pub(super) fn finish(self) -> (Tally, Vec<(u64, String)>) {
        let Self { waiting, done, mut unproved, tally, .. } = self;
        for Waiting { shown, line, stamped } in waiting.into_iter().skip(done) {
            if stamped.is_some() {
                unproved.push((line, format!("{} is about more entries than the file has", named(&shown))));
            }
        }
        (tally, unproved)
    }
}

fn named(shown: &StampShown) -> String {
    format!("the time stamp over the first {} entries", shown.count)
}

/// Why a token is false, for people.
fn told(flaw: Flaw) -> &'static str {
    match flaw {
        Flaw::Damaged | Flaw::NotGranted => "what stands there is no token",
        Flaw::OtherImprint | Flaw::OtherNonce => "its token is of something else",
        Flaw::NotForStamping => "it was not signed with a certificate for time stamps",
        Flaw::SignatureFalse => "a signature in its token is false",
        Flaw::NotValidThen => "a certificate was not valid at the moment that it states",
        Flaw::OtherSignature | Flaw::AuthorityUnknown => "nobody known has signed it",
    }
}
