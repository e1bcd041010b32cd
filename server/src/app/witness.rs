//! The checkpoint that an exchange shows a device.
//!
//! Promises: a device that says which checkpoint it holds gets the newest one of the same epoch, with the proof that the
//! ledger has only grown since, and nothing where it holds that one. An exchange never fails for it: what a person
//! recorded matters more, and the next exchange shows it.
//!
//! Never builds the tree: that is done behind the ledger, and what is not in it yet is shown another time.

use super::{App, Refusal};
use pintle_core::exchange::{CheckpointHeld, CheckpointShown, SyncRequest};
use pintle_core::ids::OrganisationId;
use pintle_core::proof::merkle::Plan;
use pintle_store::DeviceRecord;

impl App {
    /// What the reply shows; none if nothing is new, or the device is told of another ledger or epoch than it knows.
    pub(super) async fn witnessed(
        &self,
        device: &DeviceRecord,
        request: &SyncRequest,
        epoch: u64,
    ) -> Option<CheckpointShown> {
        let held = request.checkpoint?;
        let ours = request.store == self.store.identity().store && request.epoch == epoch;
        if device.revoked || !ours {
            return None;
        }
        match self.newer_than(device.organisation, held, epoch).await {
            Ok(shown) => shown,
            Err(refusal) => {
                let detail = refusal.inside.as_deref().unwrap_or_default();
                tracing::warn!(organisation = %device.organisation, detail, "no checkpoint could be shown");
                None
            }
        }
    }

    async fn newer_than(
        &self,
        organisation: OrganisationId,
        held: CheckpointHeld,
        epoch: u64,
    ) -> Result<Option<CheckpointShown>, Refusal> {
        let newest = self.store.checkpoint(organisation).await?;
        let Some(newest) = newest.filter(|newest| newest.epoch == epoch) else { return Ok(None) };
        if newest.size == held.size && held.root == Some(self.root(organisation, &newest)?) {
            return Ok(None);
        }
        // A device that holds another one of that size, or a larger one than there is, has seen what this ledger has lost: it
        // is shown so, without proof.
        let proof = match Plan::consistency(held.size, newest.size) {
            Some(plan) if newest.size > held.size => self.proof(organisation, Some(plan)).await?,
            _ => Vec::new(),
        };
        let key = self.checkpoint_key(organisation, epoch).public();
        Ok(Some(CheckpointShown { note: newest.note, key, proof }))
    }
}
