//! A line between a device and a server, on which everything is counted.
//!
//! Promises: each byte goes through as it came, in both directions; what was counted is all that went through until
//! [`Line::counted`] is asked. Never holds anything back.

use pintle_bench::measure::Outcome;
use std::io::{Read as _, Write as _};
use std::net::{Ipv4Addr, Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;

/// Bytes read at once.
const CHUNK_BYTES: usize = 64 * 1024;

/// What has gone over a line.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counted {
    /// Bytes from the device.
    pub up: u64,
    /// Bytes to the device.
    pub down: u64,
    /// Connections.
    pub connections: u64,
}

#[derive(Default)]
struct Counters {
    up: AtomicU64,
    down: AtomicU64,
    connections: AtomicU64,
}

/// The line. Its threads end with the program.
pub struct Line {
    port: u16,
    counters: Arc<Counters>,
}

impl Line {
    /// Listens on a free port and passes everything on to another one.
    ///
    /// # Errors
    /// If there is no port.
    pub fn to(port: u16) -> Outcome<Self> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
        let line = Self { port: listener.local_addr()?.port(), counters: Arc::default() };
        let counters = line.counters.clone();
        thread::spawn(move || {
            for device in listener.incoming().map_while(Result::ok) {
                let Ok(server) = TcpStream::connect((Ipv4Addr::LOCALHOST, port)) else { return };
                counters.connections.fetch_add(1, Ordering::SeqCst);
                let ends = (device.try_clone(), server.try_clone());
                let (Ok(device_too), Ok(server_too)) = ends else { return };
                let (up, down) = (counters.clone(), counters.clone());
                thread::spawn(move || pass(device, server, &up.up));
                thread::spawn(move || pass(server_too, device_too, &down.down));
            }
        });
        Ok(line)
    }

    /// Where it listens.
    #[must_use]
    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// What has gone through so far.
    #[must_use]
    pub fn counted(&self) -> Counted {
        let read = |counter: &AtomicU64| counter.load(Ordering::SeqCst);
        let Counters { up, down, connections } = &*self.counters;
        Counted { up: read(up), down: read(down), connections: read(connections) }
    }
}

fn pass(mut from: TcpStream, mut to: TcpStream, counter: &AtomicU64) {
    let mut chunk = vec![0; CHUNK_BYTES];
    while let Ok(read) = from.read(&mut chunk) {
        counter.fetch_add(read as u64, Ordering::SeqCst);
        if read == 0 || to.write_all(&chunk[..read]).is_err() {
            break;
        }
    }
    // The other side may be gone already.
    let _ = to.shutdown(Shutdown::Write);
}
