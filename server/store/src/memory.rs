//! The ledger in memory, with faults on demand: for tests and for the simulator.
//!
//! Promises: the behaviour of the databases, held to by the same contract suite; a write is seen whole or not at all.
//! A fault strikes when it was asked for and never otherwise.
//!
//! Never: the disk, a clock, randomness.

mod bills;
mod faults;
mod notices;
mod office;
mod tree;

use crate::ledger::{Candidate, LedgerEnd, LedgerRow, MachineDigests, PagePlan, append, branch_of, machine_of};
use crate::{
    Actor, BatonJudged, Branch, BranchEntry, Changed, DeviceChange, DeviceRecord, DeviceScope, DeviceStanding,
    Enrolled, Enrolment, EnrolmentCode, Follow, FreshSecrets, Identity, Lane, MachineHead, MachineView, NewShare,
    OpenCode, Organisation, Page, PageAsk, Pushed, Share, Store, StoreError, StoreResult, TokenKeyRecord, ViewSort,
    corrupt, not_the_operator, same_device, storable,
};
use async_trait::async_trait;
use pintle_core::admit::{self, Admission, Checked, Fresh, Known, Stored};
use pintle_core::chain::Seal;
use pintle_core::exchange::{ClockSample, DeviceCard, Digest, Directory, Person, Wanted};
use pintle_core::ids::{Baton, CodeId, DeviceId, Hash, MachineId, OrganisationId, PersonId, ShareId};
use pintle_core::{Entry, EntryRef, Held};
use std::collections::{BTreeMap, VecDeque};
use std::ops::Bound;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// A fault of one write.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WriteFault {
    /// It fails before it is committed: nothing is written.
    BeforeCommit,
    /// It is committed, and the answer is lost on its way back.
    ReplyLost,
    /// There is no room for it: nothing is written.
    Full,
}

/// The ledgers of a server, in memory.
#[derive(Debug)]
pub struct MemoryStore {
    identity: Identity,
    inner: Mutex<Inner>,
}

#[derive(Debug, Default)]
struct Inner {
    state: State,
    faults: VecDeque<Option<WriteFault>>,
    down: bool,
    writes: u64,
}

/// Everything that a database would hold.
#[derive(Debug, Clone, Default)]
struct State {
    organisations: BTreeMap<OrganisationId, Ledger>,
    devices: BTreeMap<DeviceId, Device>,
    codes: BTreeMap<Hash, Code>,
    token_keys: BTreeMap<String, TokenKeyRecord>,
    /// Until when each is remembered, in seconds since 1970.
    assertions: BTreeMap<Hash, i64>,
    shares: BTreeMap<Hash, Share>,
    /// Billing of each organisation that has any.
    bills: BTreeMap<OrganisationId, bills::Bills>,
    /// Who is told of issued bills.
    notices: notices::Notices,
    /// Marks that devices had once, folded, and whose they were.
    marks_past: BTreeMap<(OrganisationId, String), DeviceId>,
    /// The epoch, if the ledger ever went back.
    raised_to: Option<u64>,
}

#[derive(Debug, Clone, Default)]
struct Ledger {
    name: String,
    directory_version: u64,
    people: BTreeMap<PersonId, String>,
    /// Row of position n at index n − 1.
    rows: Vec<LedgerRow>,
    machines: BTreeMap<Option<MachineId>, (Digest, u64)>,
    seals: BTreeMap<u64, Seal>,
    branches: BTreeMap<(DeviceId, u64, Hash), KeptBranch>,
    views: BTreeMap<(ViewSort, MachineId), MachineView>,
    tree: tree::Tree,
}

#[derive(Debug, Clone)]
struct KeptBranch {
    branch: Branch,
    /// Link and canonical bytes of each entry.
    entries: Vec<(Hash, Vec<u8>)>,
}

#[derive(Debug, Clone)]
struct Device {
    record: DeviceRecord,
    positions: BTreeMap<u64, u64>,
    machine_counts: BTreeMap<MachineId, u64>,
    enrolled_ms: i64,
    last_ms: Option<i64>,
    /// Whether it is the server's own log.
    is_server: bool,
    /// The device whose key vouched for it.
    follows: Option<DeviceId>,
}

#[derive(Debug, Clone)]
struct Code {
    organisation: OrganisationId,
    code: EnrolmentCode,
    spent_by: Option<DeviceId>,
    made_ms: i64,
    cancelled: bool,
}

impl MemoryStore {
    /// A new, empty database.
    #[must_use]
    pub fn new(secrets: FreshSecrets) -> Self {
        let FreshSecrets { store, cursor_secret, token_secret, ledger_secret } = secrets;
        let identity = Identity { store, cursor_secret, token_secret, ledger_secret };
        Self { identity, inner: Mutex::default() }
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // A change checks everything before it writes, so that a panic in a caller's thread left nothing half done.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn read<T>(&self, act: &'static str, look: impl FnOnce(&State) -> StoreResult<T>) -> StoreResult<T> {
        let inner = self.lock();
        if inner.down {
            return Err(StoreError::Unavailable { act, detail: "it has been taken down".into() });
        }
        look(&inner.state)
    }

    fn write<T>(&self, act: &'static str, change: impl FnOnce(&mut State) -> StoreResult<T>) -> StoreResult<T> {
        let mut inner = self.lock();
        if inner.down {
            return Err(StoreError::Unavailable { act, detail: "it has been taken down".into() });
        }
        match inner.faults.pop_front().flatten() {
            None => {
                inner.writes += 1;
                change(&mut inner.state)
            }
            Some(WriteFault::Full) => Err(StoreError::Full { act }),
            Some(WriteFault::BeforeCommit) => {
                Err(StoreError::Unavailable { act, detail: "it failed before the commit".into() })
            }
            Some(WriteFault::ReplyLost) => {
                inner.writes += 1;
                change(&mut inner.state)?;
                Err(StoreError::Unavailable { act, detail: "the answer was lost after the commit".into() })
            }
        }
    }
}

fn no_such(act: &'static str, what: &str) -> StoreError {
    StoreError::Failed { act, detail: format!("there is no such {what}") }
}

impl State {
    fn epoch(&self) -> u64 {
        self.raised_to.unwrap_or(1)
    }

    fn ledger(&mut self, act: &'static str, organisation: OrganisationId) -> StoreResult<&mut Ledger> {
        self.organisations.get_mut(&organisation).ok_or_else(|| no_such(act, "organisation"))
    }

    fn device(&mut self, act: &'static str, scope: DeviceScope) -> StoreResult<&mut Device> {
        self.devices
            .get_mut(&scope.device)
            .filter(|device| device.record.organisation == scope.organisation)
            .ok_or_else(|| no_such(act, "device of the organisation"))
    }

    fn push(&mut self, scope: DeviceScope, checked: &Checked, clock: &ClockSample, now_ms: i64) -> StoreResult<Pushed> {
        let device = self.device("push", scope)?.clone();
        let ledger = self.ledger("push", scope.organisation)?;
        let stored = |device: &Device, ledger: &Ledger| -> BTreeMap<u64, Stored> {
            let range = checked.from - 1..=checked.seal.to;
            device.positions.range(range).filter_map(|(seq, at)| Some((*seq, ledger.stored(*at)?))).collect()
        };
        let known = Known {
            head: device.record.head,
            author: device.author(),
            revoked: device.record.revoked,
            stored: stored(&device, ledger),
            machine_counts: device.machine_counts.clone(),
        };
        let admission = admit::admit(checked, &known, clock, now_ms);
        let mut device = device;
        match &admission {
            Admission::Write { fresh, head, machine_counts } => {
                device.positions.extend(ledger.write(scope.device, fresh, &checked.seal, now_ms));
                device.record.head = *head;
                device.machine_counts.clone_from(machine_counts);
            }
            Admission::Fork { seq } => ledger.keep(checked, *seq, now_ms),
            Admission::Held | Admission::Gap { .. } => {}
        }
        let answer = admit::answer(&admission, checked, known.revoked, &stored(&device, ledger));
        let head = device.record.head;
        self.devices.insert(scope.device, device);
        Ok(Pushed { admission, answer, head })
    }
}

impl Ledger {
    fn end(&self) -> LedgerEnd {
        self.rows.last().map_or_else(LedgerEnd::default, |row| LedgerEnd { position: row.position, sum: row.sum })
    }

    fn row(&self, position: u64) -> Option<&LedgerRow> {
        self.rows.get(usize::try_from(position.checked_sub(1)?).ok()?)
    }

    fn stored(&self, position: u64) -> Option<Stored> {
        let row = self.row(position)?;
        Some(Stored {
            link: row.link,
            position,
            received_ms: row.received_ms,
            off_s: row.off_s,
            aside: row.aside.clone(),
        })
    }

    /// Appends; gives the numbers and positions of the new entries.
    fn write(&mut self, device: DeviceId, fresh: &[Fresh], seal: &Seal, now_ms: i64) -> Vec<(u64, u64)> {
        let mut end = self.end();
        let mut machines: MachineDigests = fresh
            .iter()
            .map(machine_of)
            .map(|machine| (machine, self.machines.get(&machine).map(|(digest, _)| *digest).unwrap_or_default()))
            .collect();
        let rows = append(device, fresh, now_ms, &mut end, &mut machines);
        for row in &rows {
            self.machines.insert(row.machine, (row.machine_digest, row.position));
        }
        self.seals.insert(end.position, *seal);
        let places = rows.iter().map(|row| (row.seq, row.position)).collect();
        self.rows.extend(rows);
        places
    }

    fn keep(&mut self, checked: &Checked, differs: u64, now_ms: i64) {
        if let Some((branch, entries)) = branch_of(checked, differs, now_ms) {
            let key = (branch.device, branch.from, branch.link);
            let entries = || entries.iter().map(|entry| (entry.link, entry.bytes.clone())).collect();
            self.branches.entry(key).or_insert_with(|| KeptBranch { branch, entries: entries() });
        }
    }

    fn digest(&self, wanted: &Wanted, position: u64) -> Digest {
        self.rows
            .iter()
            .take_while(|row| row.position <= position)
            .filter(|row| wanted.takes(row.machine))
            .fold(Digest::default(), |digest, row| digest.with(&row.link))
    }

    fn page(&self, ask: &PageAsk) -> StoreResult<Page> {
        let end = self.end().position;
        let ask = PageAsk { after: ask.after.min(end), ..ask.clone() };
        let after = usize::try_from(ask.after).unwrap_or(usize::MAX);
        let mut plan = PagePlan::new(&ask);
        plan.offer(self.rows.iter().skip(after).map(LedgerRow::candidate));
        let rows = plan.positions.iter().filter_map(|position| self.row(*position));
        Ok(Page {
            entries: rows.map(LedgerRow::held).collect::<StoreResult<_>>()?,
            seals: plan.positions.iter().filter_map(|position| self.seals.get(position).copied()).collect(),
            position: plan.position,
            position_link: self.row(plan.position).map_or(Hash::ZERO, |row| row.link),
            more: plan.position < end,
            digest: self.digest(&ask.wanted, plan.position),
        })
    }
}

impl LedgerRow {
    fn candidate(&self) -> Candidate {
        let LedgerRow { position, device, machine, .. } = *self;
        Candidate { position, device, machine, bytes: self.bytes.len() }
    }

    fn held(&self) -> StoreResult<Held> {
        let entry = Entry::from_trusted_bytes(&self.bytes)
            .map_err(|fault| corrupt("ledger", self.position, "bytes", &fault))?;
        Ok(Held {
            device: self.device,
            link: self.link,
            position: Some(self.position),
            received_ms: Some(self.received_ms),
            off_s: self.off_s,
            aside: self.aside.clone(),
            entry,
        })
    }
}

fn after<K: Copy>(key: Option<K>) -> (Bound<K>, Bound<K>) {
    (key.map_or(Bound::Unbounded, Bound::Excluded), Bound::Unbounded)
}

#[async_trait]
impl Store for MemoryStore {
    fn identity(&self) -> &Identity {
        &self.identity
    }

    async fn epoch(&self) -> StoreResult<u64> {
        self.read("epoch", |state| Ok(state.epoch()))
    }

    async fn epoch_raise(&self, from: u64, to: u64) -> StoreResult<u64> {
        self.write("epoch_raise", |state| {
            if state.epoch() == from && to > from {
                state.raised_to = Some(to);
            }
            Ok(state.epoch())
        })
    }

    async fn ping(&self) -> StoreResult<()> {
        self.read("ping", |_| Ok(()))
    }

    async fn organisation_add(&self, organisation: &Organisation, _now_ms: i64) -> StoreResult<()> {
        storable("organisation_add", [organisation.name.as_str()])?;
        self.write("organisation_add", |state| {
            if state.organisations.contains_key(&organisation.id) {
                let detail = "there is such an organisation already".into();
                return Err(StoreError::Failed { act: "organisation_add", detail });
            }
            let ledger = Ledger { name: organisation.name.clone(), ..Ledger::default() };
            state.organisations.insert(organisation.id, ledger);
            Ok(())
        })
    }

    async fn organisations(&self) -> StoreResult<Vec<Organisation>> {
        self.read("organisations", |state| {
            let all = state.organisations.iter();
            let mut all: Vec<_> = all.map(|(id, l)| Organisation { id: *id, name: l.name.clone() }).collect();
            all.sort_by(|a, b| (&a.name, a.id).cmp(&(&b.name, b.id)));
            Ok(all)
        })
    }

    async fn enrol(&self, enrolment: &Enrolment) -> StoreResult<Enrolled> {
        storable("enrol", [enrolment.mark.as_str(), enrolment.person.name.as_str()])?;
        not_the_operator("enrol", &enrolment.person)?;
        self.administer("enrol", |state| state.enrol(&self.identity.ledger_secret, enrolment))
    }

    async fn follow(&self, follow: &Follow) -> StoreResult<Enrolled> {
        self.administer("follow", |state| state.follow(&self.identity.ledger_secret, follow))
    }

    async fn device(&self, device: DeviceId) -> StoreResult<Option<DeviceRecord>> {
        self.read("device", |state| Ok(state.devices.get(&device).map(|device| device.record.clone())))
    }

    async fn baton(&self, scope: DeviceScope, presented: Baton, next: Baton, now_ms: i64) -> StoreResult<BatonJudged> {
        self.write("baton", |state| {
            let Device { record, last_ms, .. } = state.device("baton", scope)?;
            Ok(if presented == record.baton {
                *last_ms = Some(now_ms);
                (record.baton_before, record.baton) = (record.baton, next);
                BatonJudged::Current
            } else if presented == record.baton_before {
                BatonJudged::Before(record.baton)
            } else {
                BatonJudged::Old
            })
        })
    }

    async fn wanted_set(&self, scope: DeviceScope, wanted: &Wanted) -> StoreResult<()> {
        self.write("wanted_set", |state| {
            state.device("wanted_set", scope)?.record.wanted = wanted.clone();
            Ok(())
        })
    }

    async fn push(
        &self,
        scope: DeviceScope,
        checked: &Checked,
        clock: &ClockSample,
        now_ms: i64,
    ) -> StoreResult<Pushed> {
        same_device("push", scope, checked)?;
        self.write("push", |state| state.push(scope, checked, clock, now_ms))
    }

    async fn branch_keep(
        &self,
        scope: DeviceScope,
        checked: &Checked,
        now_ms: i64,
    ) -> StoreResult<BTreeMap<u64, Stored>> {
        same_device("branch_keep", scope, checked)?;
        self.write("branch_keep", |state| {
            let positions = state.device("branch_keep", scope)?.positions.clone();
            let ledger = state.ledger("branch_keep", scope.organisation)?;
            ledger.keep(checked, checked.from, now_ms);
            let pushed = positions.range(checked.from..=checked.seal.to);
            Ok(pushed.filter_map(|(seq, at)| Some((*seq, ledger.stored(*at)?))).collect())
        })
    }

    async fn branches(&self, organisation: OrganisationId) -> StoreResult<Vec<Branch>> {
        self.read("branches", |state| {
            let Some(ledger) = state.organisations.get(&organisation) else { return Ok(Vec::new()) };
            let mut all: Vec<_> = ledger.branches.values().map(|kept| kept.branch.clone()).collect();
            all.sort_by_key(|branch| std::cmp::Reverse(branch.received_ms));
            Ok(all)
        })
    }

    async fn branch_entries(
        &self,
        organisation: OrganisationId,
        device: DeviceId,
        from: u64,
        link: Hash,
    ) -> StoreResult<Vec<BranchEntry>> {
        self.read("branch_entries", |state| {
            let ledger = state.organisations.get(&organisation);
            let Some(kept) = ledger.and_then(|l| l.branches.get(&(device, from, link))) else {
                return Ok(Vec::new());
            };
            let read = |(link, bytes): &(Hash, Vec<u8>)| {
                let entry = Entry::from_trusted_bytes(bytes);
                let entry = entry.map_err(|fault| corrupt("branch_entry", link, "bytes", &fault))?;
                Ok(BranchEntry { link: *link, entry })
            };
            kept.entries.iter().map(read).collect()
        })
    }

    async fn page(&self, organisation: OrganisationId, ask: &PageAsk) -> StoreResult<Page> {
        self.read("page", |state| match state.organisations.get(&organisation) {
            Some(ledger) => ledger.page(ask),
            None => Ledger::default().page(ask),
        })
    }

    async fn digest(&self, organisation: OrganisationId) -> StoreResult<Digest> {
        self.read("digest", |state| {
            Ok(state.organisations.get(&organisation).map(|ledger| ledger.end().digest()).unwrap_or_default())
        })
    }

    async fn link_at(&self, organisation: OrganisationId, position: u64) -> StoreResult<Option<Hash>> {
        self.read("link_at", |state| {
            if position == 0 {
                return Ok(Some(Hash::ZERO));
            }
            Ok(state.organisations.get(&organisation).and_then(|l| l.row(position)).map(|row| row.link))
        })
    }

    async fn people_add(&self, organisation: OrganisationId, people: &[Person]) -> StoreResult<()> {
        storable("people_add", people.iter().map(|person| person.name.as_str()))?;
        self.write("people_add", |state| {
            let ledger = state.ledger("people_add", organisation)?;
            let before = ledger.people.len();
            for person in people.iter().filter(|person| person.id != PersonId::OPERATOR) {
                ledger.people.entry(person.id).or_insert_with(|| person.name.clone());
            }
            ledger.directory_version += u64::from(ledger.people.len() > before);
            Ok(())
        })
    }

    async fn directory(&self, organisation: OrganisationId, held: u64) -> StoreResult<Option<Directory>> {
        self.read("directory", |state| {
            let Some(ledger) = state.organisations.get(&organisation).filter(|l| l.directory_version != held) else {
                return Ok(None);
            };
            let devices = state.devices.values().map(|d| &d.record).filter(|d| d.organisation == organisation);
            Ok(Some(Directory {
                version: ledger.directory_version,
                people: ledger.people.iter().map(|(id, name)| Person { id: *id, name: name.clone() }).collect(),
                devices: devices.map(card).collect(),
            }))
        })
    }

    async fn machines(
        &self,
        organisation: OrganisationId,
        last: Option<MachineId>,
        limit: usize,
    ) -> StoreResult<Vec<MachineHead>> {
        self.read("machines", |state| {
            let Some(ledger) = state.organisations.get(&organisation) else { return Ok(Vec::new()) };
            // `None` sorts first and counts entries about no machine: never listed.
            let found = ledger.machines.range(after(Some(last)));
            Ok(found.take(limit).filter_map(machine_head).collect())
        })
    }

    async fn machine(&self, organisation: OrganisationId, machine: MachineId) -> StoreResult<Option<MachineHead>> {
        self.read("machine", |state| {
            let ledger = state.organisations.get(&organisation);
            Ok(ledger.and_then(|l| l.machines.get_key_value(&Some(machine))).and_then(machine_head))
        })
    }

    async fn machine_entries(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        last: u64,
        limit: usize,
    ) -> StoreResult<Vec<Held>> {
        self.read("machine_entries", |state| {
            let Some(ledger) = state.organisations.get(&organisation) else { return Ok(Vec::new()) };
            let found = ledger.rows.iter().filter(|row| row.position > last && row.machine == Some(machine));
            found.take(limit).map(LedgerRow::held).collect()
        })
    }

    async fn entry(
        &self,
        organisation: OrganisationId,
        EntryRef { device, seq }: EntryRef,
    ) -> StoreResult<Option<Held>> {
        self.read("entry", |state| {
            let Some(ledger) = state.organisations.get(&organisation) else { return Ok(None) };
            ledger.rows.iter().find(|row| row.device == device && row.seq == seq).map(LedgerRow::held).transpose()
        })
    }

    async fn lane(&self, organisation: OrganisationId, lane: Lane, last: u64, limit: usize) -> StoreResult<Vec<Held>> {
        self.read("lane", |state| {
            let Some(ledger) = state.organisations.get(&organisation) else { return Ok(Vec::new()) };
            let within = |row: &&LedgerRow| match lane {
                Lane::Aside => row.aside.is_some(),
                Lane::Rulings => matches!(row.kind.as_deref(), Some("released" | "struck")),
            };
            let found = ledger.rows.iter().filter(|row| row.position > last).filter(within);
            found.take(limit).map(LedgerRow::held).collect()
        })
    }

    async fn views(
        &self,
        organisation: OrganisationId,
        sort: ViewSort,
        last: Option<MachineId>,
        limit: usize,
    ) -> StoreResult<Vec<MachineView>> {
        self.read("views", |state| {
            let Some(ledger) = state.organisations.get(&organisation) else { return Ok(Vec::new()) };
            let from = last.map_or(Bound::Included((sort, MachineId([0; 16]))), |last| Bound::Excluded((sort, last)));
            let found = ledger.views.range((from, Bound::Unbounded)).take_while(|((of, _), _)| *of == sort);
            Ok(found.take(limit).map(|(_, view)| view.clone()).collect())
        })
    }

    async fn view(
        &self,
        organisation: OrganisationId,
        sort: ViewSort,
        machine: MachineId,
    ) -> StoreResult<Option<MachineView>> {
        self.read("view", |state| {
            Ok(state.organisations.get(&organisation).and_then(|l| l.views.get(&(sort, machine))).cloned())
        })
    }

    async fn views_put(&self, organisation: OrganisationId, views: &[MachineView]) -> StoreResult<()> {
        storable("views_put", views.iter().map(|view| view.json.as_str()))?;
        self.write("views_put", |state| {
            let kept = &mut state.ledger("views_put", organisation)?.views;
            kept.extend(views.iter().map(|view| ((view.sort, view.machine), view.clone())));
            Ok(())
        })
    }

    async fn token_keys(&self) -> StoreResult<Vec<TokenKeyRecord>> {
        self.read("token_keys", |state| {
            let mut keys: Vec<_> = state.token_keys.values().cloned().collect();
            keys.sort_by(|a, b| a.order().cmp(&b.order()));
            Ok(keys)
        })
    }

    async fn token_key_add(&self, key: &TokenKeyRecord, gone: &[String]) -> StoreResult<()> {
        storable("token_key_add", [key.kid.as_str()])?;
        self.write("token_key_add", |state| {
            if state.token_keys.contains_key(&key.kid) {
                return Err(StoreError::Failed { act: "token_key_add", detail: "there is such a key already".into() });
            }
            state.token_keys.insert(key.kid.clone(), key.clone());
            state.token_keys.retain(|kid, _| !gone.contains(kid));
            Ok(())
        })
    }

    async fn assertion_new(&self, hash: Hash, until_s: i64, now_s: i64) -> StoreResult<bool> {
        self.write("assertion_new", |state| {
            if state.assertions.contains_key(&hash) {
                return Ok(false);
            }
            state.assertions.insert(hash, until_s);
            state.assertions.retain(|_, until_s| *until_s >= now_s);
            Ok(true)
        })
    }

    async fn code_add(&self, actor: Actor, code: &EnrolmentCode, now_ms: i64) -> StoreResult<CodeId> {
        self.administer("code_add", |state| state.code_add(&self.identity.ledger_secret, actor, code, now_ms))
    }

    async fn codes(&self, organisation: OrganisationId, now_ms: i64) -> StoreResult<Vec<OpenCode>> {
        self.read("codes", |state| Ok(state.codes(&self.identity.ledger_secret, organisation, now_ms)))
    }

    async fn code_cancel(&self, actor: Actor, code: CodeId, now_ms: i64) -> StoreResult<bool> {
        self.administer("code_cancel", |state| state.code_cancel(&self.identity.ledger_secret, actor, code, now_ms))
    }

    async fn devices(&self, organisation: OrganisationId) -> StoreResult<Vec<DeviceStanding>> {
        self.read("devices", |state| Ok(state.standings(organisation)))
    }

    async fn device_change(
        &self,
        actor: Actor,
        device: DeviceId,
        change: &DeviceChange,
        now_ms: i64,
    ) -> StoreResult<Changed> {
        storable("device_change", change.mark.as_deref())?;
        let secret = &self.identity.ledger_secret;
        self.administer("device_change", |state| state.device_change(secret, actor, device, change, now_ms))
    }

    async fn device_revoke(&self, actor: Actor, device: DeviceId, now_ms: i64) -> StoreResult<Changed> {
        let secret = &self.identity.ledger_secret;
        self.administer("device_revoke", |state| state.device_revoke(secret, actor, device, now_ms))
    }

    async fn share_add(&self, actor: Actor, share: &NewShare, now_ms: i64) -> StoreResult<()> {
        self.administer("share_add", |state| state.share_add(&self.identity.ledger_secret, actor, share, now_ms))
    }

    async fn shares(&self, organisation: OrganisationId, now_ms: i64, limit: usize) -> StoreResult<Vec<Share>> {
        self.read("shares", |state| Ok(state.shares(organisation, now_ms, limit)))
    }

    async fn share_end(&self, actor: Actor, share: ShareId, now_ms: i64) -> StoreResult<bool> {
        self.administer("share_end", |state| state.share_end(&self.identity.ledger_secret, actor, share, now_ms))
    }

    async fn share_open(&self, hash: Hash, now_ms: i64) -> StoreResult<Option<Share>> {
        self.write("share_open", |state| Ok(state.share_open(hash, now_ms)))
    }
}

fn machine_head((machine, (digest, position)): (&Option<MachineId>, &(Digest, u64))) -> Option<MachineHead> {
    Some(MachineHead { machine: (*machine)?, digest: *digest, position: *position })
}

fn card(device: &DeviceRecord) -> DeviceCard {
    DeviceCard {
        id: device.device,
        mark: device.mark.clone(),
        key: device.key,
        person: device.person,
        revoked: device.revoked,
    }
}
