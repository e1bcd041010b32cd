//! Listens, serves, and stops when told to.
//!
//! Promises: says that it listens only once connections are accepted; told to stop (SIGTERM, SIGINT) it takes no new
//! connections and lets requests under way end.

use crate::app::App;
use crate::http;
use crate::http::source::Proxies;
use crate::limits::{CONNECTIONS_MAX, HEAD_DEADLINE, KEEP_ALIVE, SHUTDOWN_S};
use actix_web::body::MessageBody;
use actix_web::dev::{Server, ServiceFactory, ServiceRequest, ServiceResponse};
use actix_web::middleware::{Compress, from_fn};
use actix_web::{Error, HttpServer, web};
use std::io;
use std::net::SocketAddr;

/// The whole service, as the HTTP library takes it.
pub fn application(
    app: web::Data<App>,
    proxies: web::Data<Proxies>,
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
        .configure(|config| http::configure(config, app, proxies))
        .wrap(Compress::default())
        .wrap(from_fn(http::frame))
}

/// A server that listens.
pub struct Listening {
    /// Where.
    pub addresses: Vec<SocketAddr>,
    server: Server,
}

/// Starts to listen.
///
/// # Errors
/// If the address cannot be had.
pub fn listen(app: App, proxies: Proxies, address: SocketAddr) -> io::Result<Listening> {
    let (app, proxies) = (web::Data::new(app), web::Data::new(proxies));
    let server = HttpServer::new(move || application(app.clone(), proxies.clone()))
        .client_request_timeout(HEAD_DEADLINE)
        .keep_alive(KEEP_ALIVE)
        // Head and body of a reply are two writes: without this the second waits for the caller's acknowledgement, some
        // 40 ms.
        .tcp_nodelay(true)
        .max_connections(CONNECTIONS_MAX)
        .shutdown_timeout(SHUTDOWN_S)
        .disable_signals()
        .bind(address)?;
    let addresses = server.addrs();
    Ok(Listening { addresses, server: server.run() })
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
