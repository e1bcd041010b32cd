//! Asking the server for what is not in any log: devices, codes, links. Needs signal, and says so.
//!
//! Promises: a token is got for each run and kept nowhere. A device whose clock is off takes the server's time from the
//! refusal and tries again once. Nothing here changes the log of this device.
//!
//! Never shows a token.

use crate::ambient::{Ambient, random};
use crate::home::Home;
use crate::problem::{Code, Problem};
use crate::store::{Own, Store, SyncRow};
use crate::transport::{CA_FILE, Failure, Http, not_trusted};
use pintle_core::chain::DeviceKey;
use pintle_core::device::{NetworkFailure, Refusal};
use pintle_core::ids::RequestId;
use pintle_openapi::Endpoint;
use pintle_openapi::endpoints::token::{
    ASSERTION_TTL_S_MAX, AssertionClaims, AssertionHeader, TokenRequest, assertion,
};

/// A server that knows who is asking.
pub struct Office {
    http: Http,
    token: String,
    /// Where the server is, as this device knows it.
    pub server: String,
}

impl Office {
    /// Signs in at the server this device is enrolled with.
    ///
    /// # Errors
    /// `not-enrolled`, `no-signal`, `server-refused`, and failures of the log's file.
    pub fn open(home: &Home, store: &mut Store, ambient: &dyn Ambient) -> Result<Self, Problem> {
        let (own, sync) = store.read(|tx| Ok((tx.own()?, tx.enrolled()?)))?;
        let key = home.key(&own.public_key)?;
        let http = Http::new(&sync.server, ambient.variable(CA_FILE).as_deref())?;
        let ask = |now_s: i64| -> Result<_, Problem> {
            let request = TokenRequest { assertion: claim(&own, &sync, &key, now_s, ambient)? };
            Ok(http.token(&request))
        };
        let token = match ask(ambient.wall().second)? {
            Err(Failure::ClockOff { now_ms }) => ask(now_ms.div_euclid(1000))?,
            other => other,
        };
        let token = token.map_err(refused)?.access_token;
        Ok(Self { http, token, server: sync.server })
    }

    /// Asks.
    ///
    /// # Errors
    /// `no-signal`, `server-refused`.
    pub fn ask<E: Endpoint>(&self, path: &E::Path, query: &E::Query, body: &E::Body) -> Result<E::Reply, Problem> {
        self.http.ask::<E>(path, query, body, &self.token).map_err(refused)
    }
}

impl Office {
    /// Brings bytes.
    ///
    /// # Errors
    /// `no-signal`, `server-refused`.
    pub fn bring<E: Endpoint>(&self, path: &E::Path, query: &E::Query, bytes: &[u8]) -> Result<E::Reply, Problem> {
        self.http.bring::<E>(path, query, bytes, &self.token).map_err(refused)
    }

    /// Gets a file.
    ///
    /// # Errors
    /// `no-signal`, `server-refused`.
    pub fn fetch<E: Endpoint>(&self, path: &E::Path, query: &E::Query) -> Result<Vec<u8>, Problem> {
        self.http.fetch::<E>(path, query, &self.token).map_err(refused)
    }
}

fn claim(own: &Own, sync: &SyncRow, key: &DeviceKey, now_s: i64, ambient: &dyn Ambient) -> Result<String, Problem> {
    let device = own.device.to_string();
    let header = AssertionHeader { alg: "EdDSA".into(), typ: "JWT".into(), kid: device.clone() };
    let claims = AssertionClaims {
        iss: device.clone(),
        sub: device,
        aud: sync.store.to_string(),
        iat: now_s,
        exp: now_s.saturating_add(ASSERTION_TTL_S_MAX),
        jti: RequestId(random(ambient)?).to_string(),
    };
    Ok(assertion(&header, &claims, |text| key.sign(text)))
}

/// What stood in the way, in words.
fn refused(failure: Failure) -> Problem {
    match failure {
        Failure::Network(NetworkFailure::NotOurs) => {
            Problem::new(Code::NotOurs, "Something answered that is not the server.")
                .hint("a sign-in page of this network? Open it, then the same again")
        }
        Failure::Network(NetworkFailure::Untrusted) => not_trusted("nothing was done"),
        Failure::Network(_) => {
            Problem::new(Code::NoSignal, "No signal; this needs the server.").hint("later, the same again")
        }
        Failure::ClockOff { .. } => {
            Problem::new(Code::ServerRefused, "the server does not agree about the time").detail("clock-off")
        }
        Failure::Refused(Refusal { code, retry_after_s: Some(seconds), .. }) => {
            let told = format!("the server has too much to do and asks to wait {seconds} s");
            Problem::new(Code::ServerBusy, told).hint("then the same again").detail(code)
        }
        Failure::Refused(refusal) => {
            Problem::new(Code::ServerRefused, format!("the server refused: {}", refusal.detail)).detail(refusal.code)
        }
    }
}
