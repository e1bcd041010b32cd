//! The storage port of the simulated servers: a memory store that can be swapped for an older copy, with a pause
//! before and after every call, where a process can be killed or another one comes first.
//!
//! Promises: adds no behaviour of its own, but for mistakes built in on purpose.

use super::bugs::Bug;
use super::world::ORGANISATION;
use async_trait::async_trait;
use pintle_core::admit::{Admission, Checked, Stored};
use pintle_core::bill::matter::Matter;
use pintle_core::exchange::{ClockSample, Digest, Directory, Person, PushAnswer, PushOutcome, Wanted};
use pintle_core::ids::{Baton, CodeId, DeviceId, Hash, MachineId, OfficeId, OrganisationId, ShareId};
use pintle_core::proof::tile::{TileId, Tiles};
use pintle_core::{EntryRef, Held};
use pintle_store::memory::MemoryStore;
use pintle_store::{
    Actor, BatonJudged, BillRecord, BillStore, Branch, BranchEntry, Changed, CheckpointRecord, Cosignature,
    DeviceChange, DeviceRecord, DeviceScope, DeviceStanding, Drafted, Dropped, DueNotice, Enrolled, Enrolment,
    EnrolmentCode, Follow, Grown, Hook, Identity, IssueAsk, Issued, Lane, MachineHead, MachineStamp, MachineStanding,
    MachineView, NewDraft, NewShare, Noted, NoticeAnswer, NoticeRecord, NoticeStore, OpenCode, Organisation, Page,
    PageAsk, Pushed, SealedBatch, Share, StampRecord, Standing, Store, StoreResult, TokenKeyRecord, TreeStore,
    ViewSort,
};
use std::collections::{BTreeMap, BTreeSet};
use std::future::Future;
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll};

/// The database that all simulated servers share.
pub struct Port {
    identity: Identity,
    memory: Mutex<Arc<MemoryStore>>,
    bug: Option<Bug>,
    rows_max: usize,
    pushes: AtomicU64,
}

/// Ready when it is asked the second time.
struct Pause {
    asked: bool,
}

impl Future for Pause {
    type Output = ();

    fn poll(mut self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<()> {
        if std::mem::replace(&mut self.asked, true) { Poll::Ready(()) } else { Poll::Pending }
    }
}

impl Port {
    /// Over a database, with pages of so many rows at most: small ones, so that a page often ends before the ledger does.
    #[must_use]
    pub fn new(memory: MemoryStore, rows_max: usize, bug: Option<Bug>) -> Self {
        let identity = memory.identity().clone();
        Self { identity, memory: Mutex::new(Arc::new(memory)), rows_max, bug, pushes: AtomicU64::new(0) }
    }

    /// Entries in the ledger.
    #[must_use]
    pub fn rows(&self) -> u64 {
        block_on(self.memory().digest(ORGANISATION)).map_or(0, |digest| digest.count)
    }

    /// Full pages that the whole ledger takes.
    #[must_use]
    pub fn pages(&self) -> u64 {
        self.rows() / self.rows_max as u64
    }

    /// The database as it is now.
    #[must_use]
    pub fn memory(&self) -> Arc<MemoryStore> {
        self.memory.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Puts another database in its place.
    pub fn put(&self, memory: MemoryStore) {
        *self.memory.lock().unwrap_or_else(PoisonError::into_inner) = Arc::new(memory);
    }

    fn pause(&self) -> Pause {
        Pause { asked: false }
    }

    async fn pushed(
        &self,
        scope: DeviceScope,
        checked: &Checked,
        clock: &ClockSample,
        now_ms: i64,
    ) -> StoreResult<Pushed> {
        let memory = self.memory();
        if self.bug == Some(Bug::AcknowledgesBeforeCommit) && self.pushes.fetch_add(1, Ordering::Relaxed) % 5 == 4 {
            return memory.copy().push(scope, checked, clock, now_ms).await;
        }
        if self.bug == Some(Bug::HidesForks) {
            let looked = memory.copy().push(scope, checked, clock, now_ms).await?;
            if matches!(looked.admission, Admission::Fork { .. }) {
                return Ok(self.hidden(checked, looked));
            }
        }
        memory.push(scope, checked, clock, now_ms).await
    }

    /// A fork told as if all of it were held.
    fn hidden(&self, checked: &Checked, looked: Pushed) -> Pushed {
        let held = vec![pintle_core::exchange::Receipt {
            from: checked.from,
            to: checked.seal.to,
            position: 1,
            received_ms: 0,
            off_s: None,
        }];
        let answer = PushAnswer { held, ..PushAnswer::only(PushOutcome::AlreadyHeld) };
        Pushed { admission: Admission::Held, answer, head: looked.head }
    }

    async fn paged(&self, organisation: OrganisationId, ask: &PageAsk) -> StoreResult<Page> {
        let ask = PageAsk { rows_max: ask.rows_max.min(self.rows_max), ..ask.clone() };
        let mut page = self.memory().page(organisation, &ask).await?;
        if self.bug == Some(Bug::SkipsRowAtPageEnd) && page.more {
            page.entries.pop();
        }
        Ok(page)
    }

    async fn judged(&self, scope: DeviceScope, presented: Baton, next: Baton, now_ms: i64) -> StoreResult<BatonJudged> {
        let judged = self.memory().baton(scope, presented, next, now_ms).await?;
        if self.bug == Some(Bug::TrustsEveryBaton) && judged == BatonJudged::Old {
            return Ok(BatonJudged::Before(presented));
        }
        Ok(judged)
    }
}

macro_rules! through {
    ($(fn $name:ident($($arg:ident: $kind:ty),*) -> $out:ty;)*) => {
        #[async_trait]
        impl Store for Port {
            fn identity(&self) -> &Identity {
                &self.identity
            }

            async fn push(
                &self,
                scope: DeviceScope,
                checked: &Checked,
                clock: &ClockSample,
                now_ms: i64,
            ) -> StoreResult<Pushed> {
                self.pause().await;
                let pushed = self.pushed(scope, checked, clock, now_ms).await;
                self.pause().await;
                pushed
            }

            async fn page(&self, organisation: OrganisationId, ask: &PageAsk) -> StoreResult<Page> {
                self.pause().await;
                let page = self.paged(organisation, ask).await;
                self.pause().await;
                page
            }

            async fn baton(
                &self,
                scope: DeviceScope,
                presented: Baton,
                next: Baton,
                now_ms: i64,
            ) -> StoreResult<BatonJudged> {
                self.pause().await;
                let judged = self.judged(scope, presented, next, now_ms).await;
                self.pause().await;
                judged
            }

            $(async fn $name(&self, $($arg: $kind),*) -> StoreResult<$out> {
                self.pause().await;
                let answer = self.memory().$name($($arg),*).await;
                self.pause().await;
                answer
            })*
        }
    };
}

through! {
    fn epoch() -> u64;
    fn epoch_raise(from: u64, to: u64) -> u64;
    fn ping() -> ();
    fn organisation_add(organisation: &Organisation, now_ms: i64) -> ();
    fn organisations() -> Vec<Organisation>;
    fn enrol(enrolment: &Enrolment) -> Enrolled;
    fn follow(follow: &Follow) -> Enrolled;
    fn device(device: DeviceId) -> Option<DeviceRecord>;
    fn wanted_set(scope: DeviceScope, wanted: &Wanted) -> ();
    fn branch_keep(scope: DeviceScope, checked: &Checked, now_ms: i64) -> BTreeMap<u64, Stored>;
    fn branches(organisation: OrganisationId) -> Vec<Branch>;
    fn branch_entries(organisation: OrganisationId, device: DeviceId, from: u64, link: Hash) -> Vec<BranchEntry>;
    fn digest(organisation: OrganisationId) -> Digest;
    fn link_at(organisation: OrganisationId, position: u64) -> Option<Hash>;
    fn people_add(organisation: OrganisationId, people: &[Person]) -> ();
    fn directory(organisation: OrganisationId, held: u64) -> Option<Directory>;
    fn machines(organisation: OrganisationId, after: Option<MachineId>, limit: usize) -> Vec<MachineHead>;
    fn machine(organisation: OrganisationId, machine: MachineId) -> Option<MachineHead>;
    fn machine_entries(organisation: OrganisationId, machine: MachineId, after: u64, limit: usize) -> Vec<Held>;
    fn entry(organisation: OrganisationId, entry: EntryRef) -> Option<Held>;
    fn lane(organisation: OrganisationId, lane: Lane, after: u64, limit: usize) -> Vec<Held>;
    fn views(organisation: OrganisationId, sort: ViewSort, after: Option<MachineId>, limit: usize) -> Vec<MachineView>;
    fn view(organisation: OrganisationId, sort: ViewSort, machine: MachineId) -> Option<MachineView>;
    fn views_put(organisation: OrganisationId, views: &[MachineView]) -> ();
    fn code_add(actor: Actor, code: &EnrolmentCode, now_ms: i64) -> CodeId;
    fn codes(organisation: OrganisationId, now_ms: i64) -> Vec<OpenCode>;
    fn code_cancel(actor: Actor, code: CodeId, now_ms: i64) -> bool;
    fn devices(organisation: OrganisationId) -> Vec<DeviceStanding>;
    fn device_change(actor: Actor, device: DeviceId, change: &DeviceChange, now_ms: i64) -> Changed;
    fn device_revoke(actor: Actor, device: DeviceId, now_ms: i64) -> Changed;
    fn share_add(actor: Actor, share: &NewShare, now_ms: i64) -> ();
    fn shares(organisation: OrganisationId, now_ms: i64, limit: usize) -> Vec<Share>;
    fn share_end(actor: Actor, share: ShareId, now_ms: i64) -> bool;
    fn share_open(hash: Hash, now_ms: i64) -> Option<Share>;
    fn token_keys() -> Vec<TokenKeyRecord>;
    fn token_key_add(key: &TokenKeyRecord, gone: &[String]) -> ();
    fn assertion_new(hash: Hash, until_s: i64, now_s: i64) -> bool;
}

macro_rules! tree_through {
    ($(fn $name:ident($($arg:ident: $kind:ty),*) -> $out:ty;)*) => {
        #[async_trait]
        impl TreeStore for Port {
            $(async fn $name(&self, $($arg: $kind),*) -> StoreResult<$out> {
                self.pause().await;
                let answer = self.memory().$name($($arg),*).await;
                self.pause().await;
                answer
            })*
        }
    };
}

tree_through! {
    fn trees_behind() -> Vec<OrganisationId>;
    fn tree_grow(organisation: OrganisationId, rows_max: usize, now_ms: i64) -> Grown;
    fn checkpoint(organisation: OrganisationId) -> Option<CheckpointRecord>;
    fn checkpoint_at(organisation: OrganisationId, size: u64) -> Option<CheckpointRecord>;
    fn checkpoint_epochs(organisation: OrganisationId) -> Vec<u64>;
    fn tiles(organisation: OrganisationId, ids: &BTreeSet<TileId>) -> Tiles;
    fn cosignature_add(organisation: OrganisationId, size: u64, cosignature: &Cosignature) -> bool;
    fn cosignatures(organisation: OrganisationId, size: u64) -> Vec<Cosignature>;
    fn cosigned_newest(organisation: OrganisationId, name: &str) -> Option<CheckpointRecord>;
    fn stamp_add(organisation: OrganisationId, stamp: &StampRecord) -> bool;
    fn stamp_newest(organisation: OrganisationId, authority: &str) -> Option<(u64, i64)>;
    fn machine_stamps(organisation: OrganisationId, machine: MachineId, until: u64, most: usize) -> Vec<MachineStamp>;
    fn machine_standing(organisation: OrganisationId, machine: MachineId) -> Option<MachineStanding>;
    fn machine_batches(
        organisation: OrganisationId,
        machine: MachineId,
        after: u64,
        until: u64,
        rows_max: usize
    ) -> Vec<SealedBatch>;
}

/// Nobody is billed in the simulation; what is asked of the database is answered by it.
macro_rules! billed {
    ($(fn $name:ident($($arg:ident: $kind:ty),*) -> $out:ty;)*) => {
        #[async_trait]
        impl BillStore for Port {
            $(async fn $name(&self, $($arg: $kind),*) -> StoreResult<$out> {
                self.memory().$name($($arg),*).await
            })*
        }
    };
}

billed! {
    fn office_entries(organisation: OrganisationId, after: u64, limit: usize) -> Vec<Held>;
    fn office_write(actor: Actor, noted: &Noted, now_ms: i64) -> EntryRef;
    fn drafts_add(actor: Actor, drafts: &[NewDraft], now_ms: i64) -> Drafted;
    fn draft_drop(organisation: OrganisationId, bill: OfficeId) -> Dropped;
    fn bill_issue(actor: Actor, ask: &IssueAsk, now_ms: i64) -> Issued;
    fn bill(organisation: OrganisationId, bill: OfficeId) -> Option<BillRecord>;
    fn drafts(organisation: OrganisationId) -> Vec<BillRecord>;
    fn bills_issued(organisation: OrganisationId, customer: Option<OfficeId>, after: u64, limit: usize) -> Vec<BillRecord>;
    fn matters(organisation: OrganisationId) -> BTreeMap<Matter, Standing>;
}

macro_rules! told {
    ($(fn $name:ident($($arg:ident: $kind:ty),*) -> $out:ty;)*) => {
        #[async_trait]
        impl NoticeStore for Port {
            $(async fn $name(&self, $($arg: $kind),*) -> StoreResult<$out> {
                self.memory().$name($($arg),*).await
            })*
        }
    };
}

told! {
    fn hook(organisation: OrganisationId) -> Option<Hook>;
    fn hook_set(organisation: OrganisationId, hook: Option<&Hook>) -> ();
    fn notices_take(now_ms: i64, limit: usize) -> Vec<DueNotice>;
    fn notice_answered(notice: &DueNotice, answer: &NoticeAnswer, now_ms: i64) -> ();
    fn notices(organisation: OrganisationId, before: Option<u64>, limit: usize) -> Vec<NoticeRecord>;
    fn notices_again(organisation: OrganisationId, now_ms: i64) -> u64;
}

/// Runs a future that only pauses to its end.
pub fn block_on<T>(future: impl Future<Output = T>) -> T {
    let mut future = std::pin::pin!(future);
    let mut context = Context::from_waker(std::task::Waker::noop());
    loop {
        if let Poll::Ready(output) = future.as_mut().poll(&mut context) {
            return output;
        }
    }
}
