//! The server's calls to others: one request, and the status that answers it.
//!
//! Promises: an address is used only if its name, resolved once, leads nowhere but where the operator allowed; the connection
//! goes to the very address that was looked at. No redirect is followed, no answer's body is read but up to the bytes that were
//! asked for, nothing takes longer than its deadline, and nothing is kept between calls. TLS by the operating system's
//! authorities.
//!
//! Never: an address that came over the API; plain HTTP beyond this machine.

pub mod reach;

use crate::limits::{OUTGOING_ADDRESSES_MAX, OUTGOING_CONNECT, OUTGOING_DEADLINE};
use awc::error::{ConnectError, SendRequestError};
use awc::http::header::{CONTENT_TYPE, USER_AGENT};
use awc::http::{StatusCode, Uri};
use awc::{Client, Connector};
use reach::Target;
use rustls::{ClientConfig, RootCertStore};
use rustls_platform_verifier::BuilderVerifierExt as _;
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;

/// How the server names itself to others.
const AGENT: &str = concat!("pintle-server/", env!("CARGO_PKG_VERSION"));

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum OutgoingError {
    /// Its name leads to an address that may not be reached.
    #[error("{0} leads to {1}, which it may not reach")]
    NotAllowed(String, std::net::IpAddr),
    /// Its name is not known.
    #[error("{0} is not found: {1}")]
    Unknown(String, io::Error),
    /// Nobody there takes the connection, or not in the way of its scheme.
    #[error("cannot connect to {0}: {1}")]
    Connect(String, String),
    /// No answer came in time.
    #[error("no answer in {0} s")]
    Late(u64),
    /// The connection broke, or what came is no HTTP.
    #[error("the connection broke: {0}")]
    Broken(String),
}

/// What is sent.
#[derive(Debug, Clone)]
pub struct Letter {
    /// Media type of the body.
    pub media: &'static str,
    /// Headers besides.
    pub headers: Vec<(&'static str, String)>,
    /// The body.
    pub body: Vec<u8>,
}

/// Makes calls.
#[derive(Debug, Clone)]
pub struct Outgoing {
    tls: Arc<ClientConfig>,
}

impl Outgoing {
    /// Calls that trust the operating system's authorities.
    ///
    /// # Errors
    /// If the system's authorities cannot be asked.
    pub fn new() -> Result<Self, rustls::Error> {
        let tls = ClientConfig::builder().with_platform_verifier()?.with_no_client_auth();
        Ok(Self::trusting(tls))
    }

    /// Calls that trust no authority: nobody is reached over TLS.
    #[must_use]
    pub fn trusting_none() -> Self {
        Self::trusting(ClientConfig::builder().with_root_certificates(RootCertStore::empty()).with_no_client_auth())
    }

    /// Calls that trust what a TLS configuration trusts.
    #[must_use]
    pub fn trusting(tls: ClientConfig) -> Self {
        Self { tls: Arc::new(tls) }
    }

    /// Posts a letter. Whatever the status, it is an answer; what it means is the caller's.
    ///
    /// # Errors
    /// If no answer came within the limits.
    pub async fn post(&self, target: &Target, letter: &Letter) -> Result<StatusCode, OutgoingError> {
        Ok(self.fetch(target, letter, 0).await?.0)
    }

    /// Posts a letter, and reads an answer of at most so many bytes; 0 reads none.
    ///
    /// # Errors
    /// If no answer came within the limits.
    pub async fn fetch(
        &self,
        target: &Target,
        letter: &Letter,
        bytes_max: usize,
    ) -> Result<(StatusCode, Vec<u8>), OutgoingError> {
        let late = OutgoingError::Late(OUTGOING_DEADLINE.as_secs());
        tokio::time::timeout(OUTGOING_DEADLINE, self.fetched(target, letter, bytes_max)).await.unwrap_or(Err(late))
    }

    async fn fetched(
        &self,
        target: &Target,
        letter: &Letter,
        bytes_max: usize,
    ) -> Result<(StatusCode, Vec<u8>), OutgoingError> {
        let addresses = resolved(target).await?;
        let mut failed = OutgoingError::Connect(target.host().to_owned(), "it has no address".to_owned());
        for address in addresses.into_iter().take(OUTGOING_ADDRESSES_MAX) {
            match self.fetched_from(target.uri(), address, letter, bytes_max).await {
                // Nothing was sent: another of its addresses may take it.
                Err(error @ OutgoingError::Connect(..)) => failed = error,
                done => return done,
            }
        }
        Err(failed)
    }

    async fn fetched_from(
        &self,
        uri: &Uri,
        address: SocketAddr,
        letter: &Letter,
        bytes_max: usize,
    ) -> Result<(StatusCode, Vec<u8>), OutgoingError> {
        let connector = Connector::new()
            .rustls_0_23(self.tls.clone())
            .timeout(OUTGOING_CONNECT)
            .handshake_timeout(OUTGOING_CONNECT);
        let client = Client::builder()
            .connector(connector)
            .disable_redirects()
            .no_default_headers()
            .timeout(OUTGOING_DEADLINE)
            .finish();
        let mut request = client
            .post(uri.clone())
            .address(address)
            .force_close()
            .no_decompress()
            .insert_header((USER_AGENT, AGENT))
            .insert_header((CONTENT_TYPE, letter.media));
        for (name, value) in &letter.headers {
            request = request.insert_header((*name, value.as_str()));
        }
        let mut response = request.send_body(letter.body.clone()).await.map_err(|error| unsent(uri, error))?;
        let status = response.status();
        if bytes_max == 0 {
            return Ok((status, Vec::new()));
        }
        let body = response.body().limit(bytes_max).await.map_err(|error| OutgoingError::Broken(error.to_string()))?;
        Ok((status, body.to_vec()))
    }
}

/// Where a target's name leads: all its addresses may be reached, or none is.
async fn resolved(target: &Target) -> Result<Vec<SocketAddr>, OutgoingError> {
    let unknown = |error| OutgoingError::Unknown(target.host().to_owned(), error);
    let found = tokio::net::lookup_host((target.host(), target.port())).await.map_err(unknown)?;
    let found: Vec<SocketAddr> = found.collect();
    match found.iter().find(|address| !target.may_reach(address.ip())) {
        Some(address) => Err(OutgoingError::NotAllowed(target.host().to_owned(), address.ip())),
        None => Ok(found),
    }
}

fn unsent(uri: &Uri, error: SendRequestError) -> OutgoingError {
    let host = uri.host().unwrap_or_default().to_owned();
    match error {
        SendRequestError::Timeout => OutgoingError::Late(OUTGOING_DEADLINE.as_secs()),
        SendRequestError::Connect(ConnectError::Timeout) => {
            OutgoingError::Connect(host, "it does not take the connection in time".to_owned())
        }
        // Closed without an answer, after the letter may have been read.
        SendRequestError::Connect(error @ ConnectError::Disconnected) => OutgoingError::Broken(error.to_string()),
        SendRequestError::Connect(error) => OutgoingError::Connect(host, error.to_string()),
        error => OutgoingError::Broken(error.to_string()),
    }
}
