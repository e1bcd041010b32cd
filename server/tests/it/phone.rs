//! A device in a few lines: a log with a real chain, seals and proofs, and what it remembers of the server.
//!
//! Not the product's own device: that is `pintle_core::device`. This one does what a test tells it, wrong things too.

use crate::world::{Answer, BEGIN_MS, World};
use actix_web::test::TestRequest;
use flate2::Compression;
use flate2::write::GzEncoder;
use pintle_core::chain::{DeviceKey, LogHead, enrol_text, sync_text};
use pintle_core::exchange::{
    ClockSample, Digest, PROOF_HEADER, PROTOCOL, Person, PullAsk, Push, SyncReply, SyncRequest,
};
use pintle_core::ids::{Baton, DeviceId, MachineId, OrganisationId, PersonId, RequestId, StoreId};
use pintle_core::moment::Moment;
use pintle_core::{Entry, EntryRef};
use pintle_openapi::endpoints::enrol::{EnrolReply, EnrolRequest};
use pintle_openapi::endpoints::token::{AssertionClaims, AssertionHeader, TokenReply, assertion};
use pintle_server::ambient::{Ambient, random};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write as _;

#[derive(Clone)]
pub struct Phone {
    secret: [u8; 32],
    pub mark: String,
    pub person: Person,
    pub organisation: OrganisationId,
    pub store: StoreId,
    pub epoch: u64,
    pub baton: Baton,
    pub cursor: Option<String>,
    pub seen: u64,
    pub directory: u64,
    pub log: Vec<Entry>,
    pub links: Vec<LogHead>,
    counts: BTreeMap<MachineId, u64>,
}

impl Phone {
    /// A device that has never seen a server.
    pub fn new(world: &World, mark: &str) -> Self {
        Self::made(world.ambient.as_ref(), mark)
    }

    pub fn made(ambient: &dyn Ambient, mark: &str) -> Self {
        let secret = random(ambient).expect("randomness");
        let person = Person { id: PersonId(random(ambient).expect("randomness")), name: format!("Person {mark}") };
        let empty = LogHead::empty(&DeviceKey::from_secret(&secret).public());
        Self {
            secret,
            mark: mark.to_owned(),
            person,
            organisation: OrganisationId([0; 16]),
            store: StoreId([0; 16]),
            epoch: 0,
            baton: Baton([0; 16]),
            cursor: None,
            seen: 0,
            directory: 0,
            log: Vec::new(),
            links: vec![empty],
            counts: BTreeMap::new(),
        }
    }

    pub fn secret(&self) -> [u8; 32] {
        self.secret
    }

    pub fn key(&self) -> DeviceKey {
        DeviceKey::from_secret(&self.secret)
    }

    pub fn id(&self) -> DeviceId {
        DeviceId::of_key(&self.key().public())
    }

    pub fn head(&self) -> LogHead {
        *self.links.last().expect("a log has a head")
    }

    pub fn enrol_request(&self, code: &str) -> EnrolRequest {
        let key = self.key().public();
        let proof = self.key().sign(&enrol_text(code, &key));
        EnrolRequest { code: code.to_owned(), key, mark: self.mark.clone(), person: self.person.clone(), proof }
    }

    pub async fn enrol(&mut self, world: &World, code: &str) -> EnrolReply {
        let request = serde_json::to_value(self.enrol_request(code)).expect("JSON");
        let reply: EnrolReply = world.post("/v1/enrol", &request).await.reply();
        self.enrolled(&reply);
        reply
    }

    /// Takes over what an enrolment says.
    pub fn enrolled(&mut self, reply: &EnrolReply) {
        self.organisation = reply.organisation.id;
        self.mark.clone_from(&reply.mark);
        (self.store, self.epoch, self.baton) = (reply.store, reply.epoch, reply.baton);
    }

    /// Records an entry; `minute` minutes after the world's beginning minus one day.
    pub fn record(&mut self, machine: MachineId, minute: i64, kind: &str, body: Value) -> EntryRef {
        self.record_parts(machine, minute, kind, json!({"body": body}))
    }

    /// Records an entry with the parts given beside its head.
    pub fn record_parts(&mut self, machine: MachineId, minute: i64, kind: &str, parts: Value) -> EntryRef {
        let count = self.counts.entry(machine).or_insert(0);
        *count += 1;
        let at = Moment::at(BEGIN_MS / 1000 - 86_400 + minute * 60, 7200).expect("a time");
        let mut value = parts;
        value["head"] = json!({"v": 1, "seq": self.log.len() + 1, "machine": machine, "mseq": *count, "seen": self.seen,
            "at": at, "by": self.person.id, "kind": kind});
        self.append(value)
    }

    /// Appends an entry as it is given, with the next number.
    pub fn append(&mut self, mut value: Value) -> EntryRef {
        value["head"]["seq"] = json!(self.log.len() + 1);
        let entry = Entry::from_value(value).expect("an entry");
        self.links.push(self.head().after(&entry));
        self.log.push(entry);
        EntryRef { device: self.id(), seq: self.log.len() as u64 }
    }

    /// The seal and entries from `from` to the end.
    pub fn push(&self, from: usize) -> Option<Push> {
        let entries = self.log.get(from - 1..).filter(|entries| !entries.is_empty())?.to_vec();
        let seal = self.key().seal(&self.organisation, from as u64, &self.head());
        Some(Push { from: from as u64, previous: self.links[from - 1].link, entries, signature: seal.signature })
    }

    pub fn request(&self, world: &World, push: Option<Push>) -> SyncRequest {
        self.request_at(world.ambient.as_ref(), push)
    }

    pub fn request_at(&self, ambient: &dyn Ambient, push: Option<Push>) -> SyncRequest {
        SyncRequest {
            protocol: PROTOCOL,
            request: RequestId(random(ambient).expect("randomness")),
            organisation: self.organisation,
            device: self.id(),
            store: self.store,
            epoch: self.epoch,
            baton: self.baton,
            clock: ClockSample {
                at: Moment::at(ambient.now_ms() / 1000, 7200).expect("a time"),
                boot: None,
                up_s: None,
            },
            log: self.head(),
            push,
            carried: None,
            pull: PullAsk { cursor: self.cursor.clone(), bytes_max: 65_536, own: false },
            wanted: None,
            digest: Digest::default(),
            checkpoint: None,
            directory: self.directory,
            people: Vec::new(),
        }
    }

    /// The request as JSON, for a test to damage.
    pub fn request_value(&self, world: &World, from: usize) -> Value {
        serde_json::to_value(self.request(world, self.push(from))).expect("JSON")
    }

    pub fn proof(&self, body: &[u8]) -> String {
        self.key().sign(&sync_text(body)).to_string()
    }

    /// Sends a body with this device's proof.
    pub async fn send_bytes(&self, world: &World, body: &[u8]) -> Answer {
        world.send(sync_post(&self.proof(body)).set_payload(body.to_vec())).await
    }

    pub async fn send_value(&self, world: &World, body: &Value) -> Answer {
        self.send_bytes(world, &serde_json::to_vec(body).expect("JSON")).await
    }

    pub async fn send(&self, world: &World, request: &SyncRequest) -> SyncReply {
        self.send_bytes(world, &serde_json::to_vec(request).expect("JSON")).await.reply()
    }

    /// Sends a request compressed, as the product does.
    pub async fn send_gzip(&self, world: &World, request: &SyncRequest) -> SyncReply {
        let body = serde_json::to_vec(request).expect("JSON");
        let post = sync_post(&self.proof(&body)).insert_header(("Content-Encoding", "gzip"));
        world.send(post.set_payload(gzip(&body))).await.reply()
    }

    /// Takes over what a reply says for the next exchange.
    pub fn apply(&mut self, reply: &SyncReply) {
        (self.store, self.epoch, self.baton) = (reply.store, reply.epoch, reply.baton);
        if let Some(cursor) = &reply.pull.cursor {
            self.cursor = Some(cursor.clone());
            self.seen = reply.pull.position;
        }
        if let Some(directory) = &reply.directory {
            self.directory = directory.version;
        }
    }

    /// One whole exchange that pushes from `from` on.
    pub async fn sync(&mut self, world: &World, from: usize) -> SyncReply {
        let request = self.request(world, self.push(from));
        let reply = self.send(world, &request).await;
        assert_eq!(reply.request, request.request, "the echo");
        self.apply(&reply);
        reply
    }

    pub fn assertion_claims(&self, world: &World) -> AssertionClaims {
        self.assertion_claims_at(world.ambient.as_ref())
    }

    pub fn assertion_claims_at(&self, ambient: &dyn Ambient) -> AssertionClaims {
        let now_s = ambient.now_ms() / 1000;
        AssertionClaims {
            iss: self.id().to_string(),
            sub: self.id().to_string(),
            aud: self.store.to_string(),
            iat: now_s,
            exp: now_s + 60,
            jti: RequestId(random(ambient).expect("randomness")).to_string(),
        }
    }

    pub fn assertion(&self, claims: &AssertionClaims) -> String {
        let header = AssertionHeader { alg: "EdDSA".into(), typ: "JWT".into(), kid: self.id().to_string() };
        assertion(&header, claims, |text| self.key().sign(text))
    }

    pub async fn token(&self, world: &World) -> String {
        let assertion = self.assertion(&self.assertion_claims(world));
        let reply: TokenReply = world.post("/v1/token", &json!({"assertion": assertion})).await.reply();
        reply.access_token
    }
}

pub fn sync_post(proof: &str) -> TestRequest {
    TestRequest::post()
        .uri("/v1/sync")
        .insert_header(("Content-Type", "application/json"))
        .insert_header((PROOF_HEADER, proof))
}

pub fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(bytes).expect("in memory");
    encoder.finish().expect("in memory")
}
