//! The ledger's storage, as a port in the words of the domain.
//!
//! Promises: every method takes its scope (an organisation, or a device of one) as a typed argument; a position is
//! given inside the transaction that commits it, so that positions have no hole and a reader who has seen position n
//! has seen everything up to n; nothing in the ledger is ever updated or deleted. A row that `pintle-core` refuses is
//! [`StoreError::Corrupt`], never a panic. No type of the database library leaves this crate.
//!
//! Never: HTTP, the clock, a decision of its own. Decisions are `pintle_core::admit`'s, taken inside the transaction.

pub mod audit;
mod bills;
mod facts;
mod ledger;
pub mod memory;
mod notices;
mod office;
pub mod sql;
mod tree;

use async_trait::async_trait;
pub use bills::{BillRecord, BillStore, Drafted, Dropped, IssueAsk, Issued, IssuedStamp, NewDraft, Noted, Standing};
pub use notices::{DueNotice, Hook, NOTICE_PAUSES_MS, NoticeAnswer, NoticeRecord, NoticeStore, notice_next_ms};
pub use office::{Actor, Changed, DeviceChange, DeviceStanding, Follow, NewShare, OpenCode, Share};
use pintle_core::admit::{Admission, Checked, Stored};
use pintle_core::chain::{LogHead, Seal};
use pintle_core::exchange::{ClockSample, Digest, Directory, Person, PushAnswer, Wanted};
use pintle_core::ids::{
    Baton, CodeId, DeviceId, Hash, MachineId, OrganisationId, PersonId, PublicKey, ShareId, StoreId,
};
pub use pintle_core::permission::Role;
use pintle_core::{Entry, EntryRef, Fault, Held};
use std::collections::BTreeMap;
pub use tree::{
    BatchedEntry, CheckpointRecord, Cosignature, Grown, MachineStamp, MachineStanding, SealedBatch, StampRecord,
    TreeStore,
};

/// What a storage operation can fail with. Expected outcomes are values, these are surprises.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The database cannot be reached or did not answer in time; trying again later may help.
    #[error("the database is not available during {act}: {detail}")]
    Unavailable {
        /// What was being done.
        act: &'static str,
        /// For the log.
        detail: String,
    },
    /// No room is left on the disk; nothing was written.
    #[error("the disk is full during {act}")]
    Full {
        /// What was being done.
        act: &'static str,
    },
    /// The database finds itself damaged.
    #[error("the database is damaged, as was noticed during {act}: {detail}; pintle-server check says where")]
    Damaged {
        /// What was being done.
        act: &'static str,
        /// For the log.
        detail: String,
    },
    /// A row holds what the domain refuses.
    #[error("table {table}, row {row}, column {column} is damaged: {detail}")]
    Corrupt {
        /// The table.
        table: &'static str,
        /// The row's key, as text.
        row: String,
        /// The column.
        column: &'static str,
        /// What is wrong.
        detail: String,
    },
    /// The schema is newer than this program, or cannot be migrated.
    #[error("the schema of the database cannot be used: {detail}")]
    Schema {
        /// What is wrong.
        detail: String,
    },
    /// Anything else the database said.
    #[error("the database failed during {act}: {detail}")]
    Failed {
        /// What was being done.
        act: &'static str,
        /// For the log.
        detail: String,
    },
}

/// Result of a storage operation.
pub type StoreResult<T> = Result<T, StoreError>;

/// What makes a database this one. Made once, with the schema.
#[derive(Debug, Clone)]
pub struct Identity {
    /// Random.
    pub store: StoreId,
    /// Secret that authenticates cursors.
    pub cursor_secret: [u8; 32],
    /// Secret seed of the key that signs access tokens; never signs anything else.
    pub token_secret: [u8; 32],
    /// Secret from which the keys of the server's own logs come; see `pintle_core::scribe`.
    pub ledger_secret: [u8; 32],
}

/// Random bytes a new database needs; the caller makes them.
#[derive(Debug, Clone)]
pub struct FreshSecrets {
    /// For [`Identity::store`].
    pub store: StoreId,
    /// For [`Identity::cursor_secret`].
    pub cursor_secret: [u8; 32],
    /// For [`Identity::token_secret`].
    pub token_secret: [u8; 32],
    /// For [`Identity::ledger_secret`].
    pub ledger_secret: [u8; 32],
}

/// An organisation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Organisation {
    /// Its id.
    pub id: OrganisationId,
    /// Its name.
    pub name: String,
}

/// The right to act as a device: made only after its signature has been verified.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DeviceScope {
    /// The organisation.
    pub organisation: OrganisationId,
    /// The device.
    pub device: DeviceId,
}

/// A one-time code that lets a device in, as it is stored: by hash.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EnrolmentCode {
    /// SHA-256 of the code.
    pub hash: Hash,
    /// What the device's person will be.
    pub role: Role,
    /// Until when it may be used, in milliseconds since 1970.
    pub expires_ms: i64,
}

/// A device that asks to be let in; its signature has been verified.
#[derive(Debug, Clone)]
pub struct Enrolment {
    /// SHA-256 of the code it showed.
    pub code: Hash,
    /// Its public key.
    pub key: PublicKey,
    /// The short name it would like.
    pub mark: String,
    /// Its person.
    pub person: Person,
    /// Its first baton.
    pub baton: Baton,
    /// Now.
    pub now_ms: i64,
}

/// What became of an enrolment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Enrolled {
    /// The device is in, now or since before (the same code and key again are answered the same, with a new baton).
    In {
        /// Its organisation.
        organisation: Organisation,
        /// The mark it got: the one it asked for, or that with a digit where another device has it.
        mark: String,
        /// Its role.
        role: Role,
    },
    /// There is no such code, or it has expired.
    NoSuchCode,
    /// The code has been used by another device.
    CodeUsed,
    /// The key is that of a revoked device, or of a device of another organisation: a new key is needed. The code
    /// has not been spent.
    KeyRefused,
    /// The device is the last owner's, and the code would make it less. Nothing was changed.
    LastOwner,
}

/// A device as the server knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceRecord {
    /// Its organisation.
    pub organisation: OrganisationId,
    /// The device.
    pub device: DeviceId,
    /// Its public key.
    pub key: PublicKey,
    /// Its short name.
    pub mark: String,
    /// Its person.
    pub person: PersonId,
    /// Its role.
    pub role: Role,
    /// Whether it has been revoked.
    pub revoked: bool,
    /// Where its log ends.
    pub head: LogHead,
    /// The baton handed out last.
    pub baton: Baton,
    /// The one before.
    pub baton_before: Baton,
    /// The machines it wants.
    pub wanted: Wanted,
}

impl DeviceRecord {
    /// Whether it is the server's own log, and nobody's device.
    #[must_use]
    pub fn is_server(&self) -> bool {
        self.person == PersonId::OPERATOR
    }

    /// The batons once it is let in again with this one, the one before first. One that counts already changes nothing.
    #[must_use]
    pub fn given(&self, baton: Baton) -> [Baton; 2] {
        if [self.baton_before, self.baton].contains(&baton) {
            [self.baton_before, self.baton]
        } else {
            [self.baton, baton]
        }
    }
}

/// How a baton was judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BatonJudged {
    /// The current one: it is now the one before, and `next` is current.
    Current,
    /// The one before, so the last reply was lost: the current one stays and is to be sent again.
    Before(Baton),
    /// Older: another copy of the device has synced since. Nothing was changed.
    Old,
}

/// A page of the ledger, or of one machine's entries.
#[derive(Debug, Clone)]
pub struct Page {
    /// The entries, in order of position.
    pub entries: Vec<Held>,
    /// Seals whose last entry is one of `entries`.
    pub seals: Vec<Seal>,
    /// The position up to which the ledger has been looked through.
    pub position: u64,
    /// Link of the ledger's entry at that position ([`Hash::ZERO`] at 0): what a cursor remembers.
    pub position_link: Hash,
    /// Whether there is more.
    pub more: bool,
    /// Digest of the wanted set up to `position`.
    pub digest: Digest,
}

/// What an entry takes in a reply beside its canonical bytes, in bytes: position, device, link, instant and marks with
/// their names come to some 190.
pub const ENTRY_FRAME_BYTES: usize = 192;

/// What a page is to hold.
#[derive(Debug, Clone)]
pub struct PageAsk {
    /// Entries after this position.
    pub after: u64,
    /// At most so many bytes: canonical bytes of the entries, and [`ENTRY_FRAME_BYTES`] for each. One entry is given
    /// however large.
    pub bytes_max: usize,
    /// At most so many rows are looked at, matching or not; at least one is.
    pub rows_max: usize,
    /// Which machines; entries about no machine are always wanted.
    pub wanted: Wanted,
    /// Leave out entries of this device (they still count in the digest).
    pub except: Option<DeviceId>,
    /// Give the entries of this device whatever they are about: it brings back its own log (they do not count in the
    /// digest, if they are about a machine that is not wanted).
    pub whole_log_of: Option<DeviceId>,
}

/// One machine as the ledger counts it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MachineHead {
    /// The machine.
    pub machine: MachineId,
    /// Its entries.
    pub digest: Digest,
    /// Position of its newest entry.
    pub position: u64,
}

/// Which of the views kept of a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ViewSort {
    /// The small one, which lists of all machines are made of.
    Glance,
    /// The whole.
    Book,
}

/// Entries that the office looks through by themselves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lane {
    /// Those that were set aside.
    Aside,
    /// Releases and strikes, which decide whether one that was set aside counts.
    Rulings,
}

/// A computed view of a machine, kept so that it need not be computed again; `digest` says for which entries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MachineView {
    /// Which view it is.
    pub sort: ViewSort,
    /// The machine.
    pub machine: MachineId,
    /// The entries it was computed from.
    pub digest: Digest,
    /// The view, as JSON made by the caller.
    pub json: String,
}

/// What became of a push.
#[derive(Debug, Clone, PartialEq)]
pub struct Pushed {
    /// The decision of `pintle_core::admit`, as taken under the device's lock.
    pub admission: Admission,
    /// The answer for the device.
    pub answer: PushAnswer,
    /// Where the device's log ends now.
    pub head: LogHead,
}

/// The storage of ledgers. The doc comment of each method is its contract; `contract` tests hold all
/// implementations to it.
#[async_trait]
pub trait Store: TreeStore + BillStore + NoticeStore {
    /// What makes this database this one.
    fn identity(&self) -> &Identity;

    /// The ledger's epoch, from 1. Another one means that the ledger went back: it was restored from an older copy, and
    /// devices have to offer again what they hold. Read anew each time, because several servers may share a database.
    async fn epoch(&self) -> StoreResult<u64>;

    /// Raises the epoch to `to` if it still is `from` and that is less, and gives what it is then: of many who notice at
    /// once that the ledger went back, one raises it. [`epoch_after`] says to what.
    async fn epoch_raise(&self, from: u64, to: u64) -> StoreResult<u64>;

    /// Whether the database answers.
    async fn ping(&self) -> StoreResult<()>;

    /// Adds an organisation.
    async fn organisation_add(&self, organisation: &Organisation, now_ms: i64) -> StoreResult<()>;

    /// All organisations, by name. For the operator of the server only.
    async fn organisations(&self) -> StoreResult<Vec<Organisation>>;

    /// Lets a device in: spends the code, writes the device and its person, raises the directory's version. All or
    /// nothing.
    ///
    /// The same code and key again are [`Enrolled::In`] again, also after the code's end, and hand on to the new baton:
    /// the reply may have been lost. A device of the organisation that shows a fresh code (its database is gone, its
    /// key is not) keeps its mark and log and gets the code's role and the person of the enrolment, unless it is the last
    /// owner's and would become less: [`Enrolled::LastOwner`]. A mark that
    /// another device of the organisation has, whatever its case, gets the first free digit from 2. Nobody is let in as
    /// [`PersonId::OPERATOR`]: that is a failure.
    async fn enrol(&self, enrolment: &Enrolment) -> StoreResult<Enrolled>;

    /// Lets in a device for which another's key vouches: the same person and role, the mark with a digit. Writes it down,
    /// and the end of the old one if it ends. All or nothing.
    ///
    /// The same keys again are [`Enrolled::In`] again, also after the old one's end, and hand on to the new baton. A
    /// revoked device vouches for nobody: [`Enrolled::KeyRefused`], as is a key that is in use already.
    async fn follow(&self, follow: &Follow) -> StoreResult<Enrolled>;

    /// The device, if it is enrolled. A device id belongs to one organisation at most.
    async fn device(&self, device: DeviceId) -> StoreResult<Option<DeviceRecord>>;

    /// Judges the baton a device presents, and hands on to `next` if it is the current one: the device has then
    /// exchanged something at `now_ms`. One transaction.
    async fn baton(&self, scope: DeviceScope, presented: Baton, next: Baton, now_ms: i64) -> StoreResult<BatonJudged>;

    /// Stores which machines a device wants.
    async fn wanted_set(&self, scope: DeviceScope, wanted: &Wanted) -> StoreResult<()>;

    /// Decides about a push and writes what it brings, in one transaction: lock the device, ask `admit`, lock the
    /// machines touched in order of id, lock the ledger's head, give the positions and insert the entries, last of all
    /// advance the head. The same push again is [`Admission::Held`] with the same receipts.
    /// A fork is kept beside the ledger from the first number that differs, byte for byte, once per (device, number,
    /// last link).
    async fn push(
        &self,
        scope: DeviceScope,
        checked: &Checked,
        clock: &ClockSample,
        now_ms: i64,
    ) -> StoreResult<Pushed>;

    /// Keeps what a copy of a device pushed, beside the ledger, whole, as a fork is kept. Again changes nothing. Gives
    /// what the ledger holds under the numbers of the push.
    async fn branch_keep(
        &self,
        scope: DeviceScope,
        checked: &Checked,
        now_ms: i64,
    ) -> StoreResult<BTreeMap<u64, Stored>>;

    /// The branches kept beside the ledger, newest first; then by device, first number and last link.
    async fn branches(&self, organisation: OrganisationId) -> StoreResult<Vec<Branch>>;

    /// The entries of one branch in order, named as in [`Branch`]; none if the organisation has no such branch.
    async fn branch_entries(
        &self,
        organisation: OrganisationId,
        device: DeviceId,
        from: u64,
        link: Hash,
    ) -> StoreResult<Vec<BranchEntry>>;

    /// A page of the ledger, from one snapshot. An `after` beyond the ledger's end gives an empty page at its end.
    async fn page(&self, organisation: OrganisationId, ask: &PageAsk) -> StoreResult<Page>;

    /// The digest of the whole ledger: it changes with every entry.
    async fn digest(&self, organisation: OrganisationId) -> StoreResult<Digest>;

    /// The link at a position, or none if the ledger is shorter. Position 0 has [`Hash::ZERO`].
    async fn link_at(&self, organisation: OrganisationId, position: u64) -> StoreResult<Option<Hash>>;

    /// Adds the people of the list whose ids the organisation does not have yet; never renames, and passes over
    /// [`PersonId::OPERATOR`], which nobody names. Raises the directory's version if it added one.
    async fn people_add(&self, organisation: OrganisationId, people: &[Person]) -> StoreResult<()>;

    /// The directory, if its version is not `held`.
    async fn directory(&self, organisation: OrganisationId, held: u64) -> StoreResult<Option<Directory>>;

    /// The machines of the organisation after `after` in order of id, at most `limit`.
    async fn machines(
        &self,
        organisation: OrganisationId,
        after: Option<MachineId>,
        limit: usize,
    ) -> StoreResult<Vec<MachineHead>>;

    /// One machine, if the organisation has an entry about it.
    async fn machine(&self, organisation: OrganisationId, machine: MachineId) -> StoreResult<Option<MachineHead>>;

    /// A machine's entries after a position, in order of position, at most `limit`.
    async fn machine_entries(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        after: u64,
        limit: usize,
    ) -> StoreResult<Vec<Held>>;

    /// An entry by its name.
    async fn entry(&self, organisation: OrganisationId, entry: EntryRef) -> StoreResult<Option<Held>>;

    /// Entries of a lane after a position, in order of position, at most `limit`.
    async fn lane(&self, organisation: OrganisationId, lane: Lane, after: u64, limit: usize) -> StoreResult<Vec<Held>>;

    /// The kept views of one sort of the machines after `after` in order of id, at most `limit`; stale ones included.
    async fn views(
        &self,
        organisation: OrganisationId,
        sort: ViewSort,
        after: Option<MachineId>,
        limit: usize,
    ) -> StoreResult<Vec<MachineView>>;

    /// A kept view of one machine, stale or not.
    async fn view(
        &self,
        organisation: OrganisationId,
        sort: ViewSort,
        machine: MachineId,
    ) -> StoreResult<Option<MachineView>>;

    /// Keeps views, each in place of what was kept before, all or none of them.
    async fn views_put(&self, organisation: OrganisationId, views: &[MachineView]) -> StoreResult<()>;

    /// Stores an enrolment code, and writes it down; gives the id under which it is spoken of.
    async fn code_add(&self, actor: Actor, code: &EnrolmentCode, now_ms: i64) -> StoreResult<CodeId>;

    /// The codes that may still be used, the one that ends first first.
    async fn codes(&self, organisation: OrganisationId, now_ms: i64) -> StoreResult<Vec<OpenCode>>;

    /// Cancels an open code, and writes it down; says whether the organisation had such an open one.
    async fn code_cancel(&self, actor: Actor, code: CodeId, now_ms: i64) -> StoreResult<bool>;

    /// People's devices, by mark: without the server's own.
    async fn devices(&self, organisation: OrganisationId) -> StoreResult<Vec<DeviceStanding>>;

    /// Gives a device another mark, role or both, writes it down and raises the directory's version. A mark that
    /// another device has or had, whatever its case, is taken. The last owner's device keeps its role, unless the
    /// operator says otherwise.
    async fn device_change(
        &self,
        actor: Actor,
        device: DeviceId,
        change: &DeviceChange,
        now_ms: i64,
    ) -> StoreResult<Changed>;

    /// Revokes a device, writes it down and raises the directory's version. What it pushes from then on is set aside.
    /// The last owner's device is revoked by the operator only.
    async fn device_revoke(&self, actor: Actor, device: DeviceId, now_ms: i64) -> StoreResult<Changed>;

    /// Stores a share link, and writes it down.
    async fn share_add(&self, actor: Actor, share: &NewShare, now_ms: i64) -> StoreResult<()>;

    /// The share links of an organisation, at most `limit`: those that live before those that are ended or over, so that
    /// one that can still be used is never out of sight; then the newest first.
    async fn shares(&self, organisation: OrganisationId, now_ms: i64, limit: usize) -> StoreResult<Vec<Share>>;

    /// Ends a share link, and writes it down; says whether the organisation had such an open one.
    async fn share_end(&self, actor: Actor, share: ShareId, now_ms: i64) -> StoreResult<bool>;

    /// The share link of this hash, if it lives, counted as opened. The one method without an organisation: the link
    /// itself is the right.
    async fn share_open(&self, hash: Hash, now_ms: i64) -> StoreResult<Option<Share>>;

    /// The keys that sign access tokens beside [`Identity::token_secret`], in their order.
    async fn token_keys(&self) -> StoreResult<Vec<TokenKeyRecord>>;

    /// Adds a key, and forgets those of the names in `gone`, if they are there. All or nothing; a key is added once.
    async fn token_key_add(&self, key: &TokenKeyRecord, gone: &[String]) -> StoreResult<()>;

    /// Remembers an assertion, by hash, until `until_s`, and says whether it is new; of several that come at once one
    /// is. Forgets those whose time was over before `now_s`.
    async fn assertion_new(&self, hash: Hash, until_s: i64, now_s: i64) -> StoreResult<bool>;
}

/// What becomes of the keys before a new one, once it signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EarlierKeys {
    /// They verify until the last token under them has expired.
    Overlap,
    /// They verify no more: one of them has been seen by others.
    Void,
}

/// A key that signs access tokens, as it is kept.
#[derive(Clone, PartialEq, Eq)]
pub struct TokenKeyRecord {
    /// Its name in the header of a token.
    pub kid: String,
    /// Its secret seed; never signs anything else.
    pub seed: [u8; 32],
    /// When it was made, in milliseconds since 1970.
    pub made_ms: i64,
    /// From when it signs, in milliseconds since 1970.
    pub signs_ms: i64,
    /// What becomes of the keys before it.
    pub earlier: EarlierKeys,
}

impl TokenKeyRecord {
    /// Of two keys the one with the greater order signs, once both do.
    #[must_use]
    pub fn order(&self) -> (i64, &str) {
        (self.signs_ms, &self.kid)
    }
}

impl std::fmt::Debug for TokenKeyRecord {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Without the seed.
        f.debug_struct("TokenKeyRecord").field("kid", &self.kid).field("signs_ms", &self.signs_ms).finish()
    }
}

/// The epoch to raise to when the ledger has gone back. It is the time in seconds, not one more than before: a copy that
/// is put back twice would otherwise get the same epoch twice, for two ledgers that differ.
#[must_use]
pub fn epoch_after(from: u64, now_ms: i64) -> u64 {
    u64::try_from(now_ms.div_euclid(1000)).unwrap_or(0).max(from.saturating_add(1))
}

/// A branch of a device's log that is kept beside the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Branch {
    /// The device.
    pub device: DeviceId,
    /// Number of the first entry kept.
    pub from: u64,
    /// Link of the last entry kept.
    pub link: Hash,
    /// Link before the first entry kept.
    pub previous: Hash,
    /// How many entries are kept.
    pub count: u64,
    /// When the server received them.
    pub received_ms: i64,
    /// The device's seal over the push they came in; it may begin before `from`.
    pub seal: Seal,
}

/// One entry of a branch.
#[derive(Debug, Clone, PartialEq)]
pub struct BranchEntry {
    /// Its link in the branch.
    pub link: Hash,
    /// The entry.
    pub entry: Entry,
}

/// A fault as the caller may show it: kept here so that implementations share one spelling of damage.
pub fn corrupt(table: &'static str, row: impl ToString, column: &'static str, fault: &Fault) -> StoreError {
    StoreError::Corrupt { table, row: row.to_string(), column, detail: fault.to_string() }
}

/// Refuses a text with U+0000, which PostgreSQL cannot hold and SQLite would take.
///
/// Outside texts are checked before they come here; this keeps the implementations alike.
fn storable<'a>(act: &'static str, texts: impl IntoIterator<Item = &'a str>) -> StoreResult<()> {
    if texts.into_iter().any(|text| text.contains('\0')) {
        return Err(StoreError::Failed { act, detail: "a text holds U+0000".into() });
    }
    Ok(())
}

/// Refuses a device in the name of the server's operator, to whom rules do not apply that hold for people.
fn not_the_operator(act: &'static str, person: &Person) -> StoreResult<()> {
    if person.id == PersonId::OPERATOR {
        return Err(StoreError::Failed { act, detail: "the operator's id is no person's".into() });
    }
    Ok(())
}

/// Refuses a push whose seal is another device's than the one it came from: its caller checked it against another key.
fn same_device(act: &'static str, scope: DeviceScope, checked: &Checked) -> StoreResult<()> {
    if checked.seal.device != scope.device {
        return Err(StoreError::Failed { act, detail: "the push is another device's".into() });
    }
    Ok(())
}
