//! The office: how devices stand, codes that let them in, links for outsiders.
//!
//! Promises: who may has been checked by the right of the endpoint; what only the owner may do is checked here, by what
//! the device in question is. Every change is written down by the store in the transaction that makes it.
//!
//! Never logs a code or a link.

use super::enrol::is_mark;
use super::{App, Caller, Refusal, codes};
use crate::ambient::random;
use pintle_core::ids::{Capability, CodeId, DeviceId, Hash, ShareId};
use pintle_core::permission::{Right, Role};
use pintle_openapi::endpoints::codes::{
    CODE_HOURS_DEFAULT, CODE_HOURS_MAX, CODES_OPEN_MAX, CodeReply, CodeReport, CodeRequest,
};
use pintle_openapi::endpoints::devices::{DeviceChangeRequest, DeviceReport};
use pintle_openapi::endpoints::shares::{
    SHARE_DAYS_MAX, SHARES_LISTED_MAX, SHARES_OPEN_MAX, ShareReply, ShareReport, ShareRequest,
};
use pintle_openapi::list::PageQuery;
use pintle_openapi::{List, Problem};
use pintle_store::{
    Actor, Changed, DeviceChange, DeviceRecord, DeviceStanding, EnrolmentCode, NewShare, OpenCode, Share,
};
use std::collections::BTreeMap;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

impl Caller {
    /// The caller, as the one who has something done.
    pub(super) fn actor(&self) -> Actor {
        Actor { organisation: self.device.organisation, person: self.device.person }
    }

    /// Refuses unless the caller has a right.
    fn must(&self, right: Right) -> Result<(), Refusal> {
        if self.device.role.may(right) { Ok(()) } else { Err(Refusal::of(Problem::Forbidden)) }
    }

    /// Refuses unless the caller manages devices of a role.
    fn must_manage(&self, role: Role) -> Result<(), Refusal> {
        self.must(if role.is_trusted() { Right::ManageAll } else { Right::ManageCrew })
    }
}

impl App {
    /// How each device stands.
    ///
    /// # Errors
    /// `out-of-range`, `invalid-cursor`, and failures of the store.
    pub async fn devices(&self, caller: &Caller, query: &PageQuery) -> Result<List<DeviceReport>, Refusal> {
        let ask = self.ask(caller, "devices", query)?;
        let names = self.people_names(caller).await?;
        let devices = self.store.devices(caller.device.organisation).await?;
        let key = |device: &DeviceStanding| [device.mark.to_lowercase().as_bytes(), &[0], &device.device.0].concat();
        let keyed = devices.into_iter().map(|device| (key(&device), report(device, &names))).collect();
        Ok(self.cut(caller, &ask, keyed))
    }

    async fn people_names(&self, caller: &Caller) -> Result<BTreeMap<pintle_core::PersonId, String>, Refusal> {
        let directory = self.directory(caller).await?;
        Ok(directory.people.into_iter().map(|person| (person.id, person.name)).collect())
    }

    /// The device to be managed, if the caller may.
    async fn managed(&self, caller: &Caller, device: DeviceId) -> Result<DeviceRecord, Refusal> {
        let found = self.store.device(device).await?;
        let found = found.filter(|found| found.organisation == caller.device.organisation && !found.is_server());
        let found = found.ok_or_else(|| Refusal::of(Problem::NotFound))?;
        caller.must_manage(found.role)?;
        Ok(found)
    }

    /// Gives a device another short name or role.
    ///
    /// # Errors
    /// `not-found`, `forbidden`, `out-of-range`, `mark-taken`, `last-owner`, and failures of the store.
    pub async fn device_change(
        &self,
        caller: &Caller,
        device: DeviceId,
        request: DeviceChangeRequest,
    ) -> Result<DeviceReport, Refusal> {
        let found = self.managed(caller, device).await?;
        if request.role.is_some_and(|role| role != found.role) {
            caller.must(Right::ManageAll)?;
        }
        if request.mark.as_ref().is_some_and(|mark| !is_mark(mark)) {
            let detail = "a mark has two to four capital letters or digits";
            return Err(Refusal::of(Problem::OutOfRange).pointer("/mark").detail(detail));
        }
        let change = DeviceChange { mark: request.mark, role: request.role };
        let changed = self.store.device_change(caller.actor(), device, &change, self.ambient.now_ms()).await?;
        self.changed(caller, device, changed).await
    }

    /// Revokes a device.
    ///
    /// # Errors
    /// `not-found`, `forbidden`, `last-owner`, and failures of the store.
    pub async fn device_revoke(&self, caller: &Caller, device: DeviceId) -> Result<DeviceReport, Refusal> {
        self.managed(caller, device).await?;
        let changed = self.store.device_revoke(caller.actor(), device, self.ambient.now_ms()).await?;
        tracing::info!(target: "pintle::security", %device, by = %caller.device.device, "device revoked");
        self.changed(caller, device, changed).await
    }

    async fn changed(&self, caller: &Caller, device: DeviceId, changed: Changed) -> Result<DeviceReport, Refusal> {
        match changed {
            Changed::Done | Changed::Already => {}
            Changed::NoSuchDevice => return Err(Refusal::of(Problem::NotFound)),
            Changed::MarkTaken => return Err(Refusal::of(Problem::MarkTaken).pointer("/mark")),
            Changed::LastOwner => return Err(Refusal::of(Problem::LastOwner)),
        }
        let devices = self.store.devices(caller.device.organisation).await?;
        let found = devices.into_iter().find(|standing| standing.device == device);
        let found = found.ok_or_else(|| Refusal::internal("a device that was changed is gone"))?;
        Ok(report(found, &self.people_names(caller).await?))
    }

    /// Makes a code.
    ///
    /// # Errors
    /// `forbidden`, `out-of-range`, `too-many-open`, and failures of the store.
    pub async fn code_make(&self, caller: &Caller, request: CodeRequest) -> Result<CodeReply, Refusal> {
        caller.must_manage(request.role)?;
        let hours = within("/hours", request.hours.unwrap_or(i64::from(CODE_HOURS_DEFAULT)), CODE_HOURS_MAX)?;
        let now_ms = self.ambient.now_ms();
        if self.store.codes(caller.device.organisation, now_ms).await?.len() >= CODES_OPEN_MAX {
            return Err(Refusal::of(Problem::TooManyOpen));
        }
        let code = codes::shown(random(self.ambient())?);
        // What `shown` writes, `hash` reads; see its tests.
        let hash = codes::hash(&code).ok_or_else(|| Refusal::internal("a code that cannot be read"))?;
        let stored = EnrolmentCode { hash, role: request.role, expires_ms: now_ms.saturating_add(hours * HOUR_MS) };
        let id = self.store.code_add(caller.actor(), &stored, now_ms).await?;
        let report = CodeReport { id, role: stored.role, made_ms: now_ms, until_ms: stored.expires_ms };
        Ok(CodeReply { code, report })
    }

    /// The open codes.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn codes(&self, caller: &Caller) -> Result<List<CodeReport>, Refusal> {
        let open = self.store.codes(caller.device.organisation, self.ambient.now_ms()).await?;
        Ok(List { items: open.into_iter().map(code_report).collect(), next: None })
    }

    /// Cancels a code.
    ///
    /// # Errors
    /// `not-found`, `forbidden`, and failures of the store.
    pub async fn code_cancel(&self, caller: &Caller, code: CodeId) -> Result<CodeReport, Refusal> {
        let now_ms = self.ambient.now_ms();
        let not_found = || Refusal::of(Problem::NotFound);
        let open = self.store.codes(caller.device.organisation, now_ms).await?;
        let open = open.into_iter().find(|open| open.code == code).ok_or_else(not_found)?;
        caller.must_manage(open.role)?;
        if !self.store.code_cancel(caller.actor(), code, now_ms).await? {
            return Err(not_found());
        }
        Ok(code_report(open))
    }

    /// Makes a share link.
    ///
    /// # Errors
    /// `not-found`, `out-of-range`, `too-many-open`, and failures of the store.
    pub async fn share_make(&self, caller: &Caller, request: ShareRequest) -> Result<ShareReply, Refusal> {
        let ShareRequest { machine, days, shows } = request;
        let days = within("/days", days, SHARE_DAYS_MAX)?;
        let organisation = caller.device.organisation;
        self.store.machine(organisation, machine).await?.ok_or_else(|| Refusal::of(Problem::NotFound))?;
        let now_ms = self.ambient.now_ms();
        let all = self.store.shares(organisation, now_ms, SHARES_LISTED_MAX).await?;
        if all.iter().filter(|share| share.is_open(now_ms)).count() >= SHARES_OPEN_MAX {
            return Err(Refusal::of(Problem::TooManyOpen));
        }
        let link = Capability(random(self.ambient())?);
        let share = NewShare { hash: link_hash(&link), machine, shows, until_ms: now_ms.saturating_add(days * DAY_MS) };
        self.store.share_add(caller.actor(), &share, now_ms).await?;
        let made = self.share(organisation, ShareId::of_hash(&share.hash)).await?;
        Ok(ShareReply { link, report: share_report(made) })
    }

    /// The share links.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn shares(&self, caller: &Caller) -> Result<List<ShareReport>, Refusal> {
        let all = self.store.shares(caller.device.organisation, self.ambient.now_ms(), SHARES_LISTED_MAX).await?;
        Ok(List { items: all.into_iter().map(share_report).collect(), next: None })
    }

    /// Ends a share link. One that has ended already stays as it ended.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn share_end(&self, caller: &Caller, share: ShareId) -> Result<ShareReport, Refusal> {
        let organisation = caller.device.organisation;
        self.share(organisation, share).await?;
        self.store.share_end(caller.actor(), share, self.ambient.now_ms()).await?;
        Ok(share_report(self.share(organisation, share).await?))
    }

    async fn share(&self, organisation: pintle_core::OrganisationId, id: ShareId) -> Result<Share, Refusal> {
        let all = self.store.shares(organisation, self.ambient.now_ms(), SHARES_LISTED_MAX).await?;
        all.into_iter().find(|share| share.id() == id).ok_or_else(|| Refusal::of(Problem::NotFound))
    }
}

/// The hash under which a link is stored.
pub(super) fn link_hash(link: &Capability) -> Hash {
    Hash::of(&[b"pintle/share/1\n", &link.0])
}

fn within(pointer: &str, value: i64, most: u32) -> Result<i64, Refusal> {
    if (1..=i64::from(most)).contains(&value) {
        return Ok(value);
    }
    Err(Refusal::of(Problem::OutOfRange).pointer(pointer).detail(format!("1 to {most}")))
}

fn report(device: DeviceStanding, names: &BTreeMap<pintle_core::PersonId, String>) -> DeviceReport {
    DeviceReport {
        id: device.device,
        person_name: names.get(&device.person).cloned(),
        mark: device.mark,
        person: device.person,
        role: device.role,
        revoked: device.revoked,
        entries: device.entries,
        enrolled_ms: device.enrolled_ms,
        last_ms: device.last_ms,
    }
}

fn code_report(code: OpenCode) -> CodeReport {
    CodeReport { id: code.code, role: code.role, made_ms: code.made_ms, until_ms: code.expires_ms }
}

fn share_report(share: Share) -> ShareReport {
    ShareReport {
        id: share.id(),
        machine: share.machine,
        shows: share.shows,
        made_by: share.made_by,
        made_ms: share.made_ms,
        until_ms: share.until_ms,
        ended_ms: share.ended_ms,
        opened_count: share.opened_count,
        opened_ms: share.opened_ms,
    }
}
