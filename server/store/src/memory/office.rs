//! Codes, devices, share links and the server's own log, in memory.
//!
//! Promises: the same outcomes in the same order of checks as the databases; the contract suite compares.

use super::{Code, Device, MemoryStore, State, no_such};
use crate::facts::Voucher;
use crate::ledger::{folded, free_mark};
use crate::{
    Actor, Changed, DeviceChange, DeviceRecord, DeviceScope, DeviceStanding, Enrolled, Enrolment, EnrolmentCode,
    Follow, NewShare, Noted, OpenCode, Organisation, Role, Share, StoreError, StoreResult, facts,
};
use pintle_core::admit::{Admission, Author};
use pintle_core::chain::LogHead;
use pintle_core::exchange::{ClockSample, Wanted};
use pintle_core::ids::{Baton, CodeId, DeviceId, Hash, OrganisationId, PersonId, ShareId};
use pintle_core::moment::Moment;
use pintle_core::scribe::{SERVER_MARK, SERVER_NAME, Scribe, code_id};
use pintle_core::{EntryRef, Fact};
use std::collections::{BTreeMap, BTreeSet};

impl MemoryStore {
    /// An act of administration. It ends with an entry of the server's own, and that can fail: it is made on a copy, so
    /// that it is written down or has not been.
    pub(super) fn administer<T>(
        &self,
        act: &'static str,
        change: impl FnOnce(&mut State) -> StoreResult<T>,
    ) -> StoreResult<T> {
        self.write(act, |state| {
            let mut changed = state.clone();
            let done = change(&mut changed)?;
            *state = changed;
            Ok(done)
        })
    }
}

impl Device {
    /// A device that has done nothing yet.
    pub(super) fn new(record: DeviceRecord, enrolled_ms: i64) -> Self {
        let (positions, machine_counts) = (BTreeMap::new(), BTreeMap::new());
        Self { record, positions, machine_counts, enrolled_ms, last_ms: None, is_server: false, follows: None }
    }

    /// Whose log it is.
    pub(super) fn author(&self) -> Author {
        if self.is_server { Author::Server } else { Author::Person(self.record.role) }
    }
}

impl State {
    /// The marks that an organisation's devices have or had.
    pub(super) fn marks(&self, organisation: OrganisationId) -> BTreeSet<String> {
        self.marks_held(organisation).map(|(_, mark)| mark).collect()
    }

    /// Each mark that an organisation's devices have or had, with its device.
    fn marks_held(&self, organisation: OrganisationId) -> impl Iterator<Item = (DeviceId, String)> {
        let now = self.devices.values().filter(move |device| device.record.organisation == organisation);
        let past = self.marks_past.iter().filter(move |((of, _), _)| *of == organisation);
        now.map(|device| (device.record.device, folded(&device.record.mark)))
            .chain(past.map(|((_, mark), device)| (*device, mark.clone())))
    }

    pub(super) fn enrol(&mut self, secret: &[u8; 32], enrolment: &Enrolment) -> StoreResult<Enrolled> {
        let device = DeviceId::of_key(&enrolment.key);
        let Some(code) = self.codes.get(&enrolment.code) else { return Ok(Enrolled::NoSuchCode) };
        let again = code.spent_by == Some(device);
        if code.spent_by.is_some() && !again {
            return Ok(Enrolled::CodeUsed);
        }
        if !again && (code.cancelled || code.code.expires_ms <= enrolment.now_ms) {
            return Ok(Enrolled::NoSuchCode);
        }
        let (of, less) = (code.organisation, !again && code.code.role != Role::Owner);
        let known = self.devices.get(&device).map(|known| &known.record);
        if known.is_some_and(|known| known.revoked || known.organisation != of) {
            return Ok(Enrolled::KeyRefused);
        }
        if less && known.is_some_and(|known| known.role == Role::Owner) && !self.another_owner(of, device) {
            return Ok(Enrolled::LastOwner);
        }
        let Some(code) = self.codes.get_mut(&enrolment.code) else { return Ok(Enrolled::NoSuchCode) };
        let known = self.devices.get_mut(&device);
        let ledger = self.organisations.get_mut(&code.organisation).ok_or_else(|| no_such("enrol", "organisation"))?;
        code.spent_by = Some(device);
        let organisation = Organisation { id: code.organisation, name: ledger.name.clone() };
        let role = code.code.role;
        if let Some(known) = known {
            known.last_ms = Some(enrolment.now_ms);
            let record = &mut known.record;
            [record.baton_before, record.baton] = record.given(enrolment.baton);
            if !again {
                record.role = role;
                record.person = enrolment.person.id;
                ledger.people.entry(enrolment.person.id).or_insert_with(|| enrolment.person.name.clone());
                ledger.directory_version += 1;
            }
            let record = record.clone();
            if !again {
                self.tell(secret, enrolment, &record)?;
            }
            return Ok(Enrolled::In { organisation, mark: record.mark, role: record.role });
        }
        ledger.people.entry(enrolment.person.id).or_insert_with(|| enrolment.person.name.clone());
        ledger.directory_version += 1;
        let mark = free_mark(&enrolment.mark, &self.marks(organisation.id));
        let record = DeviceRecord {
            organisation: organisation.id,
            device,
            key: enrolment.key,
            mark: mark.clone(),
            person: enrolment.person.id,
            role,
            revoked: false,
            head: LogHead::empty(&enrolment.key),
            baton: enrolment.baton,
            baton_before: enrolment.baton,
            wanted: Wanted::default(),
        };
        self.devices.insert(device, Device::new(record.clone(), enrolment.now_ms));
        self.tell(secret, enrolment, &record)?;
        Ok(Enrolled::In { organisation, mark, role })
    }

    /// Writes down who was let in.
    fn tell(&mut self, secret: &[u8; 32], enrolment: &Enrolment, record: &DeviceRecord) -> StoreResult<()> {
        let actor = Actor { organisation: record.organisation, person: record.person };
        let code = Voucher::Code(code_id(secret, &enrolment.code));
        self.write_down(secret, actor, &facts::device_enrolled(record, code), enrolment.now_ms)
    }

    /// Writes down what an actor has had done.
    pub(super) fn write_down(&mut self, secret: &[u8; 32], actor: Actor, fact: &Fact, now_ms: i64) -> StoreResult<()> {
        self.write_office(secret, actor, &Noted { fact: fact.clone(), office: None }, now_ms).map(|_| ())
    }

    /// Writes down what the office has had done, with the part that crews do not get. Gives the entry's name.
    pub(super) fn write_office(
        &mut self,
        secret: &[u8; 32],
        actor: Actor,
        noted: &Noted,
        now_ms: i64,
    ) -> StoreResult<EntryRef> {
        let failed = |detail: String| StoreError::Failed { act: "write_down", detail };
        let organisation = actor.organisation;
        let scribe = Scribe::new(secret, organisation, self.epoch());
        let head = match self.devices.get(&scribe.device()) {
            Some(device) => device.record.head,
            None => self.begin_log(organisation, &scribe, now_ms)?,
        };
        let seen = self.ledger("write_down", organisation)?.end().position;
        let office = noted.office.clone();
        let checked = scribe.write_office(&head, seen, actor.person, &noted.fact, office, now_ms);
        let checked = checked.map_err(|fault| failed(fault.to_string()))?;
        let at = Moment::at(now_ms.div_euclid(1000), 0).map_err(|f| failed(f.to_string()))?;
        let scope = DeviceScope { organisation, device: scribe.device() };
        let pushed = self.push(scope, &checked, &ClockSample { at, boot: None, up_s: None }, now_ms)?;
        match pushed.admission {
            Admission::Write { .. } => Ok(EntryRef { device: scribe.device(), seq: pushed.head.seq }),
            other => Err(failed(format!("the server's own log did not take an entry: {other:?}"))),
        }
    }

    fn begin_log(&mut self, organisation: OrganisationId, scribe: &Scribe, now_ms: i64) -> StoreResult<LogHead> {
        let mark = free_mark(SERVER_MARK, &self.marks(organisation));
        let ledger = self.ledger("write_down", organisation)?;
        ledger.directory_version += 1;
        ledger.people.entry(PersonId::OPERATOR).or_insert_with(|| SERVER_NAME.to_owned());
        let record = DeviceRecord {
            organisation,
            device: scribe.device(),
            key: scribe.key(),
            mark,
            person: PersonId::OPERATOR,
            role: Role::Owner,
            revoked: false,
            head: LogHead::empty(&scribe.key()),
            baton: Baton([0; 16]),
            baton_before: Baton([0; 16]),
            wanted: Wanted::default(),
        };
        let head = record.head;
        self.devices.insert(scribe.device(), Device { is_server: true, ..Device::new(record, now_ms) });
        Ok(head)
    }

    pub(super) fn follow(&mut self, secret: &[u8; 32], follow: &Follow) -> StoreResult<Enrolled> {
        let new = DeviceId::of_key(&follow.key);
        let old = self.devices.get(&follow.old).filter(|old| old.record.organisation == follow.organisation);
        let Some(old) = old.filter(|old| !old.is_server).map(|old| old.record.clone()) else {
            return Ok(Enrolled::KeyRefused);
        };
        let ledger = self.ledger("follow", follow.organisation)?;
        let organisation = Organisation { id: follow.organisation, name: ledger.name.clone() };
        if let Some(known) = self.devices.get_mut(&new) {
            if known.follows != Some(follow.old) || known.record.revoked {
                return Ok(Enrolled::KeyRefused);
            }
            known.last_ms = Some(follow.now_ms);
            let record = &mut known.record;
            [record.baton_before, record.baton] = record.given(follow.baton);
            return Ok(Enrolled::In { organisation, mark: record.mark.clone(), role: record.role });
        }
        if old.revoked {
            return Ok(Enrolled::KeyRefused);
        }
        let mark = free_mark(&old.mark, &self.marks(follow.organisation));
        let record = DeviceRecord {
            device: new,
            key: follow.key,
            mark: mark.clone(),
            head: LogHead::empty(&follow.key),
            baton: follow.baton,
            baton_before: follow.baton,
            ..old.clone()
        };
        let device = Device { follows: Some(follow.old), ..Device::new(record.clone(), follow.now_ms) };
        self.devices.insert(new, device);
        self.ledger("follow", follow.organisation)?.directory_version += 1;
        let actor = Actor { organisation: follow.organisation, person: old.person };
        let fact = facts::device_enrolled(&record, Voucher::Device(follow.old));
        self.write_down(secret, actor, &fact, follow.now_ms)?;
        if follow.ends {
            if let Some(found) = self.devices.get_mut(&follow.old) {
                found.record.revoked = true;
            }
            self.write_down(secret, actor, &facts::device_revoked(follow.old), follow.now_ms)?;
        }
        Ok(Enrolled::In { organisation, mark, role: record.role })
    }

    pub(super) fn code_add(
        &mut self,
        secret: &[u8; 32],
        actor: Actor,
        code: &EnrolmentCode,
        now_ms: i64,
    ) -> StoreResult<CodeId> {
        self.ledger("code_add", actor.organisation)?;
        if self.codes.contains_key(&code.hash) {
            return Err(StoreError::Failed { act: "code_add", detail: "there is such a code already".into() });
        }
        let (organisation, made_ms) = (actor.organisation, now_ms);
        let code_row = Code { organisation, code: code.clone(), spent_by: None, made_ms, cancelled: false };
        self.codes.insert(code.hash, code_row);
        let id = code_id(secret, &code.hash);
        self.write_down(secret, actor, &facts::code_made(id, code), now_ms)?;
        Ok(id)
    }

    pub(super) fn codes(&self, secret: &[u8; 32], organisation: OrganisationId, now_ms: i64) -> Vec<OpenCode> {
        let open = |code: &&Code| {
            code.organisation == organisation
                && code.spent_by.is_none()
                && !code.cancelled
                && code.code.expires_ms > now_ms
        };
        let mut all: Vec<_> = self.codes.values().filter(open).collect();
        all.sort_by_key(|code| (code.code.expires_ms, code.code.hash));
        all.into_iter()
            .map(|code| OpenCode {
                code: code_id(secret, &code.code.hash),
                role: code.code.role,
                made_ms: code.made_ms,
                expires_ms: code.code.expires_ms,
            })
            .collect()
    }

    pub(super) fn code_cancel(
        &mut self,
        secret: &[u8; 32],
        actor: Actor,
        id: CodeId,
        now_ms: i64,
    ) -> StoreResult<bool> {
        if !self.codes(secret, actor.organisation, now_ms).iter().any(|open| open.code == id) {
            return Ok(false);
        }
        let found = self.codes.values_mut().find(|code| code_id(secret, &code.code.hash) == id);
        found.ok_or_else(|| no_such("code_cancel", "code"))?.cancelled = true;
        self.write_down(secret, actor, &facts::code_cancelled(id), now_ms)?;
        Ok(true)
    }

    fn people_s(&self, organisation: OrganisationId) -> impl Iterator<Item = &Device> {
        self.devices.values().filter(move |d| d.record.organisation == organisation && !d.is_server)
    }

    pub(super) fn standings(&self, organisation: OrganisationId) -> Vec<DeviceStanding> {
        let mut all: Vec<_> = self
            .people_s(organisation)
            .map(|device| DeviceStanding {
                device: device.record.device,
                mark: device.record.mark.clone(),
                person: device.record.person,
                role: device.record.role,
                revoked: device.record.revoked,
                entries: device.record.head.seq,
                enrolled_ms: device.enrolled_ms,
                last_ms: device.last_ms,
            })
            .collect();
        all.sort_by_key(|device| (folded(&device.mark), device.device));
        all
    }

    fn managed(&self, actor: Actor, device: DeviceId) -> Option<DeviceRecord> {
        let found = self.devices.get(&device)?;
        (found.record.organisation == actor.organisation && !found.is_server).then(|| found.record.clone())
    }

    fn another_owner(&self, organisation: OrganisationId, device: DeviceId) -> bool {
        let mut owners = self.people_s(organisation).map(|d| &d.record);
        owners.any(|d| d.role == Role::Owner && !d.revoked && d.device != device)
    }

    pub(super) fn device_change(
        &mut self,
        secret: &[u8; 32],
        actor: Actor,
        device: DeviceId,
        change: &DeviceChange,
        now_ms: i64,
    ) -> StoreResult<Changed> {
        let Some(mut record) = self.managed(actor, device) else { return Ok(Changed::NoSuchDevice) };
        let mark = change.mark.clone().filter(|mark| *mark != record.mark);
        let role = change.role.filter(|role| *role != record.role);
        if mark.is_none() && role.is_none() {
            return Ok(Changed::Already);
        }
        let last = record.role == Role::Owner && !record.revoked && !self.another_owner(actor.organisation, device);
        if last && role.is_some() && !actor.is_operator() {
            return Ok(Changed::LastOwner);
        }
        if let Some(mark) = &mark {
            if folded(mark) != folded(&record.mark) {
                if self.marks_held(actor.organisation).any(|(of, held)| of != device && held == folded(mark)) {
                    return Ok(Changed::MarkTaken);
                }
                self.marks_past.insert((actor.organisation, folded(&record.mark)), device);
            }
            record.mark.clone_from(mark);
        }
        record.role = role.unwrap_or(record.role);
        if let Some(found) = self.devices.get_mut(&device) {
            found.record = record;
        }
        self.ledger("device_change", actor.organisation)?.directory_version += 1;
        let fact = facts::device_changed(device, &DeviceChange { mark, role });
        self.write_down(secret, actor, &fact, now_ms)?;
        Ok(Changed::Done)
    }

    pub(super) fn device_revoke(
        &mut self,
        secret: &[u8; 32],
        actor: Actor,
        device: DeviceId,
        now_ms: i64,
    ) -> StoreResult<Changed> {
        let Some(record) = self.managed(actor, device) else { return Ok(Changed::NoSuchDevice) };
        if record.revoked {
            return Ok(Changed::Already);
        }
        if record.role == Role::Owner && !actor.is_operator() && !self.another_owner(actor.organisation, device) {
            return Ok(Changed::LastOwner);
        }
        if let Some(found) = self.devices.get_mut(&device) {
            found.record.revoked = true;
        }
        self.ledger("device_revoke", actor.organisation)?.directory_version += 1;
        self.write_down(secret, actor, &facts::device_revoked(device), now_ms)?;
        Ok(Changed::Done)
    }

    pub(super) fn share_add(
        &mut self,
        secret: &[u8; 32],
        actor: Actor,
        new: &NewShare,
        now_ms: i64,
    ) -> StoreResult<()> {
        self.ledger("share_add", actor.organisation)?;
        if self.shares.contains_key(&new.hash) {
            return Err(StoreError::Failed { act: "share_add", detail: "there is such a link already".into() });
        }
        let share = Share {
            hash: new.hash,
            organisation: actor.organisation,
            machine: new.machine,
            shows: new.shows.clone(),
            made_by: actor.person,
            made_ms: now_ms,
            until_ms: new.until_ms,
            ended_ms: None,
            opened_count: 0,
            opened_ms: None,
        };
        self.shares.insert(new.hash, share);
        self.write_down(secret, actor, &facts::share_made(new), now_ms)
    }

    pub(super) fn shares(&self, organisation: OrganisationId, now_ms: i64, limit: usize) -> Vec<Share> {
        let mut all: Vec<_> = self.shares.values().filter(|s| s.organisation == organisation).cloned().collect();
        all.sort_by_key(|share| (!share.is_open(now_ms), std::cmp::Reverse(share.made_ms), share.hash));
        all.truncate(limit);
        all
    }

    pub(super) fn share_end(&mut self, secret: &[u8; 32], actor: Actor, id: ShareId, now_ms: i64) -> StoreResult<bool> {
        let mut open = self.shares.values_mut();
        let open = open.find(|s| s.organisation == actor.organisation && s.id() == id && s.is_open(now_ms));
        let Some(share) = open else { return Ok(false) };
        share.ended_ms = Some(now_ms);
        self.write_down(secret, actor, &facts::share_ended(id), now_ms)?;
        Ok(true)
    }

    pub(super) fn share_open(&mut self, hash: Hash, now_ms: i64) -> Option<Share> {
        let share = self.shares.get_mut(&hash).filter(|share| share.is_open(now_ms))?;
        share.opened_count += 1;
        share.opened_ms = Some(now_ms);
        Some(share.clone())
    }
}
