//! The network, and the servers behind it.
//!
//! Promises: a message may be lost, doubled, late, cut, or another one; a server is polled from one call of the storage
//! port to the next, so that it may be killed, or another server come first, between any two.

use super::world::World;
use pintle_core::device::{Input, NetworkFailure, Refusal};
use pintle_core::exchange::{SyncReply, SyncRequest};
use pintle_server::app::App;
use serde_json::{Value, json};
use std::future::Future;
use std::pin::Pin;

/// Old replies kept for replay.
const OLD_REPLIES_MAX: usize = 6;

/// What a device hears back.
#[derive(Debug, Clone)]
pub enum Answer {
    /// Bytes with status 200.
    Bytes(Vec<u8>),
    /// A refusal.
    Refused(Refusal),
    /// Something that is not ours.
    Portal,
}

pub(super) struct Letter {
    pub(super) wire: u64,
    pub(super) device: usize,
    pub(super) body: Vec<u8>,
    pub(super) proof: String,
}

pub(super) struct Task {
    pub(super) wire: u64,
    pub(super) device: usize,
    pub(super) server: usize,
    pub(super) work: Pin<Box<dyn Future<Output = Answer> + Send>>,
}

pub(super) struct Reply {
    pub(super) wire: u64,
    pub(super) device: usize,
    pub(super) answer: Answer,
    /// How often the server had been put back when it was made.
    pub(super) restores: u64,
}

impl World {
    /// A request on its way reaches a server, or does not.
    pub(super) fn deliver(&mut self, index: usize) {
        let letter = self.letters.swap_remove(index);
        if self.strikes(|f| f.lose_request) {
            let wire = letter.wire;
            return self.say(|| format!("request {wire} is lost"));
        }
        if self.strikes(|f| f.portal) {
            self.replies.push(Reply {
                wire: letter.wire,
                device: letter.device,
                answer: Answer::Portal,
                restores: self.restores,
            });
            return;
        }
        let server = self.chance.below(self.apps.len());
        let app = self.apps[server].clone();
        let Letter { wire, device, body, proof } = letter;
        self.say(|| format!("request {wire} reaches server {server}"));
        let work = Box::pin(async move { answered(&app, &body, &proof).await });
        self.tasks.push(Task { wire, device, server, work });
    }

    /// A server does a little.
    pub(super) fn poll(&mut self, index: usize) {
        self.keep_unsynced();
        if self.store_full {
            self.port.memory().fail_next_write(pintle_store::memory::WriteFault::Full);
        }
        if self.strikes(|f| f.store_write) {
            use pintle_store::memory::WriteFault::{BeforeCommit, Full, ReplyLost};
            let fault = [BeforeCommit, ReplyLost, Full][self.chance.below(3)];
            self.port.memory().fail_next_write(fault);
            self.count("store fault");
            self.say(|| format!("the server's next write: {fault:?}"));
        }
        let mut context = std::task::Context::from_waker(std::task::Waker::noop());
        let std::task::Poll::Ready(answer) = self.tasks[index].work.as_mut().poll(&mut context) else { return };
        let Task { wire, device, .. } = self.tasks.swap_remove(index);
        self.say(|| match &answer {
            Answer::Bytes(bytes) => format!("reply {wire}: {}", summary(bytes)),
            other => format!("reply {wire}: {other:?}"),
        });
        if let Answer::Bytes(bytes) = &answer {
            self.old_replies.push(bytes.clone());
            if self.old_replies.len() > OLD_REPLIES_MAX {
                self.old_replies.remove(0);
            }
        }
        self.replies.push(Reply { wire, device, answer, restores: self.restores });
    }

    /// A reply on its way reaches its device, or does not.
    pub(super) fn answer(&mut self, index: usize) {
        let Reply { wire, device: d, mut answer, restores } = self.replies.swap_remove(index);
        if self.strikes(|f| f.lose_reply) {
            return self.say(|| format!("reply {wire} is lost"));
        }
        if self.devices[d].running.as_ref().and_then(|running| running.wire) != Some(wire) {
            return;
        }
        if self.strikes(|f| f.replay) {
            let old = self.chance.below(self.old_replies.len());
            answer = self.old_replies.get(old).map_or(answer, |bytes| Answer::Bytes(bytes.clone()));
            self.count("replayed");
        }
        if let Answer::Bytes(bytes) = &mut answer
            && self.strikes(|f| f.cut)
        {
            bytes.truncate(self.chance.below(bytes.len()));
            self.count("cut");
        }
        if let Answer::Bytes(bytes) = &mut answer
            && self.strikes(|f| f.server_newer)
        {
            *bytes = newer(bytes);
            self.count("newer server");
        }
        let input = match answer {
            Answer::Bytes(bytes) => match serde_json::from_slice::<SyncReply>(&bytes) {
                Ok(reply) => Input::Replied(Box::new(reply)),
                Err(_) => Input::Failed(NetworkFailure::NotOurs),
            },
            Answer::Refused(refusal) => Input::Refused(refusal),
            Answer::Portal => Input::Failed(NetworkFailure::NotOurs),
        };
        if let Some(running) = &mut self.devices[d].running {
            running.restores = restores;
        }
        self.hear(d, input, "gets a reply");
    }
}

/// The reply as a server of a later version might make it: with more in it, and a wish for a newer client.
fn newer(bytes: &[u8]) -> Vec<u8> {
    let Ok(mut reply) = serde_json::from_slice::<Value>(bytes) else { return bytes.to_vec() };
    for place in ["", "/push", "/pull", "/log", "/pull/entries/0", "/directory", "/directory/devices/0"] {
        if let Some(Value::Object(map)) = reply.pointer_mut(place) {
            map.insert("weather".to_owned(), json!({"sky": ["grey", 7, null]}));
        }
    }
    reply["client_min"] = json!("99.1.0");
    reply.to_string().into_bytes()
}

pub(super) async fn answered(app: &App, body: &[u8], proof: &str) -> Answer {
    let Ok(request) = serde_json::from_slice::<SyncRequest>(body) else { return Answer::Portal };
    match app.sync(request, body, Some(proof)).await {
        Ok(reply) => Answer::Bytes(serde_json::to_vec(&reply).unwrap_or_default()),
        Err(refusal) => {
            let document = refusal.document("sim");
            let detail = document.detail.unwrap_or_default();
            Answer::Refused(Refusal { code: document.code, detail, retry_after_s: document.retry_after_s })
        }
    }
}

pub(super) fn summary(bytes: &[u8]) -> String {
    match serde_json::from_slice::<SyncReply>(bytes) {
        Ok(reply) => format!(
            "epoch={} log={} push={:?}{:?} pull={:?}{:?} entries={} position={} more={}",
            reply.epoch,
            reply.log.seq,
            reply.push.outcome,
            reply.push.seq,
            reply.pull.outcome,
            reply.pull.code,
            reply.pull.entries.len(),
            reply.pull.position,
            reply.pull.more,
        ),
        Err(error) => error.to_string(),
    }
}
