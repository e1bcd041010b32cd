//! A server without a network: requests go straight to the service.
//!
//! Promises: the clock stands until a test moves it; every world has an organisation of its own, so that worlds may
//! share one database.

use crate::phone::Phone;
use actix_web::body::MessageBody as _;
use actix_web::http::header::HeaderMap;
use actix_web::test::{self, TestRequest};
use actix_web::web;
use pintle_core::exchange::Pulled;
use pintle_core::fact::administration::{Need, need};
use pintle_core::ids::{OrganisationId, StoreId};
use pintle_openapi::endpoint::problems;
use pintle_openapi::endpoints::{Visit, visit_all};
use pintle_openapi::{Endpoint, Method, Problem, ProblemDocument};
use pintle_server::ambient::{Ambient, NoRandomness, System, random};
use pintle_server::app::App;
use pintle_server::app::gate::{RateSetting, Rates, Room};
use pintle_server::http::source::Proxies;
use pintle_server::operator::Operator;
use pintle_server::serve::application;
use pintle_store::memory::MemoryStore;
use pintle_store::sql::SqlStore;
use pintle_store::{FreshSecrets, Organisation, Role, Store};
use serde_json::Value;
use std::collections::BTreeSet;
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

/// The moment at which every world begins: 2026-05-04T15:06:40Z.
pub const BEGIN_MS: i64 = 1_777_907_200_000;

/// A clock that stands until it is moved; randomness is the system's, because worlds may share a database.
pub struct TestAmbient {
    now_ms: AtomicI64,
    system: System,
}

impl TestAmbient {
    fn new() -> Self {
        Self { now_ms: AtomicI64::new(BEGIN_MS), system: System::start() }
    }

    pub fn forward_s(&self, seconds: i64) {
        self.now_ms.fetch_add(seconds * 1000, Ordering::SeqCst);
    }
}

impl Ambient for TestAmbient {
    fn now_ms(&self) -> i64 {
        self.now_ms.load(Ordering::SeqCst)
    }
    fn monotonic_us(&self) -> u64 {
        u64::try_from((self.now_ms() - BEGIN_MS) * 1000).expect("a clock that never goes back")
    }
    fn fill(&self, bytes: &mut [u8]) -> Result<(), NoRandomness> {
        self.system.fill(bytes)
    }
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub headers: HeaderMap,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name).map(|value| value.to_str().expect("an ASCII header"))
    }

    pub fn text(&self) -> String {
        String::from_utf8(self.body.clone()).expect("UTF-8")
    }

    /// The JSON of a reply with status 200.
    pub fn json(&self) -> Value {
        assert_eq!(self.status, 200, "{}", self.text());
        assert_eq!(self.header("content-type"), Some("application/json"));
        serde_json::from_slice(&self.body).expect("JSON")
    }

    /// The reply as a type of the contract.
    pub fn reply<T: serde::de::DeserializeOwned>(&self) -> T {
        serde_json::from_value(self.json()).expect("a reply of the contract")
    }

    /// The problem document, with all that every refusal must have.
    pub fn problem(&self) -> ProblemDocument {
        assert_eq!(self.header("content-type"), Some("application/problem+json"), "{} {}", self.status, self.text());
        assert_eq!(self.header("cache-control"), Some("no-store"));
        assert_eq!(self.header("x-content-type-options"), Some("nosniff"));
        assert!(self.header("access-control-allow-origin").is_none());
        let document = ProblemDocument::read(&self.body).expect("a problem document of ours");
        assert_eq!(document.status, self.status);
        assert_eq!(Some(document.request.as_str()), self.header("pintle-request"));
        let problem = document.problem().expect("a code of the table");
        assert_eq!(
            (problem.status(), problem.title(), problem.hint()),
            (document.status, &*document.title, &*document.hint)
        );
        assert_eq!(self.header("www-authenticate").is_some(), self.status == 401);
        assert_eq!(self.header("retry-after").is_some(), document.retry_after_s.is_some());
        document
    }

    /// Status, code and place of a refusal.
    pub fn refusal(&self) -> (u16, String, String) {
        let document = self.problem();
        let place = document.pointer.clone().or(document.parameter.clone()).unwrap_or_default();
        (self.status, document.code, place)
    }

    /// Asserts status, code and place of a refusal.
    pub fn refused(&self, status: u16, code: &str, place: &str) {
        assert_eq!(self.refusal(), (status, code.to_owned(), place.to_owned()), "{}", self.text());
    }
}

/// Of what was pulled, what devices recorded: without what the server has written down itself.
pub fn recorded(pulled: &[Pulled]) -> Vec<&Pulled> {
    let by_server = |pulled: &Pulled| pulled.entry.head().is_ok_and(|head| need(&head.kind) == Need::Server);
    pulled.iter().filter(|pulled| !by_server(pulled)).collect()
}

/// Method, path, answer.
type Called = Pin<Box<dyn Future<Output = (String, String, Answer)>>>;

/// What stands in front of a server.
#[derive(Default)]
struct Front {
    rates: Rates,
    proxies: Proxies,
}

/// A server and an organisation.
pub struct World {
    pub store: Arc<dyn Store>,
    /// The same store, where it can be told to fail.
    pub memory: Option<Arc<MemoryStore>>,
    pub ambient: Arc<TestAmbient>,
    pub organisation: Organisation,
    pub app: web::Data<App>,
    call: Box<dyn Fn(TestRequest) -> Called>,
    /// Where the database is, if it is one that several processes can open.
    url: Option<String>,
    _folder: Option<tempfile::TempDir>,
}

fn secrets(ambient: &dyn Ambient) -> FreshSecrets {
    FreshSecrets {
        store: StoreId(random(ambient).expect("randomness")),
        cursor_secret: random(ambient).expect("randomness"),
        token_secret: random(ambient).expect("randomness"),
        ledger_secret: random(ambient).expect("randomness"),
    }
}

/// A use case layer over a database in memory, for a server on a real socket.
pub async fn app_in_memory(rates: &[RateSetting]) -> App {
    let ambient = Arc::new(System::start());
    let store = Arc::new(MemoryStore::new(secrets(ambient.as_ref())));
    App::new(store, ambient, &Rates::default().with(rates), Room::default()).expect("an app")
}

impl World {
    pub async fn memory() -> Self {
        let ambient = Arc::new(TestAmbient::new());
        let store = Arc::new(MemoryStore::new(secrets(ambient.as_ref())));
        let mut world = Self::over(store.clone(), ambient, None).await;
        world.memory = Some(store);
        world
    }

    pub async fn sqlite() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}?mode=rwc", folder.path().join("ledger.db").display());
        Self::sql(&url, Some(folder)).await
    }

    #[allow(
        clippy::disallowed_methods,
        reason = "the tests' outermost layer: where the test server is, is its setting"
    )]
    pub async fn postgres() -> Self {
        let url = std::env::var("PINTLE_TEST_POSTGRES").expect(
            "no PostgreSQL to test on: run tests/run, which starts one, or set PINTLE_TEST_POSTGRES to the address of a \
             database for tests, such as postgres://user@127.0.0.1:5432/postgres",
        );
        Self::sql(&url, None).await
    }

    async fn sql(url: &str, folder: Option<tempfile::TempDir>) -> Self {
        let ambient = Arc::new(TestAmbient::new());
        let fresh = secrets(ambient.as_ref());
        let store = SqlStore::open(url, fresh, BEGIN_MS).await.expect("a database");
        let world = Self::over(Arc::new(store), ambient, folder).await;
        Self { url: Some(url.to_owned()), ..world }
    }

    async fn over(store: Arc<dyn Store>, ambient: Arc<TestAmbient>, folder: Option<tempfile::TempDir>) -> Self {
        Self::over_behind(store, ambient, folder, Front::default()).await
    }

    /// A server with allowances and proxies of its own.
    pub async fn with(rates: &[&str], proxies: Proxies) -> Self {
        let rates: Vec<RateSetting> = rates.iter().map(|text| text.parse().expect("a rate")).collect();
        let front = Front { rates: Rates::default().with(&rates), proxies };
        let ambient = Arc::new(TestAmbient::new());
        let store = Arc::new(MemoryStore::new(secrets(ambient.as_ref())));
        Self::over_behind(store, ambient, None, front).await
    }

    async fn over_behind(
        store: Arc<dyn Store>,
        ambient: Arc<TestAmbient>,
        folder: Option<tempfile::TempDir>,
        front: Front,
    ) -> Self {
        let id = OrganisationId(random(ambient.as_ref()).expect("randomness"));
        let organisation = Organisation { id, name: format!("Crew {id}") };
        store.organisation_add(&organisation, BEGIN_MS).await.expect("an organisation");
        Self::of(store, ambient, organisation, folder, front).await
    }

    /// The world after its server was set up again from a copy of its database.
    pub async fn restored(copy: MemoryStore, before: Self) -> Self {
        let store = Arc::new(copy);
        let mut world = Self::of(store.clone(), before.ambient, before.organisation, None, Front::default()).await;
        world.memory = Some(store);
        world
    }

    async fn of(
        store: Arc<dyn Store>,
        ambient: Arc<TestAmbient>,
        organisation: Organisation,
        folder: Option<tempfile::TempDir>,
        Front { rates, proxies }: Front,
    ) -> Self {
        let front = web::Data::new(pintle_server::http::Front { proxies, ..Default::default() });
        let app = web::Data::new(App::new(store.clone(), ambient.clone(), &rates, Room::default()).expect("an app"));
        let service = std::rc::Rc::new(test::init_service(application(app.clone(), front)).await);
        let call = Box::new(move |request: TestRequest| {
            let service = service.clone();
            Box::pin(async move {
                let request = request.to_request();
                let (method, path) = (request.method().to_string(), request.path().to_owned());
                let response = test::call_service(&*service, request).await;
                let (status, headers) = (response.status().as_u16(), response.headers().clone());
                let body = response.into_body().try_into_bytes();
                let body = match body {
                    Ok(bytes) => bytes,
                    Err(stream) => actix_web::body::to_bytes(stream).await.map_err(|_| ()).expect("a body"),
                };
                (method, path, Answer { status, headers, body: body.to_vec() })
            }) as Called
        });
        Self { store, memory: None, ambient, organisation, app, call, url: None, _folder: folder }
    }

    /// Another process on the same database, in front of it a service of its own.
    pub async fn beside(&self) -> World {
        let store: Arc<dyn Store> = match &self.url {
            Some(url) => {
                let fresh = secrets(self.ambient.as_ref());
                Arc::new(SqlStore::open(url, fresh, BEGIN_MS).await.expect("a database"))
            }
            None => self.store.clone(),
        };
        Self::of(store, self.ambient.clone(), self.organisation.clone(), None, Front::default()).await
    }

    /// Another process over the same database, which has read nothing yet.
    pub fn another_process(&self) -> App {
        App::new(self.store.clone(), self.ambient.clone(), &Rates::default(), Room::default()).expect("an app")
    }

    /// A second organisation on the same server.
    pub async fn other_organisation(&self) -> Organisation {
        let id = OrganisationId(random(self.ambient.as_ref()).expect("randomness"));
        let organisation = Organisation { id, name: format!("Others {id}") };
        self.store.organisation_add(&organisation, BEGIN_MS).await.expect("an organisation");
        organisation
    }

    /// Where the organisation's ledger ends now. Once phones have been let in it holds what the server has written down
    /// about that, and what they push has the positions after it.
    pub async fn end(&self) -> u64 {
        self.store.digest(self.organisation.id).await.expect("it answers").count
    }

    pub fn operator(&self) -> Operator<'_> {
        Operator { store: self.store.as_ref(), ambient: self.ambient.as_ref() }
    }

    /// An enrolment code for this world's organisation.
    pub async fn code(&self, role: Role) -> String {
        self.code_of(&self.organisation, role).await
    }

    pub async fn code_of(&self, organisation: &Organisation, role: Role) -> String {
        self.operator().code(Some(&organisation.name), role, 72, "http://x").await.expect("a code").code
    }

    /// An enrolled device.
    pub async fn phone(&self, mark: &str, role: Role) -> Phone {
        let mut phone = Phone::new(self, mark);
        let code = self.code(role).await;
        phone.enrol(self, &code).await;
        phone
    }

    /// Sends a request. Whatever is refused must be documented for its endpoint.
    pub async fn send(&self, request: TestRequest) -> Answer {
        let (method, path, answer) = (self.call)(request).await;
        if answer.status >= 400 {
            let document = answer.problem();
            let allowed = documented(&method, &path);
            assert!(allowed.contains(&document.code), "{method} {path}: {} is not documented", document.code);
        }
        answer
    }

    pub async fn get(&self, target: &str) -> Answer {
        self.send(TestRequest::get().uri(target)).await
    }

    pub async fn get_with(&self, target: &str, token: &str) -> Answer {
        self.send(TestRequest::get().uri(target).insert_header(("Authorization", format!("Bearer {token}")))).await
    }

    pub async fn post(&self, target: &str, body: &Value) -> Answer {
        self.post_bytes(target, &serde_json::to_vec(body).expect("JSON")).await
    }

    pub async fn post_with(&self, target: &str, body: &Value, token: &str) -> Answer {
        let request = TestRequest::post().uri(target).insert_header(("Authorization", format!("Bearer {token}")));
        let request = request.insert_header(("Content-Type", "application/json"));
        self.send(request.set_payload(serde_json::to_vec(body).expect("JSON"))).await
    }

    pub async fn post_bytes(&self, target: &str, body: &[u8]) -> Answer {
        let request = TestRequest::post().uri(target).insert_header(("Content-Type", "application/json"));
        self.send(request.set_payload(body.to_vec())).await
    }
}

/// The codes the contract documents for a request; for what it does not know, that there is nothing.
fn documented(method: &str, path: &str) -> BTreeSet<String> {
    struct Found<'a> {
        method: &'a str,
        path: &'a str,
        codes: BTreeSet<String>,
        /// Whether the codes are those of the method that was asked for.
        asked: bool,
    }
    impl Visit for Found<'_> {
        fn endpoint<E: Endpoint>(&mut self) {
            let pieces = |path: &str| path.split('/').map(str::to_owned).collect::<Vec<_>>();
            let (asked, known) = (pieces(self.path), pieces(E::PATH));
            let same =
                asked.len() == known.len() && asked.iter().zip(&known).all(|(a, k)| a == k || k.starts_with('{'));
            if !same {
                return;
            }
            let asked = self.method == E::METHOD.as_str() || (self.method == "HEAD" && E::METHOD == Method::Get);
            let only = |problem: &&Problem| asked || **problem == Problem::MethodNotAllowed;
            let codes: BTreeSet<_> =
                problems::<E>().iter().filter(only).map(|problem| problem.code().to_owned()).collect();
            // A path may have two methods: what the one that was asked for answers counts.
            if asked || !self.asked {
                self.codes = codes;
            }
            self.asked |= asked;
        }
    }
    let mut found = Found { method, path, codes: [Problem::NotFound.code().to_owned()].into(), asked: false };
    visit_all(&mut found);
    found.codes
}

/// Makes a test of each case on each storage.
#[macro_export]
macro_rules! on_every_store {
    ($($case:ident)+) => {
        mod on_memory { $( #[actix_web::test] async fn $case() { super::$case($crate::world::World::memory().await).await } )+ }
        mod on_sqlite { $( #[actix_web::test] async fn $case() { super::$case($crate::world::World::sqlite().await).await } )+ }
        mod on_postgres { $( #[actix_web::test] async fn $case() {
            super::$case($crate::world::World::postgres().await).await
        } )+ }
    };
}
