//! A server of a hundred lines for the client's tests: `pintle_core::admit` behind HTTP on this machine.
//!
//! Promises: one request per connection, so that what the network does can be chosen for each. Not the real server:
//! that one is tested with the real client elsewhere.

use flate2::read::GzDecoder;
use pintle_core::admit::{self, Admission, Author, Known, Stored};
use pintle_core::chain::{LogHead, enrol_text, sync_text, verify};
use pintle_core::entry::Held;
use pintle_core::exchange::{
    CarriedAnswer, ClockSample, DeviceCard, Digest, Directory, PROTOCOL, Person, PullAnswer, PullOutcome, Pulled, Push,
    PushAnswer, PushOutcome, SyncReply, SyncRequest, Wanted,
};
use pintle_core::fact::Fact;
use pintle_core::fact::administration::{DeviceChanged, DeviceEnrolled};
use pintle_core::ids::{Baton, DeviceId, MachineId, OrganisationId, PersonId, PublicKey, StoreId};
use pintle_core::permission::Role;
use pintle_core::scribe::Scribe;
use pintle_openapi::endpoints::enrol::{EnrolReply, EnrolRequest, OrganisationCard};
use pintle_openapi::problem::{Problem, ProblemDocument};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};

const ORGANISATION: OrganisationId = OrganisationId([9; 16]);
/// Entries of a page: few, so that a day's work takes several.
const PAGE_ENTRIES: usize = 4;

/// What the network or the server does with the next request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Act {
    /// Everything works.
    Answer,
    /// The reply is lost.
    LoseReply,
    /// A portal answers in its place.
    Portal,
    /// The server refuses.
    Refuse(Problem),
    /// The server asks to come again in so many seconds.
    Later(Problem, u32),
    /// What is delivered contradicts its own digest.
    SpoilDigest,
    /// A page rewrites an entry.
    Rewrite,
}

#[derive(Default)]
pub struct State {
    pub ledger: Vec<Held>,
    devices: BTreeMap<DeviceId, (PublicKey, LogHead)>,
    directory: Directory,
    pub epoch: u64,
    pub acts: VecDeque<Act>,
    pub requests: usize,
    /// What it answers to a push that it does not look at.
    pub outcome: Option<PushOutcome>,
    /// The machines that work at any site.
    pub at_sites: BTreeSet<MachineId>,
    /// What each device wants, as it said last.
    wanted: BTreeMap<DeviceId, Wanted>,
    /// What the next enrolment's code lets its person do; crew if nothing is said.
    pub role: Option<Role>,
}

impl State {
    /// As when the office gives a device another short name: written down in the server's own log.
    pub fn rename(&mut self, mark: &str, to: &str) {
        let card = self.directory.devices.iter_mut().find(|card| card.mark == mark).expect("a device");
        to.clone_into(&mut card.mark);
        let (device, key) = (card.id, card.key);
        let scribe = Scribe::new(&[1; 32], ORGANISATION, 1);
        let (id, person) = (scribe.device(), PersonId::OPERATOR);
        self.directory.devices.push(DeviceCard { id, mark: "SV".into(), key: scribe.key(), person, revoked: false });
        self.directory.version += 1;
        let (mark, role) = (mark.to_owned(), Role::Crew);
        let enrolled = Fact::DeviceEnrolled(DeviceEnrolled { device, key, mark, role, code: None, follows: None });
        let changed = Fact::DeviceChanged(DeviceChanged { device, mark: Some(to.to_owned()), role: None });
        let mut head = LogHead::empty(&scribe.key());
        for fact in [enrolled, changed] {
            let position = self.ledger.len() as u64 + 1;
            let written = scribe.write(&head, position - 1, person, &fact, 1_780_000_000_000).expect("written");
            let one = written.entries.first().expect("one entry");
            head = LogHead { seq: one.entry.seq(), link: one.link };
            self.ledger.push(Held {
                device: id,
                link: one.link,
                position: Some(position),
                received_ms: Some(1_780_000_000_000),
                off_s: None,
                aside: None,
                entry: one.entry.clone(),
            });
        }
        self.devices.insert(id, (scribe.key(), head));
    }

    /// As a server restored from an old copy: only the first entries are there.
    pub fn forget_after(&mut self, entries: usize) {
        self.ledger.truncate(entries);
        for (device, (key, head)) in &mut self.devices {
            let own = self.ledger.iter().filter(|h| h.device == *device);
            *head = own.fold(LogHead::empty(key), |_, h| LogHead { seq: h.entry.seq(), link: h.link });
        }
    }
}

/// A server on a port of its own; it ends with the test's process.
pub struct Server {
    pub state: Arc<Mutex<State>>,
    address: SocketAddr,
}

impl Server {
    pub fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let address = listener.local_addr().expect("an address");
        let state = Arc::new(Mutex::new(State { epoch: 1, ..State::default() }));
        let shared = Arc::clone(&state);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let mut state = shared.lock().expect("not poisoned");
                serve(&mut state, stream);
            }
        });
        Self { state, address }
    }

    pub fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    pub fn next(&self, acts: &[Act]) {
        self.state.lock().expect("not poisoned").acts.extend(acts);
    }

    pub fn held(&self) -> usize {
        self.state.lock().expect("not poisoned").ledger.len()
    }
}

fn serve(state: &mut State, stream: TcpStream) {
    let mut reader = BufReader::new(stream.try_clone().expect("a second handle"));
    let mut headers: BTreeMap<String, String> = BTreeMap::new();
    let mut request_line = String::new();
    if reader.read_line(&mut request_line).unwrap_or(0) == 0 {
        return;
    }
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).expect("a header");
        let Some((name, value)) = line.trim_end().split_once(':') else { break };
        headers.insert(name.to_lowercase(), value.trim().to_owned());
    }
    let length: usize = headers.get("content-length").and_then(|l| l.parse().ok()).unwrap_or(0);
    let mut body = vec![0; length];
    reader.read_exact(&mut body).expect("a body");
    if headers.get("content-encoding").is_some_and(|e| e == "gzip") {
        let mut plain = Vec::new();
        GzDecoder::new(&body[..]).read_to_end(&mut plain).expect("gzip");
        body = plain;
    }
    state.requests += 1;
    let act = state.acts.pop_front().unwrap_or(Act::Answer);
    let (status, media, reply) = match act {
        Act::Portal => (200, "text/html", b"<html>Sign in to Yard-WiFi</html>".to_vec()),
        Act::Later(problem, seconds) => {
            let document = ProblemDocument { retry_after_s: Some(seconds), ..ProblemDocument::new(problem, "r-1") };
            (document.status, "application/problem+json", serde_json::to_vec(&document).expect("JSON"))
        }
        Act::Refuse(problem) => {
            let document = ProblemDocument::new(problem, "r-1");
            (document.status, "application/problem+json", serde_json::to_vec(&document).expect("JSON"))
        }
        // A server of before: a device that finds a copy of itself needs a code to go on.
        _ if request_line.contains("/v1/follow") => {
            let document = ProblemDocument::new(Problem::NotFound, "r-1");
            (document.status, "application/problem+json", serde_json::to_vec(&document).expect("JSON"))
        }
        _ if request_line.contains("/v1/enrol") => (200, "application/json", enrol(state, &body)),
        _ => (200, "application/json", sync(state, &body, headers.get("pintle-proof"), act)),
    };
    if act == Act::LoseReply {
        return;
    }
    let mut stream = stream;
    let head = format!(
        "HTTP/1.1 {status} X\r\ncontent-type: {media}\r\ncontent-length: {}\r\nconnection: close\r\n\r\n",
        reply.len()
    );
    let _ = stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(&reply));
}

fn enrol(state: &mut State, body: &[u8]) -> Vec<u8> {
    let request: EnrolRequest = serde_json::from_slice(body).expect("an enrolment");
    assert!(verify(&request.key, &enrol_text(&request.code, &request.key), &request.proof));
    let device = DeviceId::of_key(&request.key);
    state.devices.entry(device).or_insert((request.key, LogHead::empty(&request.key)));
    let taken = |mark: &str| state.directory.devices.iter().any(|d| d.mark == mark && d.id != device);
    let mark = if taken(&request.mark) { format!("{}2", request.mark) } else { request.mark };
    state.directory.devices.retain(|d| d.id != device);
    let card =
        DeviceCard { id: device, mark: mark.clone(), key: request.key, person: request.person.id, revoked: false };
    state.directory.devices.push(card);
    name(state, &request.person);
    let reply = EnrolReply {
        organisation: OrganisationCard { id: ORGANISATION, name: "Valley crew".into() },
        device,
        mark,
        role: state.role.unwrap_or(Role::Crew),
        store: StoreId([5; 16]),
        epoch: state.epoch,
        baton: Baton([1; 16]),
        now_ms: 1_777_900_000_000,
        client_min: "0.0.1".into(),
    };
    serde_json::to_vec(&reply).expect("JSON")
}

fn name(state: &mut State, person: &Person) {
    state.directory.people.retain(|p| p.id != person.id);
    state.directory.people.push(person.clone());
    state.directory.version += 1;
}

fn sync(state: &mut State, body: &[u8], proof: Option<&String>, act: Act) -> Vec<u8> {
    let request: SyncRequest = serde_json::from_slice(body).expect("an exchange");
    let (key, head) = state.devices[&request.device];
    let proof = proof.expect("a proof").parse().expect("a signature");
    assert!(verify(&key, &sync_text(body), &proof), "the proof is the device's");
    request.people.iter().for_each(|person| name(state, person));
    if let Some(wanted) = &request.wanted {
        state.wanted.insert(request.device, wanted.clone());
    }
    // The clocks of device and server agree.
    let now_ms = request.clock.at.second() * 1000;
    let mut log = head;
    let push = match (request.push.clone(), state.outcome) {
        (None, _) => PushAnswer::only(PushOutcome::None),
        (Some(_), Some(outcome)) => PushAnswer { seq: Some(1), ..PushAnswer::only(outcome) },
        (Some(push), None) => {
            let answer = pushed(state, request.device, push, &request.clock);
            log = state.devices[&request.device].1;
            answer
        }
    };
    let carried = request.carried.clone().map(|carried| {
        let answer = match state.devices.contains_key(&carried.device) {
            true => pushed(state, carried.device, carried.push, &request.clock),
            false => PushAnswer::only(PushOutcome::UnknownDevice),
        };
        CarriedAnswer { device: carried.device, answer }
    });
    let reply = SyncReply {
        protocol: PROTOCOL,
        request: request.request,
        organisation: ORGANISATION,
        store: StoreId([5; 16]),
        epoch: state.epoch,
        now_ms,
        baton: Baton([2; 16]),
        log,
        push,
        carried,
        pull: page(state, &request, act),
        directory: (request.directory != state.directory.version).then(|| state.directory.clone()),
        checkpoint: None,
        blobs_wanted: Vec::new(),
        client_min: "0.0.1".into(),
    };
    serde_json::to_vec(&reply).expect("JSON")
}

/// Takes a push of a device, whoever brings it.
fn pushed(state: &mut State, device: DeviceId, push: Push, clock: &ClockSample) -> PushAnswer {
    let (key, head) = state.devices[&device];
    let now_ms = clock.at.second() * 1000;
    let checked = admit::check(push, &key, &ORGANISATION).expect("a sound push");
    let mut stored = stored(state, device);
    let known = Known {
        head,
        author: Author::Person(Role::Owner),
        revoked: false,
        stored: stored.clone(),
        machine_counts: BTreeMap::new(),
    };
    let admission = admit::admit(&checked, &known, clock, now_ms);
    if let Admission::Write { fresh, head, .. } = &admission {
        for one in fresh {
            let position = state.ledger.len() as u64 + 1;
            stored.insert(one.entry.seq(), one.stored(position, now_ms));
            state.ledger.push(Held { aside: None, ..one.held(device, position, now_ms) });
        }
        state.devices.insert(device, (key, *head));
    }
    let mut answer = admit::answer(&admission, &checked, false, &stored);
    answer.aside.clear();
    answer
}

fn stored(state: &State, device: DeviceId) -> BTreeMap<u64, Stored> {
    let own = state.ledger.iter().filter(|h| h.device == device);
    own.map(|h| {
        let stored = Stored {
            link: h.link,
            position: h.position.expect("in the ledger"),
            received_ms: h.received_ms.expect("in the ledger"),
            off_s: h.off_s,
            aside: None,
        };
        (h.entry.seq(), stored)
    })
    .collect()
}

fn page(state: &State, request: &SyncRequest, act: Act) -> PullAnswer {
    let said = state.wanted.get(&request.device).cloned().unwrap_or_default();
    let wanted = said.with_sites_as(state.at_sites.iter().copied());
    let hash = u64::from_be_bytes(wanted.hash());
    let (after, set) = request.pull.cursor.as_ref().map_or((0, hash), |cursor| {
        let (after, set) = cursor.split_once(' ').expect("our cursor");
        (after.parse().expect("our cursor"), set.parse().expect("our cursor"))
    });
    let known = request.epoch == state.epoch || request.pull.cursor.is_none();
    let void = if after > state.ledger.len() || !known { Some("other-epoch") } else { None };
    if let Some(void) = void.or((set != hash).then_some("wanted-changed")) {
        return PullAnswer {
            outcome: PullOutcome::Refused,
            entries: Vec::new(),
            seals: Vec::new(),
            cursor: None,
            position: 0,
            more: true,
            digest: Digest::default(),
            machines: None,
            code: Some(void.into()),
        };
    }
    let to = (after + PAGE_ENTRIES).min(state.ledger.len());
    let takes = |h: &&Held| wanted.takes(h.entry.head().expect("a head").machine);
    let mut entries: Vec<Pulled> = state.ledger[after..to]
        .iter()
        .filter(|h| request.pull.own || h.device != request.device)
        .filter(takes)
        .map(|h| Pulled {
            position: h.position.expect("in the ledger"),
            device: h.device,
            link: h.link,
            received_ms: h.received_ms.expect("in the ledger"),
            off_s: h.off_s,
            aside: h.aside.clone(),
            entry: h.entry.clone(),
        })
        .collect();
    if act == Act::Rewrite {
        entries.iter_mut().for_each(|pulled| pulled.link.0[0] ^= 1);
    }
    let mut digest = state.ledger[..to].iter().filter(takes).fold(Digest::default(), |d, h| d.with(&h.link));
    if act == Act::SpoilDigest {
        digest.sum ^= 1;
    }
    PullAnswer {
        outcome: PullOutcome::Page,
        entries,
        seals: Vec::new(),
        cursor: Some(format!("{to} {hash}")),
        position: to as u64,
        more: to < state.ledger.len(),
        digest,
        machines: wanted.machines.filter(|_| request.pull.cursor.is_none() && !said.sites.is_empty()),
        code: None,
    }
}
