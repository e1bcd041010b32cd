//! Listens, serves, and stops when told to.
//!
//! Promises: says that it listens only once connections are accepted; told to stop (SIGTERM, SIGINT) it takes no new
//! connections and lets requests under way end.

use crate::ambient::Ambient;
use crate::app::App;
use crate::app::cosign::Cosigner;
use crate::app::stamp::Stamper;
use crate::connections::Connections;
use crate::http::{self, Front};
use crate::limits::{
    CERTIFICATE_LOOK, CERTIFICATE_WARN_S, CONNECTIONS_ADDRESS_MAX, CONNECTIONS_MAX, COSIGN_AGAIN, COSIGN_LOOK,
    HEAD_DEADLINE, KEEP_ALIVE, KEY_LOOK, NOTICE_LOOK, SHUTDOWN_S, STAMP_LOOK, TREE_LOOK,
};
use crate::outgoing::Outgoing;
use crate::tls::{Certificate, Reread, TlsError};
use actix_web::body::MessageBody;
use actix_web::dev::{Server, ServiceFactory, ServiceRequest, ServiceResponse};
use actix_web::middleware::{Compress, from_fn};
use actix_web::{Error, HttpServer, web};
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

/// The whole service, as the HTTP library takes it.
pub fn application(
    app: web::Data<App>,
    front: web::Data<Front>,
) -> actix_web::App<
    impl ServiceFactory<
        ServiceRequest,
        Config = (),
        Response = ServiceResponse<impl MessageBody>,
        Error = Error,
        InitError = (),
    >,
> {
    // The last wrapper is the outermost: what compression refuses is given its form by the frame.
    actix_web::App::new()
        .configure(|config| http::configure(config, app, front))
        .wrap(Compress::default())
        .wrap(from_fn(http::frame))
}

/// A server that listens.
pub struct Listening {
    /// Where.
    pub addresses: Vec<SocketAddr>,
    app: web::Data<App>,
    outgoing: Option<Outgoing>,
    stamper: Option<Stamper>,
    cosigners: Vec<Cosigner>,
    server: Server,
}

/// How connections are taken.
#[derive(Debug)]
pub struct Door {
    /// What stands before every use case.
    pub front: Front,
    /// The certificate, if the server speaks TLS itself.
    pub certificate: Option<Arc<Certificate>>,
    /// How others are called; none: nobody is told of anything.
    pub outgoing: Option<Outgoing>,
    /// How checkpoints are stamped; none: they are not.
    pub stamper: Option<Stamper>,
    /// Who is asked to co-sign checkpoints.
    pub cosigners: Vec<Cosigner>,
    /// Line and headers of a request, and a TLS handshake, must be there within this time.
    pub head: Duration,
    /// An idle connection is kept for this long.
    pub idle: Duration,
    /// Connections one worker holds open.
    pub connections: usize,
    /// Connections one address holds open.
    pub connections_of_address: usize,
}

impl Default for Door {
    fn default() -> Self {
        Self {
            front: Front::default(),
            certificate: None,
            outgoing: None,
            stamper: None,
            cosigners: Vec::new(),
            head: HEAD_DEADLINE,
            idle: KEEP_ALIVE,
            connections: CONNECTIONS_MAX,
            connections_of_address: CONNECTIONS_ADDRESS_MAX,
        }
    }
}

/// Starts to listen.
///
/// # Errors
/// If the address cannot be had, or the certificate is of no use to the TLS library.
pub fn listen(app: App, door: &Door, address: SocketAddr) -> io::Result<Listening> {
    let (app, front) = (web::Data::new(app), web::Data::new(door.front.clone()));
    let served = app.clone();
    let (connections, proxies) = (Arc::new(Connections::new(door.connections_of_address)), front.proxies.clone());
    let server = HttpServer::new(move || application(served.clone(), front.clone()))
        .on_connect(move |connection, data| connections.made(&proxies, connection, data))
        .client_request_timeout(door.head)
        .tls_handshake_timeout(door.head)
        .keep_alive(door.idle)
        // Head and body of a reply are two writes: without this the second waits for the caller's acknowledgement, some
        // 40 ms.
        .tcp_nodelay(true)
        .max_connections(door.connections)
        .shutdown_timeout(SHUTDOWN_S)
        .disable_signals();
    let server = match &door.certificate {
        None => server.bind(address)?,
        Some(certificate) => server.bind_rustls_0_23(address, certificate.config().map_err(io::Error::other)?)?,
    };
    let addresses = server.addrs();
    let (outgoing, stamper, cosigners) = (door.outgoing.clone(), door.stamper.clone(), door.cosigners.clone());
    Ok(Listening { addresses, app, outgoing, stamper, cosigners, server: server.run() })
}

/// Learns the keys that sign tokens, now and then. Never ends: what is known stays known where that fails.
async fn learn_keys(app: &App) {
    let mut looks = tokio::time::interval(KEY_LOOK);
    loop {
        looks.tick().await;
        if let Err(refusal) = app.learn_keys().await {
            let detail = refusal.inside.as_deref().unwrap_or_default();
            tracing::warn!(detail, "the keys that sign tokens could not be looked at");
        }
    }
}

/// Builds the trees behind the ledgers, now and then. Never ends: what could not be built is built the next time.
async fn follow_trees(app: &App) {
    let mut looks = tokio::time::interval(TREE_LOOK);
    looks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        looks.tick().await;
        if let Err(refusal) = app.grow_trees().await {
            let detail = refusal.inside.as_deref().unwrap_or_default();
            tracing::warn!(detail, "the trees behind the ledgers could not be looked at");
        }
    }
}

/// Tells other programs of issued bills, now and then. Never ends: what could not be sent is sent later.
async fn send_notices(app: &App, outgoing: Option<&Outgoing>) {
    let Some(outgoing) = outgoing else { return std::future::pending().await };
    let mut looks = tokio::time::interval(NOTICE_LOOK);
    looks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        looks.tick().await;
        if let Err(refusal) = app.send_notices(outgoing).await {
            let detail = refusal.inside.as_deref().unwrap_or_default();
            tracing::warn!(detail, "the notices of issued bills could not be looked at");
        }
    }
}

/// Has checkpoints stamped, now and then. Never ends: what could not be stamped is stamped later.
async fn stamp_checkpoints(app: &App, stamper: Option<&Stamper>, outgoing: Option<&Outgoing>) {
    let (Some(stamper), Some(outgoing)) = (stamper, outgoing) else { return std::future::pending().await };
    let mut looks = tokio::time::interval(STAMP_LOOK);
    looks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        looks.tick().await;
        if let Err(refusal) = app.stamp_checkpoints(stamper, outgoing).await {
            let detail = refusal.inside.as_deref().unwrap_or_default();
            tracing::warn!(detail, "the stamps of checkpoints could not be looked at");
        }
    }
}

/// Has checkpoints co-signed soon after they are made. Never ends: a witness that did not sign is asked again.
async fn cosign_checkpoints(app: &App, cosigners: &[Cosigner], outgoing: Option<&Outgoing>) {
    let Some(outgoing) = outgoing.filter(|_| !cosigners.is_empty()) else { return std::future::pending().await };
    loop {
        let signed = app.cosign_checkpoints(cosigners, outgoing).await.unwrap_or_else(|refusal| {
            let detail = refusal.inside.as_deref().unwrap_or_default();
            tracing::warn!(detail, "the co-signatures of checkpoints could not be looked at");
            false
        });
        tokio::time::sleep(if signed { COSIGN_LOOK } else { COSIGN_AGAIN }).await;
    }
}

/// Looks at the certificate's files now and then, and whenever `hangup` says so. Never ends.
pub async fn tend(certificate: Arc<Certificate>, ambient: Arc<dyn Ambient>, mut hangup: Hangup) {
    let mut looks = tokio::time::interval(CERTIFICATE_LOOK);
    loop {
        tokio::select! {
            _ = looks.tick() => {}
            () = hangup.next() => {}
        }
        let now_s = ambient.now_ms().div_euclid(1000);
        told(certificate.read_again(now_s), certificate.until_s().saturating_sub(now_s));
    }
}

fn told(outcome: Result<Reread, TlsError>, left_s: i64) {
    match outcome {
        Ok(Reread::Changed) => tracing::info!(left_s, "another certificate is in use"),
        Err(error) => tracing::warn!(%error, left_s, "the certificate in use stays in use"),
        Ok(Reread::Same) if left_s < CERTIFICATE_WARN_S => tracing::warn!(left_s, "the certificate is ending"),
        Ok(Reread::Same) => {}
    }
}

impl Listening {
    /// Serves until `stop` ends.
    ///
    /// # Errors
    /// If the server fails.
    pub async fn until(self, stop: impl Future<Output = ()>) -> io::Result<()> {
        let handle = self.server.handle();
        let mut server = self.server;
        tokio::select! {
            ended = &mut server => return ended,
            () = learn_keys(&self.app) => {}
            () = follow_trees(&self.app) => {}
            () = send_notices(&self.app, self.outgoing.as_ref()) => {}
            () = stamp_checkpoints(&self.app, self.stamper.as_ref(), self.outgoing.as_ref()) => {}
            () = cosign_checkpoints(&self.app, &self.cosigners, self.outgoing.as_ref()) => {}
            () = stop => {}
        }
        let (ended, ()) = tokio::join!(server, handle.stop(true));
        ended
    }
}

/// Ends when the process is told to stop.
///
/// # Errors
/// If signals cannot be listened to.
#[cfg(unix)]
pub fn stop_signal() -> io::Result<impl Future<Output = ()>> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    Ok(async move {
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
        }
    })
}

/// Ends when the process is told to stop.
///
/// # Errors
/// None here.
#[cfg(not(unix))]
pub fn stop_signal() -> io::Result<impl Future<Output = ()>> {
    Ok(async {
        // Without a signal to wait for the process is stopped from outside.
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
    })
}

/// SIGHUP, as often as it comes.
#[derive(Debug)]
pub struct Hangup {
    #[cfg(unix)]
    signal: tokio::signal::unix::Signal,
}

impl Hangup {
    /// From now on SIGHUP no longer ends the process.
    ///
    /// # Errors
    /// If signals cannot be listened to.
    pub fn listened() -> io::Result<Self> {
        Ok(Self {
            #[cfg(unix)]
            signal: tokio::signal::unix::signal(tokio::signal::unix::SignalKind::hangup())?,
        })
    }

    async fn next(&mut self) {
        #[cfg(unix)]
        if self.signal.recv().await.is_some() {
            return;
        }
        std::future::pending::<()>().await;
    }
}
