//! Entries that one device brings of another.
//!
//! Promises: what the other device has sealed is taken as if it had pushed it itself, whoever brings it; the same again,
//! also from the device itself later, is held already. Where it contradicts the ledger it is kept beside it.
//!
//! Never takes an entry with a part withheld that the ledger does not hold: the part would be lost for good. Never tells
//! which devices another organisation has.

use super::{App, Refusal};
use pintle_core::admit::{self, Checked, Refused};
use pintle_core::carry::lacks_a_part;
use pintle_core::exchange::{Carried, CarriedAnswer, ClockSample, PushAnswer, PushOutcome, SyncRequest};
use pintle_openapi::Problem;
use pintle_store::{DeviceRecord, DeviceScope};
use std::collections::BTreeSet;

impl App {
    /// Takes what was carried; none if nothing was.
    pub(super) async fn carried(
        &self,
        request: &SyncRequest,
        carrier: &DeviceRecord,
        now_ms: i64,
    ) -> Result<Option<CarriedAnswer>, Refusal> {
        let Some(carried) = &request.carried else { return Ok(None) };
        if carried.device == carrier.device {
            let detail = "a device's own entries are pushed";
            return Err(Refusal::of(Problem::OutOfRange).pointer("/carried/device").detail(detail));
        }
        let author = self.store.device(carried.device).await?;
        let author = author.filter(|author| author.organisation == carrier.organisation && !author.is_server());
        let Some(author) = author else {
            return Ok(Some(answered(carried, PushOutcome::UnknownDevice)));
        };
        let checked = match admit::check(carried.push.clone(), &author.key, &author.organisation) {
            Ok(checked) => checked,
            Err(Refused::BadSeal) => {
                tracing::warn!(
                    target: "pintle::security", device = %carrier.device, author = %author.device,
                    "the seal of what was carried does not verify"
                );
                return Ok(Some(answered(carried, PushOutcome::BadSeal)));
            }
            Err(Refused::Malformed(fault)) => return Err(fault.under("/carried").into()),
        };
        // The log only grows between this look and the push: what is held then, is held with the part.
        if lacks_a_part(&checked, author.head.seq) {
            return Ok(Some(answered(carried, PushOutcome::Withheld)));
        }
        let scope = DeviceScope { organisation: author.organisation, device: author.device };
        if let Some(seq) = self.kept_beside(&author, &checked).await? {
            // What follows it in the run may not be kept yet.
            self.store.branch_keep(scope, &checked, now_ms).await?;
            let mut answer = answered(carried, PushOutcome::Fork);
            answer.answer.seq = Some(seq);
            return Ok(Some(answer));
        }
        // The carrier's clocks say nothing of the author's.
        let clock = ClockSample { at: request.clock.at.clone(), boot: None, up_s: None };
        let mut pushed = self.store.push(scope, &checked, &clock, now_ms).await?;
        if pushed.answer.outcome == PushOutcome::Fork {
            tracing::warn!(
                target: "pintle::security", device = %author.device, carrier = %carrier.device,
                seq = pushed.answer.seq, "fork kept"
            );
        }
        pushed.answer.aside.iter_mut().for_each(|aside| aside.pointer.insert_str(0, "/carried"));
        Ok(Some(CarriedAnswer { device: author.device, answer: pushed.answer }))
    }
}

impl App {
    /// The first entry of a run beyond the ledger that is kept beside it already: the device that made it was told so, and
    /// has recorded it once more under another key. In the ledger it would count twice. A run that goes on where one of those
    /// ended belongs beside the ledger too, which will never reach it.
    async fn kept_beside(&self, author: &DeviceRecord, checked: &Checked) -> Result<Option<u64>, Refusal> {
        let fresh = |seq| seq > author.head.seq;
        if !fresh(checked.seal.to) {
            return Ok(None);
        }
        let branches = self.store.branches(author.organisation).await?;
        let mut kept = BTreeSet::new();
        for branch in branches.iter().filter(|branch| branch.device == author.device) {
            let entries =
                self.store.branch_entries(author.organisation, author.device, branch.from, branch.link).await?;
            kept.extend(entries.into_iter().map(|entry| entry.link));
        }
        if checked.from > author.head.seq + 1 && kept.contains(&checked.previous) {
            return Ok(Some(checked.from));
        }
        let first = checked.entries.iter().find(|one| fresh(one.entry.seq()) && kept.contains(&one.link));
        Ok(first.map(|one| one.entry.seq()))
    }
}

fn answered(carried: &Carried, outcome: PushOutcome) -> CarriedAnswer {
    CarriedAnswer { device: carried.device, answer: PushAnswer::only(outcome) }
}
