//! The server's decision about a push, as data: what is new, what is held, what stands aside, where the log ends.
//!
//! Promises: nothing a person recorded is refused for good. A push is taken whole, recognised as held, or answered
//! with where to go on; entries that break a rule are taken and stand aside with a code. A fork is told, never
//! hidden. No function here trusts a hash or number of the request that it has not computed itself.

use crate::chain::{self, LogHead, Seal};
use crate::entry::{Entry, Held};
use crate::exchange::{Aside, ClockSample, Push, PushAnswer, PushOutcome, Receipt};
use crate::fact::Fact;
use crate::fact::administration::{Need, need};
use crate::fault::{Fault, code};
use crate::ids::{DeviceId, Hash, MachineId, OrganisationId, PersonId, PublicKey};
use crate::limits::{CLOCK_OFF_MARKED_S, ENTRY_BYTES_MAX, PUSH_ENTRIES_MAX};
use crate::permission::Role;
use std::collections::BTreeMap;

/// A push whose chain has been computed and whose seal is the device's: the work done before any transaction.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// Number of the first entry.
    pub from: u64,
    /// Link before the first entry, as the device claims it.
    pub previous: Hash,
    /// The entries with their links, in order.
    pub entries: Vec<CheckedEntry>,
    /// The seal over them.
    pub seal: Seal,
}

/// One entry of a checked push.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckedEntry {
    /// Its computed link.
    pub link: Hash,
    /// The entry.
    pub entry: Entry,
    /// Canonical bytes, computed once.
    pub bytes: Vec<u8>,
    /// What is wrong with it on its own, if anything.
    pub fault: Option<Fault>,
}

/// Why a push cannot be looked at further.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refused {
    /// The entries are not one run of numbers, or too many: the request itself is wrong.
    Malformed(Fault),
    /// The seal is not this device's over these entries.
    BadSeal,
}

/// Computes the chain of a push and verifies its seal.
///
/// Entries may come in any order as long as they make one run of numbers from `from`.
///
/// # Errors
/// [`Refused`], with a pointer into the request.
pub fn check(push: Push, key: &PublicKey, organisation: &OrganisationId) -> Result<Checked, Refused> {
    let malformed = |code: &str, pointer: String, detail: &str| Refused::Malformed(Fault::new(code, pointer, detail));
    let Push { from, previous, mut entries, signature } = push;
    if entries.is_empty() || entries.len() > PUSH_ENTRIES_MAX {
        let detail = format!("a push has 1 to {PUSH_ENTRIES_MAX} entries");
        return Err(malformed(code::OUT_OF_RANGE, "/push/entries".into(), &detail));
    }
    if from < 1 || from > crate::limits::INTEGER_MAX.unsigned_abs() {
        return Err(malformed(code::OUT_OF_RANGE, "/push/from".into(), "from is a whole number from 1"));
    }
    if from == 1 && previous != LogHead::empty(key).link {
        let detail = "before entry 1 stands the link of the empty log, made from the public key";
        return Err(malformed(code::CHAIN_MISMATCH, "/push/previous".into(), detail));
    }
    entries.sort_by_key(Entry::seq);
    let mut head = LogHead { seq: from - 1, link: previous };
    let mut checked = Vec::with_capacity(entries.len());
    for (index, entry) in entries.into_iter().enumerate() {
        if entry.seq() != head.seq + 1 {
            let pointer = format!("/push/entries/{index}/head/seq");
            let detail = format!("the entries must be one run of numbers from {from}; expected {}", head.seq + 1);
            return Err(malformed(code::OUT_OF_RANGE, pointer, &detail));
        }
        head = head.after(&entry);
        let bytes = entry.canonical();
        let fault = rule_broken(&entry, bytes.len()).map(|f| f.under(&format!("/push/entries/{index}")));
        checked.push(CheckedEntry { link: head.link, entry, bytes, fault });
    }
    let seal = Seal { device: DeviceId::of_key(key), from, to: head.seq, link: head.link, signature };
    if !chain::verify_seal(key, organisation, &seal) {
        return Err(Refused::BadSeal);
    }
    Ok(Checked { from, previous, entries: checked, seal })
}

/// What makes an entry stand aside whatever else the ledger holds.
fn rule_broken(entry: &Entry, bytes: usize) -> Option<Fault> {
    if bytes > ENTRY_BYTES_MAX {
        let detail = format!("an entry has at most {ENTRY_BYTES_MAX} bytes");
        return Some(Fault::new(code::ENTRY_TOO_LARGE, "", detail));
    }
    let head = match entry.head() {
        Ok(head) => head,
        Err(fault) => return Some(fault.clone()),
    };
    Fact::read(head, entry).err()
}

/// Whose log it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Author {
    /// A person's device, with the role it has now.
    Person(Role),
    /// The server itself; see [`crate::scribe`].
    Server,
}

/// What the ledger knows of a device when a push comes in; read under the device's lock.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// Where the device's log ends in the ledger.
    pub head: LogHead,
    /// Whose log it is.
    pub author: Author,
    /// Whether the device has been revoked.
    pub revoked: bool,
    /// What is stored under the numbers from `from − 1` to `to` that exist, by number.
    pub stored: BTreeMap<u64, Stored>,
    /// The device's running count per machine, for the machines the push names; absent means 0.
    pub machine_counts: BTreeMap<MachineId, u64>,
}

/// A stored entry of the device, as far as a push needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stored {
    /// Its link.
    pub link: Hash,
    /// Its place in the ledger.
    pub position: u64,
    /// When it was received.
    pub received_ms: i64,
    /// How far the clock was off, where marked.
    pub off_s: Option<i64>,
    /// Why it stands aside, if it does.
    pub aside: Option<String>,
}

/// The decision about a push.
#[derive(Debug, Clone, PartialEq)]
pub enum Admission {
    /// These entries are new and follow the log's end; write them all or none.
    Write {
        /// The new entries, in order.
        fresh: Vec<Fresh>,
        /// Where the log ends after them.
        head: LogHead,
        /// The device's running count per machine after them.
        machine_counts: BTreeMap<MachineId, u64>,
    },
    /// All of it is in the ledger.
    Held,
    /// Entries are missing before these.
    Gap {
        /// The number to go on from.
        expected: u64,
    },
    /// The ledger holds another entry under a number of the push; keep the branch beside the ledger.
    Fork {
        /// The first number that differs.
        seq: u64,
    },
}

/// A new entry with all that the ledger stores about it, but for its position.
#[derive(Debug, Clone, PartialEq)]
pub struct Fresh {
    /// Its link.
    pub link: Hash,
    /// The entry.
    pub entry: Entry,
    /// Its canonical bytes.
    pub bytes: Vec<u8>,
    /// How far the clock was off, where marked.
    pub off_s: Option<i64>,
    /// Why it stands aside, if it does.
    pub aside: Option<Fault>,
}

/// Decides about a checked push. Pure: time and what the ledger knows come in as arguments.
#[must_use]
pub fn admit(checked: &Checked, known: &Known, clock: &ClockSample, now_ms: i64) -> Admission {
    let end = known.head.seq;
    if checked.from > end + 1 {
        return Admission::Gap { expected: end + 1 };
    }
    let before = checked.from - 1;
    let before_link = if before == end { Some(known.head.link) } else { known.stored.get(&before).map(|s| s.link) };
    // For `from` = 1 `check` has already compared with the empty log's link.
    if before > 0 && before_link.is_some_and(|link| link != checked.previous) {
        return Admission::Fork { seq: before };
    }
    for held in checked.entries.iter().take_while(|e| e.entry.seq() <= end) {
        let seq = held.entry.seq();
        if known.stored.get(&seq).is_some_and(|stored| stored.link != held.link) {
            return Admission::Fork { seq };
        }
    }
    let mut machine_counts = known.machine_counts.clone();
    let fresh: Vec<Fresh> = checked
        .entries
        .iter()
        .filter(|e| e.entry.seq() > end)
        .map(|e| {
            let aside = aside_of(e, known, &mut machine_counts);
            let off_s = clock_off_s(&e.entry, clock, now_ms);
            Fresh { link: e.link, entry: e.entry.clone(), bytes: e.bytes.clone(), off_s, aside }
        })
        .collect();
    if fresh.is_empty() {
        return Admission::Held;
    }
    let head = LogHead { seq: checked.seal.to, link: checked.seal.link };
    Admission::Write { fresh, head, machine_counts }
}

fn aside_of(checked: &CheckedEntry, known: &Known, counts: &mut BTreeMap<MachineId, u64>) -> Option<Fault> {
    let mut gap = None;
    if let Ok(head) = checked.entry.head()
        && let (Some(machine), Some(mseq)) = (head.machine, head.mseq)
    {
        let count = counts.entry(machine).or_insert(0);
        if mseq != *count + 1 {
            let detail = format!("the device's entry for this machine after {count} must be {}", *count + 1);
            gap = Some(Fault::new(code::MACHINE_SEQUENCE_GAP, "/head/mseq", detail));
        }
        *count = (*count).max(mseq);
    }
    if known.revoked {
        return Some(Fault::new(code::DEVICE_REVOKED, "", "the device had been revoked before it pushed this"));
    }
    checked.fault.clone().or_else(|| not_permitted(&checked.entry, known.author)).or(gap)
}

/// Whether an entry's author may not have made it. It is kept all the same, and the office judges.
fn not_permitted(entry: &Entry, author: Author) -> Option<Fault> {
    let head = entry.head().ok()?;
    let permitted = match (need(&head.kind), author) {
        (_, Author::Server) => true,
        (Need::Server, Author::Person(_)) => false,
        // Nobody speaks in the server's name.
        (Need::Right(right), Author::Person(role)) => role.may(right) && head.by != PersonId::OPERATOR,
    };
    (!permitted).then(|| Fault::new(code::NOT_PERMITTED, "/head/kind", NOT_PERMITTED_TOLD))
}

const NOT_PERMITTED_TOLD: &str = "this device may not make an entry of this kind, or in this name";

/// How far a device's wall clock was ahead when it made an entry, in seconds, where that can be told and is over the
/// limit that is marked. It can be told when the device has not restarted since: its monotonic clock then gives the
/// age of the entry, and the server's clock the moment of the push.
#[must_use]
pub fn clock_off_s(entry: &Entry, sample: &ClockSample, now_ms: i64) -> Option<i64> {
    let head = entry.head().ok()?;
    let wall = head.clock.as_ref().and_then(|c| c.wall.as_ref()).unwrap_or(&head.at);
    let now_s = now_ms.div_euclid(1000);
    let off_s = match (&head.clock, &sample.boot, sample.up_s) {
        (Some(clock), Some(boot), Some(up_s)) if clock.boot == *boot => {
            // How long the device had been up when it made the entry, by the clock that nobody can set.
            let up_then_s = wall.second().checked_sub(clock.began_s)?;
            let age_s = i64::try_from(up_s).ok()?.checked_sub(up_then_s).filter(|age_s| *age_s >= 0)?;
            wall.second() - now_s.checked_sub(age_s)?
        }
        // Without that evidence one thing is still certain: nothing is made after it has been received.
        _ => (wall.second() - now_s).max(0),
    };
    (off_s.abs() > CLOCK_OFF_MARKED_S).then_some(off_s)
}

/// Why an entry of this push stands aside, with its place in the request. The ledger keeps the code alone.
fn aside_told(entry: &CheckedEntry, code: &str, place: &str) -> Aside {
    let (pointer, detail) = match &entry.fault {
        Some(fault) if fault.code == code => (fault.pointer.clone(), fault.detail.clone()),
        _ if code == code::NOT_PERMITTED => (format!("{place}/head/kind"), NOT_PERMITTED_TOLD.to_owned()),
        _ if code == code::MACHINE_SEQUENCE_GAP => {
            (format!("{place}/head/mseq"), "the running count for this machine jumps or repeats".to_owned())
        }
        _ => (place.to_owned(), "the device had been revoked before it pushed this".to_owned()),
    };
    Aside { seq: entry.entry.seq(), code: code.to_owned(), pointer, detail }
}

/// The receipts of a push: where each of its entries that the ledger holds stands, as runs. An entry under whose number
/// the ledger holds another one has none.
#[must_use]
pub fn receipts(checked: &Checked, stored: &BTreeMap<u64, Stored>) -> (Vec<Receipt>, Vec<Aside>) {
    let mut runs: Vec<Receipt> = Vec::new();
    let mut asides = Vec::new();
    for entry in &checked.entries {
        let seq = entry.entry.seq();
        let Some(held) = stored.get(&seq).filter(|held| held.link == entry.link) else { continue };
        if let Some(code) = &held.aside {
            asides.push(aside_told(entry, code, &format!("/push/entries/{}", seq - checked.from)));
        }
        match runs.last_mut() {
            Some(run)
                if run.to + 1 == seq
                    && run.position + (seq - run.from) == held.position
                    && run.received_ms == held.received_ms
                    && run.off_s == held.off_s =>
            {
                run.to = seq;
            }
            _ => runs.push(Receipt {
                from: seq,
                to: seq,
                position: held.position,
                received_ms: held.received_ms,
                off_s: held.off_s,
            }),
        }
    }
    (runs, asides)
}

/// The answer to an admitted push, once the ledger holds it. `stored` is what [`Known::stored`] is after the write.
#[must_use]
pub fn answer(admission: &Admission, checked: &Checked, revoked: bool, stored: &BTreeMap<u64, Stored>) -> PushAnswer {
    let (outcome, seq) = match admission {
        Admission::Write { .. } if revoked => (PushOutcome::Revoked, None),
        Admission::Write { .. } => (PushOutcome::Accepted, None),
        Admission::Held => (PushOutcome::AlreadyHeld, None),
        Admission::Gap { expected } => (PushOutcome::Gap, Some(*expected)),
        Admission::Fork { seq } => (PushOutcome::Fork, Some(*seq)),
    };
    // Of a fork, what lies before it: a device that goes on under a new key must not record that once more.
    let told = !matches!(admission, Admission::Gap { .. });
    let (held, aside) = if told { receipts(checked, stored) } else { (Vec::new(), Vec::new()) };
    PushAnswer { outcome, held, aside, seq, retry_after_s: None }
}

impl Fresh {
    /// The entry as the ledger holds it once it has a position.
    #[must_use]
    pub fn held(&self, device: DeviceId, position: u64, received_ms: i64) -> Held {
        Held {
            device,
            link: self.link,
            position: Some(position),
            received_ms: Some(received_ms),
            off_s: self.off_s,
            aside: self.aside.as_ref().map(|f| f.code.clone()),
            entry: self.entry.clone(),
        }
    }

    /// What a later push needs to know about it.
    #[must_use]
    pub fn stored(&self, position: u64, received_ms: i64) -> Stored {
        Stored {
            link: self.link,
            position,
            received_ms,
            off_s: self.off_s,
            aside: self.aside.as_ref().map(|f| f.code.clone()),
        }
    }
}
