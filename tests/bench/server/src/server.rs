//! A real server process, asked as any client asks it.
//!
//! Promises: it listens when [`Server::start`] returns, and has ended when it is dropped.

use pintle_bench::measure::Outcome;
use pintle_core::chain::DeviceKey;
use pintle_core::ids::DeviceId;
use pintle_core::moment::Moment;
use pintle_openapi::endpoint::{Nothing, target};
use pintle_openapi::endpoints::due::{Due, DueQuery};
use pintle_openapi::endpoints::token::{AssertionClaims, AssertionHeader, TokenReply, TokenRequest, assertion};
use pintle_store::Store;
use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::SystemTime;

/// A server and a token for it.
pub struct Server {
    process: Child,
    url: String,
    token: String,
}

impl Server {
    /// Starts a server over a database that is there.
    ///
    /// # Errors
    /// If it does not come up, or gives the device no token.
    pub fn start(program: &Path, database: &str, key: &DeviceKey, store: &impl Store) -> Outcome<Self> {
        let mut command = Command::new(program);
        command.args(["--listen", "127.0.0.1:0", "--database", database]);
        let mut process = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn()?;
        let lines = BufReader::new(process.stdout.take().ok_or("no output")?).lines();
        let mut server = Self { process, url: String::new(), token: String::new() };
        for line in lines {
            if let Some(url) = line?.strip_prefix("listening on ") {
                server.url = url.to_owned();
                break;
            }
        }
        server.token = server.new_token(key, store)?;
        Ok(server)
    }

    #[allow(clippy::disallowed_methods, reason = "the outermost layer: an assertion is valid now")]
    fn new_token(&self, key: &DeviceKey, store: &impl Store) -> Outcome<String> {
        let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH)?;
        let now_s = i64::try_from(now.as_secs())?;
        let device = DeviceId::of_key(&key.public()).to_string();
        let header = AssertionHeader { alg: "EdDSA".into(), typ: "JWT".into(), kid: device.clone() };
        let claims = AssertionClaims {
            iss: device.clone(),
            sub: device,
            aud: store.identity().store.to_string(),
            iat: now_s,
            exp: now_s + 60,
            // An assertion is answered once.
            jti: now.as_nanos().to_string(),
        };
        let request = TokenRequest { assertion: assertion(&header, &claims, |text| key.sign(text)) };
        let body = serde_json::to_vec(&request)?;
        let asked = ureq::post(format!("{}/v1/token", self.url)).header("Content-Type", "application/json");
        let reply = asked.send(&body[..])?.body_mut().read_to_vec()?;
        Ok(serde_json::from_slice::<TokenReply>(&reply)?.access_token)
    }

    /// The port it listens on.
    ///
    /// # Errors
    /// If its address has none.
    pub fn port(&self) -> Outcome<u16> {
        Ok(self.url.rsplit(':').next().ok_or("no port")?.parse()?)
    }

    /// The first page of what is due.
    ///
    /// # Errors
    /// If it is not given.
    pub fn due(&self, at: &Moment) -> Outcome<Vec<u8>> {
        let query = DueQuery { at: Some(at.clone()), ..DueQuery::default() };
        let asked = ureq::get(format!("{}{}", self.url, target::<Due>(&Nothing {}, &query)));
        Ok(asked.header("Authorization", format!("Bearer {}", self.token)).call()?.body_mut().read_to_vec()?)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended by itself; either way nothing is left.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}
