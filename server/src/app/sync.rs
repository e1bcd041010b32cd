//! One exchange.
//!
//! Promises: each part is answered on its own; nothing a person recorded is refused for good; nothing is acknowledged
//! before the store has committed it. The same bytes again are answered with the same places and the same baton.
//!
//! Never decides about entries: `pintle_core::admit` does, inside the store's transaction.

use super::cursor::{PullPlace, Void};
use super::enrol::check_person;
use super::gate::Lane;
use super::{App, Refusal, delivered};
use crate::ambient::random;
use crate::limits::{CLIENT_MIN, PEOPLE_MAX, PULL_ROWS_MAX, WANTED_MACHINES_MAX, WANTED_SITES_MAX};
use pintle_core::admit::{self, Checked, Refused};
use pintle_core::chain::{LogHead, sync_text, verify};
use pintle_core::exchange::{
    Digest, PROTOCOL, PullAnswer, PullOutcome, PushAnswer, PushOutcome, SyncReply, SyncRequest, Wanted,
};
use pintle_core::fact::check_name;
use pintle_core::fleet::folded;
use pintle_core::ids::{Baton, Signature};
use pintle_core::limits::{PAGE_BYTES_MAX, PAGE_BYTES_MIN};
use pintle_openapi::Problem;
use pintle_store::{BatonJudged, DeviceRecord, DeviceScope, PageAsk, epoch_after};
use std::collections::BTreeSet;

/// A push after its chain and seal were looked at.
enum Pushed {
    Nothing,
    BadSeal,
    Checked(Checked),
}

/// The epoch of the ledger, and where in it a pull goes on: after a position, or nowhere, because its cursor is void.
struct Place {
    epoch: u64,
    after: Result<u64, Void>,
}

/// What became of the baton: the one to hand out, and whether another copy of the device has synced since.
struct BatonNow {
    next: Baton,
    copy: bool,
}

impl App {
    /// One exchange. `body` are the bytes the proof was made over.
    ///
    /// # Errors
    /// Only where the request as a whole cannot be taken; see the contract.
    pub async fn sync(&self, request: SyncRequest, body: &[u8], proof: Option<&str>) -> Result<SyncReply, Refusal> {
        let device = self.proven(&request, body, proof).await?;
        self.gate.device(Lane::Sync, device.device)?;
        let _under_way = self.gate.exchange(device.device).await?;
        let scope = DeviceScope { organisation: device.organisation, device: device.device };
        let now_ms = self.ambient.now_ms();
        check_people(&request)?;
        check_wanted(&request)?;
        let pushed = check_push(&request, &device)?;
        let wanted = self.wanted(&device, &request).await?;
        let place = self.place(&device, &request, &wanted).await?;
        let baton = self.baton_judged(scope, &device, &request, place.epoch).await?;
        let (push, log) = self.push(scope, pushed, &device, &request, baton.copy, now_ms).await?;
        let carried = self.carried(&request, &device, now_ms).await?;
        if !device.revoked {
            self.remember(scope, &request, baton.copy).await?;
        }
        let pull = self.pull(&device, &request, &place, wanted).await?;
        let directory =
            if device.revoked { None } else { self.store.directory(device.organisation, request.directory).await? };
        let checkpoint = self.witnessed(&device, &request, place.epoch).await;
        Ok(SyncReply {
            protocol: PROTOCOL,
            request: request.request,
            organisation: device.organisation,
            store: self.store.identity().store,
            epoch: place.epoch,
            now_ms,
            baton: baton.next,
            log,
            push,
            carried,
            pull,
            directory,
            checkpoint,
            blobs_wanted: Vec::new(),
            client_min: CLIENT_MIN.to_owned(),
        })
    }

    /// The device the request comes from, shown by its signature over the body.
    async fn proven(&self, request: &SyncRequest, body: &[u8], proof: Option<&str>) -> Result<DeviceRecord, Refusal> {
        let proof = proof.ok_or_else(|| Refusal::of(Problem::ProofMissing).parameter("Pintle-Proof"))?;
        let bad = || Refusal::of(Problem::BadProof).parameter("Pintle-Proof");
        let proof: Signature = proof.parse().map_err(|_| bad().detail("the proof is 86 characters of base64url"))?;
        let record = self.store.device(request.device).await?;
        let record = record.ok_or_else(|| Refusal::of(Problem::UnknownDevice).pointer("/device"))?;
        if !verify(&record.key, &sync_text(body), &proof) {
            tracing::warn!(target: "pintle::security", device = %record.device, "proof does not verify");
            return Err(bad());
        }
        if record.organisation != request.organisation {
            return Err(Refusal::of(Problem::WrongOrganisation).pointer("/organisation"));
        }
        Ok(record)
    }

    /// Judges the baton. A request that speaks of another ledger or epoch has no baton of this one: it gets a new one.
    async fn baton_judged(
        &self,
        scope: DeviceScope,
        device: &DeviceRecord,
        request: &SyncRequest,
        epoch: u64,
    ) -> Result<BatonNow, Refusal> {
        let ours = request.store == self.store.identity().store && request.epoch == epoch;
        let presented = if ours { request.baton } else { device.baton };
        let next = self.cursors.baton(&scope.device, Some(&device.baton), random(self.ambient())?);
        Ok(match self.store.baton(scope, presented, next, self.ambient.now_ms()).await? {
            BatonJudged::Current => BatonNow { next, copy: false },
            BatonJudged::Before(current) => BatonNow { next: current, copy: false },
            BatonJudged::Old if ours => {
                tracing::warn!(target: "pintle::security", device = %scope.device, "two copies of one device are in use");
                BatonNow { next: request.baton, copy: true }
            }
            // Another exchange of this device came between reading and judging; its reply brings the baton.
            BatonJudged::Old => BatonNow { next: presented, copy: false },
        })
    }

    async fn push(
        &self,
        scope: DeviceScope,
        pushed: Pushed,
        device: &DeviceRecord,
        request: &SyncRequest,
        copy: bool,
        now_ms: i64,
    ) -> Result<(PushAnswer, LogHead), Refusal> {
        let only = |outcome| Ok((PushAnswer::only(outcome), device.head));
        match (pushed, copy) {
            (Pushed::Nothing, false) => only(PushOutcome::None),
            (Pushed::Nothing, true) => only(PushOutcome::Copy),
            (Pushed::BadSeal, _) => {
                tracing::warn!(target: "pintle::security", device = %scope.device, "seal does not verify");
                only(PushOutcome::BadSeal)
            }
            (Pushed::Checked(checked), true) => {
                let stored = self.store.branch_keep(scope, &checked, now_ms).await?;
                let (held, aside) = admit::receipts(&checked, &stored);
                Ok((PushAnswer { held, aside, ..PushAnswer::only(PushOutcome::Copy) }, device.head))
            }
            (Pushed::Checked(checked), false) => {
                let pushed = self.store.push(scope, &checked, &request.clock, now_ms).await?;
                if pushed.answer.outcome == PushOutcome::Fork {
                    tracing::warn!(target: "pintle::security", device = %scope.device, seq = pushed.answer.seq, "fork kept");
                }
                Ok((pushed.answer, pushed.head))
            }
        }
    }

    /// Stores what the request says beside its entries. A copy does not change what the device wants.
    async fn remember(&self, scope: DeviceScope, request: &SyncRequest, copy: bool) -> Result<(), Refusal> {
        if let Some(wanted) = request.wanted.as_ref().filter(|_| !copy) {
            self.store.wanted_set(scope, wanted).await?;
        }
        if !request.people.is_empty() {
            self.store.people_add(scope.organisation, &request.people).await?;
        }
        Ok(())
    }

    /// Where the pull goes on, and in which epoch. A cursor that only this server can have made, for a place that its
    /// ledger does not have, shows that the ledger was restored from an older copy; so does a baton that only this server
    /// can have made, newer than the one it remembers. The epoch is raised then, so that every device offers again what it
    /// holds; it comes before the batons are judged, because they are older too.
    async fn place(&self, device: &DeviceRecord, request: &SyncRequest, wanted: &Wanted) -> Result<Place, Refusal> {
        let epoch = self.store.epoch().await?;
        let number = |baton| self.cursors.baton_number(&device.device, baton);
        let ours = request.store == self.store.identity().store && request.epoch == epoch;
        if ours && number(&request.baton) > number(&device.baton) {
            let epoch = self.gone_back(device, epoch, "baton").await?;
            return Ok(Place { epoch, after: request.pull.cursor.as_ref().map_or(Ok(0), |_| Err(Void::Rewritten)) });
        }
        let Some(cursor) = &request.pull.cursor else { return Ok(Place { epoch, after: Ok(0) }) };
        let place = match self.cursors.read_pull(&device.organisation, epoch, cursor) {
            Ok(place) => place,
            Err(void) => return Ok(Place { epoch, after: Err(void) }),
        };
        let link = self.store.link_at(device.organisation, place.position).await?;
        match place.void(link, wanted.hash()) {
            None => Ok(Place { epoch, after: Ok(place.position) }),
            Some(void @ Void::Rewritten) => {
                Ok(Place { epoch: self.gone_back(device, epoch, "cursor").await?, after: Err(void) })
            }
            Some(void) => Ok(Place { epoch, after: Err(void) }),
        }
    }

    /// The ledger is an older one than a device has seen: raises the epoch.
    async fn gone_back(&self, device: &DeviceRecord, epoch: u64, by: &str) -> Result<u64, Refusal> {
        let raised = self.store.epoch_raise(epoch, epoch_after(epoch, self.ambient.now_ms())).await?;
        tracing::error!(
            target: "pintle::security", device = %device.device, by, epoch = raised,
            "the ledger is older than what a device has seen of it: devices offer again what they hold"
        );
        Ok(raised)
    }

    /// The machines that the device wants, those of its sites as they stand before this exchange. One that comes or goes
    /// voids the cursor of the next.
    async fn wanted(&self, device: &DeviceRecord, request: &SyncRequest) -> Result<Wanted, Refusal> {
        let said = said(device, request);
        if said.sites.is_empty() {
            return Ok(said.clone());
        }
        let machines = self.machines_now(device.organisation).await?;
        let sites: BTreeSet<String> = said.sites.iter().map(|site| folded(site)).collect();
        let wanted = said.with_sites_as(machines.at(&sites));
        check_wanted_machines(&wanted, "/wanted/sites")?;
        Ok(wanted)
    }

    async fn pull(
        &self,
        device: &DeviceRecord,
        request: &SyncRequest,
        place: &Place,
        wanted: Wanted,
    ) -> Result<PullAnswer, Refusal> {
        if device.revoked {
            return Ok(nothing_pulled(PullOutcome::Closed, None));
        }
        match place.after {
            Ok(after) => self.page(device, request, place.epoch, after, wanted).await,
            Err(void) => Ok(nothing_pulled(PullOutcome::Refused, Some(void))),
        }
    }

    async fn page(
        &self,
        device: &DeviceRecord,
        request: &SyncRequest,
        epoch: u64,
        after: u64,
        wanted: Wanted,
    ) -> Result<PullAnswer, Refusal> {
        let bytes_max = request.pull.bytes_max.clamp(PAGE_BYTES_MIN, PAGE_BYTES_MAX) as usize;
        let (except, whole_log_of) = match request.pull.own {
            true => (None, Some(device.device)),
            false => (Some(device.device), None),
        };
        let hash = wanted.hash();
        let ask = PageAsk { after, bytes_max, rows_max: PULL_ROWS_MAX, wanted, except, whole_log_of };
        let page = self.store.page(device.organisation, &ask).await?;
        let place = PullPlace { position: page.position, link_prefix: page.position_link.prefix(), wanted: hash };
        let by_site = request.pull.cursor.is_none() && !said(device, request).sites.is_empty();
        let entries = page.entries.into_iter().map(|held| delivered(held, device)).collect::<Result<_, _>>()?;
        Ok(PullAnswer {
            outcome: PullOutcome::Page,
            entries,
            seals: page.seals,
            cursor: Some(self.cursors.pull(&device.organisation, epoch, &place)),
            position: page.position,
            more: page.more,
            digest: page.digest,
            machines: ask.wanted.machines.filter(|_| by_site),
            code: None,
        })
    }
}

/// What the device wants, as this request says it, or an earlier one did.
fn said<'a>(device: &'a DeviceRecord, request: &'a SyncRequest) -> &'a Wanted {
    request.wanted.as_ref().unwrap_or(&device.wanted)
}

fn nothing_pulled(outcome: PullOutcome, void: Option<Void>) -> PullAnswer {
    PullAnswer {
        outcome,
        entries: Vec::new(),
        seals: Vec::new(),
        cursor: None,
        position: 0,
        more: false,
        digest: Digest::default(),
        machines: None,
        code: void.map(|void| void.code().to_owned()),
    }
}

fn check_people(request: &SyncRequest) -> Result<(), Refusal> {
    if request.people.len() > PEOPLE_MAX {
        let detail = format!("a request names at most {PEOPLE_MAX} people");
        return Err(Refusal::of(Problem::OutOfRange).pointer("/people").detail(detail));
    }
    request
        .people
        .iter()
        .enumerate()
        .try_for_each(|(index, person)| check_person(person, &format!("/people/{index}/name")))
}

fn check_wanted(request: &SyncRequest) -> Result<(), Refusal> {
    let Some(wanted) = &request.wanted else { return Ok(()) };
    check_wanted_machines(wanted, "/wanted/machines")?;
    if wanted.sites.len() > WANTED_SITES_MAX {
        let detail = format!("a device wants at most {WANTED_SITES_MAX} sites, or all machines");
        return Err(Refusal::of(Problem::OutOfRange).pointer("/wanted/sites").detail(detail));
    }
    wanted.sites.iter().enumerate().try_for_each(|(index, site)| {
        check_name(site).map_err(|fault| Refusal::from(fault.under(&format!("/wanted/sites/{index}"))))
    })
}

fn check_wanted_machines(wanted: &Wanted, pointer: &str) -> Result<(), Refusal> {
    if wanted.machines.as_ref().map_or(0, |set| set.len()) > WANTED_MACHINES_MAX {
        let detail = format!("a device wants at most {WANTED_MACHINES_MAX} machines, or all");
        return Err(Refusal::of(Problem::OutOfRange).pointer(pointer).detail(detail));
    }
    Ok(())
}

/// Computes the chain and verifies the seal: the work that needs no database.
fn check_push(request: &SyncRequest, device: &DeviceRecord) -> Result<Pushed, Refusal> {
    let Some(push) = request.push.clone() else { return Ok(Pushed::Nothing) };
    match admit::check(push, &device.key, &device.organisation) {
        Ok(checked) => Ok(Pushed::Checked(checked)),
        Err(Refused::BadSeal) => Ok(Pushed::BadSeal),
        Err(Refused::Malformed(fault)) => Err(fault.into()),
    }
}
