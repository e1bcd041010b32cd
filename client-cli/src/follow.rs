//! Going on under a new key that the old one vouches for: a copy of this device is in use, or its key is to be changed.
//!
//! Promises: no code is needed, and nothing recorded is lost. The new key is on the disk before the server hears of it,
//! and the same key is offered again after a lost reply or a crash, so that one device comes of it, not several. The log
//! turns over only once the server has said yes.

use crate::ambient::Ambient;
use crate::anew::turn_over;
use crate::home::Home;
use crate::problem::Problem;
use crate::store::{Store, SyncRow};
use crate::transport::{Failure, Transport};
use pintle_core::chain::follow_text;
use pintle_core::exchange::Digest;
use pintle_openapi::endpoints::enrol::EnrolReply;
use pintle_openapi::endpoints::follow::FollowRequest;

/// How it went.
#[derive(Debug)]
pub enum Followed {
    /// This device goes on as another.
    Done {
        /// What the server said.
        reply: Box<EnrolReply>,
        /// Entries carried over to the new log.
        carried_over: u64,
    },
    /// The server did not take it; everything is as it was.
    Not(Failure),
}

/// Whether the old key ends with it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OldKey {
    /// A copy of this device goes on with it.
    GoesOn,
    /// Nobody uses it any more.
    Ends,
}

/// Goes on under a new key.
///
/// # Errors
/// If key or database cannot be used; how the network and the server fare is part of the outcome.
pub fn go_on(
    home: &Home,
    store: &mut Store,
    ambient: &dyn Ambient,
    transport: &dyn Transport,
    old_key: OldKey,
) -> Result<Followed, Problem> {
    let (own, sync) = store.read(|tx| Ok((tx.own()?, tx.enrolled()?)))?;
    let old = home.key(&own.public_key)?;
    let new = home.next_key(ambient)?;
    let key = new.public();
    let text = follow_text(&sync.organisation, &own.device, &key);
    let request = FollowRequest {
        organisation: sync.organisation,
        device: own.device,
        key,
        ends: old_key == OldKey::Ends,
        old_proof: old.sign(&text),
        proof: new.sign(&text),
    };
    let reply = match transport.follow(&request) {
        Ok(reply) => reply,
        Err(failure) => return Ok(Followed::Not(failure)),
    };
    let carried_over = store.write("record", |tx| {
        let carried_over = turn_over(tx, key)?;
        let own = crate::store::Own { mark: reply.mark.clone(), ..tx.own()? };
        tx.set_own(&own)?;
        tx.set_sync(&SyncRow {
            store: reply.store,
            epoch: reply.epoch,
            baton: reply.baton,
            cursor: None,
            digest: Digest::default(),
            copied: false,
            directory: 0,
            role: Some(reply.role),
            ..sync
        })?;
        Ok(carried_over)
    })?;
    home.promote_next_key()?;
    Ok(Followed::Done { reply: Box::new(reply), carried_over })
}
