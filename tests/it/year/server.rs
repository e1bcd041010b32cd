//! The server of the simulated year: its use cases over a database, and the same over HTTP where that is asked for.
//!
//! Promises: the clock stands where the year says; randomness is seeded. Nothing but 127.0.0.1 is spoken to.

use super::dice::Dice;
use pintle_core::agenda::MachineDue;
use pintle_core::chain::{DeviceKey, enrol_text, sync_text};
use pintle_core::exchange::{Person, SyncReply, SyncRequest};
use pintle_core::ids::{DeviceId, MachineId, StoreId};
use pintle_core::moment::Moment;
use pintle_openapi::endpoints::book::BookReply;
use pintle_openapi::endpoints::due::DueQuery;
use pintle_openapi::endpoints::enrol::{EnrolReply, EnrolRequest};
use pintle_openapi::endpoints::token::{AssertionClaims, AssertionHeader, assertion};
use pintle_server::ambient::{Ambient, NoRandomness};
use pintle_server::app::gate::{Rates, Room};
use pintle_server::app::{App, Caller, Refusal};
use pintle_server::operator::Operator;
use pintle_server::serve::{Door, listen};
use pintle_store::sql::SqlStore;
use pintle_store::{FreshSecrets, Role, Store};
use serde_json::{Value, json};
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use tokio::runtime::Runtime;
use tokio::sync::oneshot;

/// A clock that stands until it is set.
struct Clock {
    now_s: AtomicI64,
    dice: Mutex<Dice>,
}

impl Ambient for Clock {
    fn now_ms(&self) -> i64 {
        self.now_s.load(Ordering::SeqCst) * 1000
    }
    fn monotonic_us(&self) -> u64 {
        u64::try_from(self.now_ms() * 1000).expect("after 1970")
    }
    fn fill(&self, bytes: &mut [u8]) -> Result<(), NoRandomness> {
        let mut dice = self.dice.lock().map_err(|_| NoRandomness("a test has failed".into()))?;
        bytes.iter_mut().for_each(|byte| [*byte] = dice.bytes());
        Ok(())
    }
}

/// The server.
pub struct Server {
    runtime: Runtime,
    clock: Arc<Clock>,
    store: Arc<dyn Store>,
    app: App,
    _folder: tempfile::TempDir,
}

impl Server {
    pub fn new(now_s: i64) -> Self {
        let clock = Arc::new(Clock { now_s: AtomicI64::new(now_s), dice: Mutex::new(Dice::new(77)) });
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}?mode=rwc", folder.path().join("ledger.db").display());
        let fresh = FreshSecrets {
            store: StoreId([5; 16]),
            cursor_secret: [6; 32],
            token_secret: [7; 32],
            ledger_secret: [8; 32],
        };
        // With a thread of its own: the database's tasks go on while the service over HTTP asks from another runtime.
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
        let runtime = runtime.expect("a runtime");
        let store = runtime.block_on(SqlStore::open(&url, fresh, now_s * 1000)).expect("a database");
        let store: Arc<dyn Store> = Arc::new(store);
        let app = app(&store, &clock);
        let operator = Operator { store: store.as_ref(), ambient: clock.as_ref() };
        runtime.block_on(operator.organisation_add("Valley crews", 72, "http://x")).expect("an organisation");
        Self { runtime, clock, store, app, _folder: folder }
    }

    pub fn now_s(&self) -> i64 {
        self.clock.now_s.load(Ordering::SeqCst)
    }

    /// Sets the clock. A minute passes with every exchange, so that nobody is told to come slower.
    pub fn at(&self, second: i64) {
        self.clock.now_s.store(second, Ordering::SeqCst);
    }

    pub fn enrol(&mut self, key: &DeviceKey, mark: &str, person: &Person) -> EnrolReply {
        let operator = Operator { store: self.store.as_ref(), ambient: self.clock.as_ref() };
        let code = self.runtime.block_on(operator.code(None, Role::Owner, 72, "http://x")).expect("a code").code;
        let proof = key.sign(&enrol_text(&code, &key.public()));
        let request = EnrolRequest { code, key: key.public(), mark: mark.to_owned(), person: person.clone(), proof };
        self.runtime.block_on(self.app.enrol(request, Ipv4Addr::LOCALHOST.into())).expect("enrolled")
    }

    pub fn sync(&mut self, key: &DeviceKey, request: SyncRequest) -> SyncReply {
        self.clock.now_s.fetch_add(60, Ordering::SeqCst);
        let body = serde_json::to_vec(&request).expect("JSON");
        let proof = key.sign(&sync_text(&body)).to_string();
        self.runtime
            .block_on(self.app.sync(request, &body, Some(&proof)))
            .map_err(|refusal| inside(&refusal))
            .expect("a reply")
    }

    fn caller(&self, device: DeviceId) -> Caller {
        let record = self.runtime.block_on(self.store.device(device)).expect("a database");
        Caller { device: record.expect("an enrolled device") }
    }

    /// What is due on all machines, as the use case says.
    pub fn due(&self, device: DeviceId, at: &Moment) -> Vec<MachineDue> {
        let caller = self.caller(device);
        let query = DueQuery { at: Some(at.clone()), limit: Some(200), ..DueQuery::default() };
        let reply =
            self.runtime.block_on(self.app.due(&caller, &query)).map_err(|refusal| inside(&refusal)).expect("a reply");
        assert_eq!(reply.next, None, "all on one page");
        reply.due
    }

    /// A machine's book, as the use case gives it.
    pub fn book(&self, device: DeviceId, machine: MachineId) -> BookReply {
        let caller = self.caller(device);
        self.runtime.block_on(self.app.book(&caller, machine)).map_err(|refusal| inside(&refusal)).expect("a book")
    }

    /// The JSON of `GET` targets, over HTTP, with a token of the device.
    pub fn over_http(&self, key: &DeviceKey, targets: &[String]) -> Vec<Value> {
        let (stop, stopped) = oneshot::channel::<()>();
        let (told, listens) = std::sync::mpsc::channel();
        let (store, clock) = (self.store.clone(), self.clock.clone());
        let serving = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
            runtime.block_on(async {
                let address = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
                let listening = listen(app(&store, &clock), &Door::default(), address).expect("a port");
                told.send(listening.addresses[0]).expect("somebody waits");
                let stop = async { drop(stopped.await) };
                listening.until(stop).await.expect("it serves");
            });
        });
        let address = listens.recv().expect("it listens");
        let agent = ureq::Agent::new_with_defaults();
        let token = self.token(key);
        let asks = agent.post(format!("http://{address}/v1/token")).header("Content-Type", "application/json");
        let reply = asks.send(json!({"assertion": token}).to_string().as_bytes()).expect("a token");
        let reply = read(reply);
        let bearer = format!("Bearer {}", reply["access_token"].as_str().expect("a token"));
        let get = |target: &String| {
            let reply = agent.get(format!("http://{address}{target}")).header("Authorization", &bearer).call();
            read(reply.expect("an answer"))
        };
        let answers = targets.iter().map(get).collect();
        drop(agent);
        stop.send(()).expect("it still listens");
        serving.join().expect("it ends");
        answers
    }

    fn token(&self, key: &DeviceKey) -> String {
        let id = DeviceId::of_key(&key.public()).to_string();
        let now_s = self.now_s();
        let jti = format!("{:016}", now_s);
        let claims = AssertionClaims {
            iss: id.clone(),
            sub: id.clone(),
            aud: self.store.identity().store.to_string(),
            iat: now_s,
            exp: now_s + 60,
            jti,
        };
        let header = AssertionHeader { alg: "EdDSA".into(), typ: "JWT".into(), kid: id };
        assertion(&header, &claims, |text| key.sign(text))
    }
}

fn read(mut reply: ureq::http::Response<ureq::Body>) -> Value {
    serde_json::from_slice(&reply.body_mut().read_to_vec().expect("a body")).expect("JSON")
}

fn app(store: &Arc<dyn Store>, clock: &Arc<Clock>) -> App {
    App::new(store.clone(), clock.clone(), &Rates::default(), Room::default()).map_err(|r| inside(&r)).expect("an app")
}

/// A refusal as a test tells it.
fn inside(refusal: &Refusal) -> String {
    format!("{refusal:?}")
}
