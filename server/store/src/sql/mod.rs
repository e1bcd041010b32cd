//! The ledger in SQLite or PostgreSQL: one set of statements for both, and what differs named in one place each.
//!
//! Promises: writes are named, locked in one order (device, machines by id, ledger's head last) and tried again where
//! another was in the way; reads of several statements see one moment. What the port promises is kept by the
//! databases' own transactions, so that several processes may share one database.
//!
//! Never: a decision; those are `pintle_core`'s and [`crate::ledger`]'s.

mod audit;
mod batches;
mod bills;
mod branches;
mod copy;
mod enrol;
mod epoch;
mod failure;
mod follow;
mod machines;
mod notices;
mod office;
mod open;
mod page;
mod people;
mod push;
mod row;
mod scribe;
mod session;
mod tokens;
mod tree;

use crate::{
    Actor, BatonJudged, Branch, BranchEntry, Changed, CheckpointRecord, Cosignature, DeviceChange, DeviceRecord,
    DeviceScope, DeviceStanding, Enrolled, Enrolment, EnrolmentCode, Follow, Grown, Identity, Lane, MachineHead,
    MachineStamp, MachineStanding, MachineView, NewShare, OpenCode, Organisation, Page, PageAsk, Pushed, SealedBatch,
    Share, StampRecord, Store, StoreResult, TokenKeyRecord, TreeStore, ViewSort, not_the_operator, storable,
};
use async_trait::async_trait;
use pintle_core::admit::{Checked, Stored};
use pintle_core::exchange::{ClockSample, Digest, Directory, Person, Wanted};
use pintle_core::ids::{Baton, CodeId, DeviceId, Hash, MachineId, OrganisationId, ShareId};
use pintle_core::proof::tile::{TileId, Tiles};
use pintle_core::{EntryRef, Held};
use row::Table;
use sea_orm::DatabaseConnection;
use session::Backoff;
use std::collections::{BTreeMap, BTreeSet};

/// The databases that are spoken to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Dialect {
    Sqlite,
    Postgres,
}

const STORE_IDENTITY: Table = Table { name: "store_identity", key: "one" };
const LEDGER: Table = Table { name: "ledger", key: "position" };
const LEDGER_HEAD: Table = Table { name: "ledger_head", key: "position" };
const DEVICE: Table = Table { name: "device", key: "device" };
const ORGANISATION: Table = Table { name: "organisation", key: "organisation" };
const MACHINE_HEAD: Table = Table { name: "machine_head", key: "machine" };

/// The ledgers of a server, in a database.
pub struct SqlStore {
    dialect: Dialect,
    /// On SQLite one connection, so that writers queue here and not at the file's lock.
    writer: DatabaseConnection,
    reader: DatabaseConnection,
    identity: Identity,
    backoff: Backoff,
}

impl std::fmt::Debug for SqlStore {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // The address may hold a password and the identity holds secrets.
        f.debug_struct("SqlStore").field("dialect", &self.dialect).field("store", &self.identity.store).finish()
    }
}

impl SqlStore {
    /// The secret that the keys of the server's own logs come from.
    fn secret(&self) -> &[u8; 32] {
        &self.identity.ledger_secret
    }

    /// Closes the connections, once what is running has ended. On SQLite the WAL is written back.
    ///
    /// # Errors
    /// What the database says.
    pub async fn close(self) -> StoreResult<()> {
        for pool in [self.reader, self.writer] {
            pool.close().await.map_err(|error| failure::judge("close", error).error)?;
        }
        Ok(())
    }
}

#[async_trait]
impl Store for SqlStore {
    fn identity(&self) -> &Identity {
        &self.identity
    }

    async fn epoch(&self) -> StoreResult<u64> {
        epoch::epoch(&self.reading("epoch")).await.map_err(|e| e.error)
    }

    async fn epoch_raise(&self, from: u64, to: u64) -> StoreResult<u64> {
        self.run("epoch_raise", |tx| epoch::epoch_raise(tx, from, to)).await
    }

    async fn ping(&self) -> StoreResult<()> {
        // The schema is part of an answer: a database without its tables is not ready.
        self.look("ping", |tx| async move {
            tx.row(LEDGER_HEAD, "SELECT position FROM ledger_head LIMIT 1", []).await?;
            tx.leave(()).await
        })
        .await
    }

    async fn organisation_add(&self, organisation: &Organisation, now_ms: i64) -> StoreResult<()> {
        storable("organisation_add", [organisation.name.as_str()])?;
        self.run("organisation_add", |tx| people::organisation_add(tx, organisation, now_ms)).await
    }

    async fn organisations(&self) -> StoreResult<Vec<Organisation>> {
        people::organisations(&self.reading("organisations")).await.map_err(|e| e.error)
    }

    async fn enrol(&self, enrolment: &Enrolment) -> StoreResult<Enrolled> {
        storable("enrol", [enrolment.mark.as_str(), enrolment.person.name.as_str()])?;
        not_the_operator("enrol", &enrolment.person)?;
        self.run("enrol", |tx| enrol::enrol(tx, self.secret(), enrolment)).await
    }

    async fn follow(&self, follow: &Follow) -> StoreResult<Enrolled> {
        self.run("follow", |tx| follow::follow(tx, self.secret(), follow)).await
    }

    async fn device(&self, device: DeviceId) -> StoreResult<Option<DeviceRecord>> {
        people::device(&self.reading("device"), device).await.map_err(|e| e.error)
    }

    async fn baton(&self, scope: DeviceScope, presented: Baton, next: Baton, now_ms: i64) -> StoreResult<BatonJudged> {
        self.run("baton", |tx| people::baton(tx, scope, presented, next, now_ms)).await
    }

    async fn wanted_set(&self, scope: DeviceScope, wanted: &Wanted) -> StoreResult<()> {
        self.run("wanted_set", |tx| people::wanted_set(tx, scope, wanted)).await
    }

    async fn push(
        &self,
        scope: DeviceScope,
        checked: &Checked,
        clock: &ClockSample,
        now_ms: i64,
    ) -> StoreResult<Pushed> {
        self.run("push", |tx| push::push(tx, scope, checked, clock, now_ms)).await
    }

    async fn branch_keep(
        &self,
        scope: DeviceScope,
        checked: &Checked,
        now_ms: i64,
    ) -> StoreResult<BTreeMap<u64, Stored>> {
        self.run("branch_keep", |tx| branches::branch_keep(tx, scope, checked, now_ms)).await
    }

    async fn branches(&self, organisation: OrganisationId) -> StoreResult<Vec<Branch>> {
        branches::branches(&self.reading("branches"), organisation).await.map_err(|e| e.error)
    }

    async fn branch_entries(
        &self,
        organisation: OrganisationId,
        device: DeviceId,
        from: u64,
        link: Hash,
    ) -> StoreResult<Vec<BranchEntry>> {
        let session = self.reading("branch_entries");
        branches::branch_entries(&session, organisation, device, from, link).await.map_err(|e| e.error)
    }

    async fn page(&self, organisation: OrganisationId, ask: &PageAsk) -> StoreResult<Page> {
        self.look("page", |tx| page::page(tx, organisation, ask)).await
    }

    async fn digest(&self, organisation: OrganisationId) -> StoreResult<Digest> {
        machines::ledger_digest(&self.reading("digest"), organisation).await.map_err(|e| e.error)
    }

    async fn link_at(&self, organisation: OrganisationId, position: u64) -> StoreResult<Option<Hash>> {
        page::link_at(&self.reading("link_at"), organisation, position).await.map_err(|e| e.error)
    }

    async fn people_add(&self, organisation: OrganisationId, people: &[Person]) -> StoreResult<()> {
        storable("people_add", people.iter().map(|person| person.name.as_str()))?;
        self.run("people_add", |tx| people::people_add(tx, organisation, people)).await
    }

    async fn directory(&self, organisation: OrganisationId, held: u64) -> StoreResult<Option<Directory>> {
        self.look("directory", |tx| people::directory(tx, organisation, held)).await
    }

    async fn machines(
        &self,
        organisation: OrganisationId,
        after: Option<MachineId>,
        limit: usize,
    ) -> StoreResult<Vec<MachineHead>> {
        machines::machines(&self.reading("machines"), organisation, after, limit).await.map_err(|e| e.error)
    }

    async fn machine(&self, organisation: OrganisationId, machine: MachineId) -> StoreResult<Option<MachineHead>> {
        machines::machine(&self.reading("machine"), organisation, machine).await.map_err(|e| e.error)
    }

    async fn machine_entries(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        after: u64,
        limit: usize,
    ) -> StoreResult<Vec<Held>> {
        let session = self.reading("machine_entries");
        machines::machine_entries(&session, organisation, machine, after, limit).await.map_err(|e| e.error)
    }

    async fn entry(&self, organisation: OrganisationId, entry: EntryRef) -> StoreResult<Option<Held>> {
        machines::entry(&self.reading("entry"), organisation, entry).await.map_err(|e| e.error)
    }

    async fn lane(&self, organisation: OrganisationId, lane: Lane, after: u64, limit: usize) -> StoreResult<Vec<Held>> {
        machines::lane(&self.reading("lane"), organisation, lane, after, limit).await.map_err(|e| e.error)
    }

    async fn views(
        &self,
        organisation: OrganisationId,
        sort: ViewSort,
        after: Option<MachineId>,
        limit: usize,
    ) -> StoreResult<Vec<MachineView>> {
        machines::views(&self.reading("views"), organisation, sort, after, limit).await.map_err(|e| e.error)
    }

    async fn view(
        &self,
        organisation: OrganisationId,
        sort: ViewSort,
        machine: MachineId,
    ) -> StoreResult<Option<MachineView>> {
        machines::view(&self.reading("view"), organisation, sort, machine).await.map_err(|e| e.error)
    }

    async fn views_put(&self, organisation: OrganisationId, views: &[MachineView]) -> StoreResult<()> {
        storable("views_put", views.iter().map(|view| view.json.as_str()))?;
        self.run("views_put", |tx| machines::views_put(tx, organisation, views)).await
    }

    async fn token_keys(&self) -> StoreResult<Vec<TokenKeyRecord>> {
        tokens::token_keys(&self.reading("token_keys")).await.map_err(|e| e.error)
    }

    async fn token_key_add(&self, key: &TokenKeyRecord, gone: &[String]) -> StoreResult<()> {
        storable("token_key_add", [key.kid.as_str()])?;
        self.run("token_key_add", |tx| tokens::token_key_add(tx, key, gone)).await
    }

    async fn assertion_new(&self, hash: Hash, until_s: i64, now_s: i64) -> StoreResult<bool> {
        self.run("assertion_new", |tx| tokens::assertion_new(tx, hash, until_s, now_s)).await
    }

    async fn code_add(&self, actor: Actor, code: &EnrolmentCode, now_ms: i64) -> StoreResult<CodeId> {
        self.run("code_add", |tx| office::code_add(tx, self.secret(), actor, code, now_ms)).await
    }

    async fn codes(&self, organisation: OrganisationId, now_ms: i64) -> StoreResult<Vec<OpenCode>> {
        office::codes(&self.reading("codes"), self.secret(), organisation, now_ms).await.map_err(|e| e.error)
    }

    async fn code_cancel(&self, actor: Actor, code: CodeId, now_ms: i64) -> StoreResult<bool> {
        self.run("code_cancel", |tx| office::code_cancel(tx, self.secret(), actor, code, now_ms)).await
    }

    async fn devices(&self, organisation: OrganisationId) -> StoreResult<Vec<DeviceStanding>> {
        office::devices(&self.reading("devices"), organisation).await.map_err(|e| e.error)
    }

    async fn device_change(
        &self,
        actor: Actor,
        device: DeviceId,
        change: &DeviceChange,
        now_ms: i64,
    ) -> StoreResult<Changed> {
        storable("device_change", change.mark.as_deref())?;
        self.run("device_change", |tx| office::device_change(tx, self.secret(), actor, device, change, now_ms)).await
    }

    async fn device_revoke(&self, actor: Actor, device: DeviceId, now_ms: i64) -> StoreResult<Changed> {
        self.run("device_revoke", |tx| office::device_revoke(tx, self.secret(), actor, device, now_ms)).await
    }

    async fn share_add(&self, actor: Actor, share: &NewShare, now_ms: i64) -> StoreResult<()> {
        self.run("share_add", |tx| office::share_add(tx, self.secret(), actor, share, now_ms)).await
    }

    async fn shares(&self, organisation: OrganisationId, now_ms: i64, limit: usize) -> StoreResult<Vec<Share>> {
        office::shares(&self.reading("shares"), organisation, now_ms, limit).await.map_err(|e| e.error)
    }

    async fn share_end(&self, actor: Actor, share: ShareId, now_ms: i64) -> StoreResult<bool> {
        self.run("share_end", |tx| office::share_end(tx, self.secret(), actor, share, now_ms)).await
    }

    async fn share_open(&self, hash: Hash, now_ms: i64) -> StoreResult<Option<Share>> {
        self.run("share_open", |tx| office::share_open(tx, hash, now_ms)).await
    }
}

#[async_trait]
impl TreeStore for SqlStore {
    async fn trees_behind(&self) -> StoreResult<Vec<OrganisationId>> {
        tree::trees_behind(&self.reading("trees_behind")).await.map_err(|e| e.error)
    }

    async fn tree_grow(&self, organisation: OrganisationId, rows_max: usize, now_ms: i64) -> StoreResult<Grown> {
        self.run("tree_grow", |tx| tree::tree_grow(tx, self.secret(), organisation, rows_max, now_ms)).await
    }

    async fn checkpoint(&self, organisation: OrganisationId) -> StoreResult<Option<CheckpointRecord>> {
        tree::newest(&self.reading("checkpoint"), organisation).await.map_err(|e| e.error)
    }

    async fn checkpoint_at(&self, organisation: OrganisationId, size: u64) -> StoreResult<Option<CheckpointRecord>> {
        tree::checkpoint_at(&self.reading("checkpoint_at"), organisation, size).await.map_err(|e| e.error)
    }

    async fn checkpoint_epochs(&self, organisation: OrganisationId) -> StoreResult<Vec<u64>> {
        tree::checkpoint_epochs(&self.reading("checkpoint_epochs"), organisation).await.map_err(|e| e.error)
    }

    async fn tiles(&self, organisation: OrganisationId, ids: &BTreeSet<TileId>) -> StoreResult<Tiles> {
        tree::tiles(&self.reading("tiles"), organisation, ids).await.map_err(|e| e.error)
    }

    async fn cosignature_add(
        &self,
        organisation: OrganisationId,
        size: u64,
        cosignature: &Cosignature,
    ) -> StoreResult<bool> {
        storable("cosignature_add", [cosignature.name.as_str(), cosignature.line.as_str()])?;
        self.run("cosignature_add", |tx| tree::cosignature_add(tx, organisation, size, cosignature)).await
    }

    async fn cosignatures(&self, organisation: OrganisationId, size: u64) -> StoreResult<Vec<Cosignature>> {
        tree::cosignatures(&self.reading("cosignatures"), organisation, size).await.map_err(|e| e.error)
    }

    async fn cosigned_newest(&self, organisation: OrganisationId, name: &str) -> StoreResult<Option<CheckpointRecord>> {
        self.look("cosigned_newest", |tx| tree::cosigned_newest(tx, organisation, name)).await
    }

    async fn stamp_add(&self, organisation: OrganisationId, stamp: &StampRecord) -> StoreResult<bool> {
        storable("stamp_add", [stamp.authority.as_str()])?;
        self.run("stamp_add", |tx| tree::stamp_add(tx, organisation, stamp)).await
    }

    async fn stamp_newest(&self, organisation: OrganisationId, authority: &str) -> StoreResult<Option<(u64, i64)>> {
        tree::stamp_newest(&self.reading("stamp_newest"), organisation, authority).await.map_err(|e| e.error)
    }

    async fn machine_stamps(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        until: u64,
        most: usize,
    ) -> StoreResult<Vec<MachineStamp>> {
        self.look("machine_stamps", |tx| tree::machine_stamps(tx, organisation, machine, until, most)).await
    }

    async fn machine_standing(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
    ) -> StoreResult<Option<MachineStanding>> {
        self.look("machine_standing", |tx| tree::machine_standing(tx, organisation, machine)).await
    }

    async fn machine_batches(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        after: u64,
        until: u64,
        rows_max: usize,
    ) -> StoreResult<Vec<SealedBatch>> {
        let look = |tx| batches::machine_batches(tx, organisation, machine, after, until, rows_max);
        self.look("machine_batches", look).await
    }
}
