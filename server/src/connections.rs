//! How many connections one address holds open, and how long a connection may refuse to be read from.
//!
//! Promises: beyond [`Connections::max`] an address's newest connection is closed before anything is read from it, so
//! that one address cannot keep all others out. What a proxy of the operator's opens is not counted: it stands for many.
//! A connection that takes nothing of what is sent to it is closed by the system.
//!
//! Never: an answer. Who opens hundreds of connections gets none.

use crate::app::gate::network;
use crate::http::source::Proxies;
use crate::limits::SEND_STALL;
use actix_tls::accept::rustls_0_23::TlsStream;
use actix_web::dev::Extensions;
use actix_web::rt::net::TcpStream;
use socket2::SockRef;
use std::any::Any;
use std::collections::BTreeMap;
use std::net::{IpAddr, Shutdown};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The connections of one process, by address.
#[derive(Debug)]
pub struct Connections {
    /// Most that one address holds open.
    pub max: usize,
    open: Mutex<BTreeMap<IpAddr, usize>>,
}

/// One open connection; it is counted until this is dropped.
struct Open {
    connections: Arc<Connections>,
    from: IpAddr,
}

impl Drop for Open {
    fn drop(&mut self) {
        let mut open = self.connections.lock();
        match open.get_mut(&self.from) {
            Some(count) if *count > 1 => *count -= 1,
            _ => {
                open.remove(&self.from);
            }
        }
    }
}

impl Connections {
    /// None yet.
    #[must_use]
    pub fn new(max: usize) -> Self {
        Self { max, open: Mutex::default() }
    }

    // A count is changed by one statement, so that a panic left nothing half done.
    fn lock(&self) -> MutexGuard<'_, BTreeMap<IpAddr, usize>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn one_more(self: &Arc<Self>, from: IpAddr) -> Option<Open> {
        let from = network(from);
        let mut open = self.lock();
        let count = open.entry(from).or_insert(0);
        if *count >= self.max {
            return None;
        }
        *count += 1;
        Some(Open { connections: self.clone(), from })
    }

    /// Counts a connection that was just made, for as long as `data` lives, or closes it.
    pub fn made(self: &Arc<Self>, proxies: &Proxies, connection: &dyn Any, data: &mut Extensions) {
        let Some(stream) = tcp(connection) else { return };
        let socket = SockRef::from(stream);
        #[cfg(any(target_os = "linux", target_os = "android"))]
        if let Err(error) = socket.set_tcp_user_timeout(Some(SEND_STALL)) {
            tracing::debug!(%error, "a connection has no limit for taking nothing");
        }
        let Ok(peer) = stream.peer_addr() else { return };
        if proxies.named(peer.ip().to_canonical()) {
            return;
        }
        match self.one_more(peer.ip()) {
            Some(open) => {
                data.insert(open);
            }
            None => {
                tracing::debug!(address = %peer.ip(), "too many connections; one is closed");
                if let Err(error) = socket.shutdown(Shutdown::Both) {
                    tracing::debug!(%error, "it was closed already");
                }
            }
        }
    }
}

/// The stream below a connection, in the open or under TLS.
fn tcp(connection: &dyn Any) -> Option<&TcpStream> {
    let tls = || connection.downcast_ref::<TlsStream<TcpStream>>().map(|stream| stream.get_ref().0);
    connection.downcast_ref::<TcpStream>().or_else(tls)
}
