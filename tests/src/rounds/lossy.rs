//! A network of our own between real programs: it loses, cuts, delays, doubles and brings again what is long over.
//!
//! Promises: listens on a free port of 127.0.0.1 and passes connections on to the servers it is told of, one after the
//! other; a server that is gone is passed over. What it does to a connection is drawn from a seed. It never makes up a
//! byte.

use super::dice::Dice;
use std::io::{Read as _, Result, Write as _};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// Bytes passed on at once.
const CHUNK_BYTES: usize = 4 * 1024;
/// A cut comes after so many bytes at most: within the head or the first part of a body.
const CUT_BYTES_MAX: u64 = 900;
/// Longest delay of one chunk.
const DELAY_MS_MAX: u64 = 25;
/// Requests that are kept to be brought again.
const OLD_MAX: usize = 40;
/// How long an answer that nobody waits for is read.
const DRAIN: Duration = Duration::from_secs(2);

/// How often each thing happens, in a thousandth of the connections.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Mix {
    /// Closed before anything was passed on.
    pub lost: u64,
    /// Closed in the middle of the request.
    pub request_cut: u64,
    /// Passed on whole, and closed before the answer.
    pub reply_lost: u64,
    /// Closed in the middle of the answer.
    pub reply_cut: u64,
    /// Passed on twice at the same time.
    pub doubled: u64,
    /// An older request comes again before it.
    pub replayed: u64,
    /// Slow in both directions.
    pub slow: u64,
}

impl Mix {
    /// A valley with one bar.
    pub const BAD: Self =
        Self { lost: 60, request_cut: 70, reply_lost: 90, reply_cut: 70, doubled: 80, replayed: 80, slow: 100 };
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fate {
    Lost,
    RequestCut(u64),
    ReplyCut(u64),
    Doubled,
    Replayed,
    Slow,
    Passed,
}

/// What has been done so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Done {
    /// Connections.
    pub connections: u64,
    /// Of them hurt in one way or another.
    pub hurt: u64,
}

struct State {
    servers: Vec<SocketAddr>,
    next: usize,
    mix: Mix,
    dice: Dice,
    old: Vec<Vec<u8>>,
    done: Done,
}

/// The network.
pub struct Lossy {
    /// Where it listens.
    pub address: SocketAddr,
    state: Arc<Mutex<State>>,
    over: Arc<AtomicBool>,
    accepting: Option<JoinHandle<()>>,
}

fn held(state: &Mutex<State>) -> MutexGuard<'_, State> {
    // Whatever a thread left in it can be gone on with.
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Lossy {
    /// Begins to listen.
    ///
    /// # Errors
    /// If no port can be had.
    pub fn start(seed: u64, mix: Mix) -> Result<Self> {
        let listener = TcpListener::bind("127.0.0.1:0")?;
        let address = listener.local_addr()?;
        let (servers, old, done) = (Vec::new(), Vec::new(), Done::default());
        let state = Arc::new(Mutex::new(State { servers, next: 0, mix, dice: Dice::new(seed), old, done }));
        let over = Arc::new(AtomicBool::new(false));
        let (shared, ended) = (state.clone(), over.clone());
        let accepting = std::thread::spawn(move || {
            for client in listener.incoming() {
                if ended.load(Ordering::SeqCst) {
                    return;
                }
                let shared = shared.clone();
                // A connection that cannot be served is a lost one.
                std::thread::spawn(move || client.and_then(|client| pass(&shared, client)));
            }
        });
        Ok(Self { address, state, over, accepting: Some(accepting) })
    }

    /// The servers behind it from now on.
    pub fn behind(&self, servers: Vec<SocketAddr>) {
        held(&self.state).servers = servers;
    }

    /// What it does from now on.
    pub fn becomes(&self, mix: Mix) {
        held(&self.state).mix = mix;
    }

    /// What it has done.
    #[must_use]
    pub fn done(&self) -> Done {
        held(&self.state).done
    }
}

impl Drop for Lossy {
    fn drop(&mut self) {
        self.over.store(true, Ordering::SeqCst);
        // Wakes the one that waits for connections; if it cannot be reached it has ended.
        let _ = TcpStream::connect(self.address);
        if let Some(accepting) = self.accepting.take() {
            let _ = accepting.join();
        }
    }
}

fn fate(state: &mut State) -> Fate {
    state.done.connections += 1;
    let Mix { lost, request_cut, reply_lost, reply_cut, doubled, replayed, slow } = state.mix;
    let cut = 1 + state.dice.below(CUT_BYTES_MAX);
    let all = [
        (lost, Fate::Lost),
        (request_cut, Fate::RequestCut(cut)),
        (reply_lost, Fate::ReplyCut(0)),
        (reply_cut, Fate::ReplyCut(cut)),
        (doubled, Fate::Doubled),
        (replayed, Fate::Replayed),
        (slow, Fate::Slow),
    ];
    let mut drawn = state.dice.below(1000);
    for (share, fate) in all {
        if drawn < share {
            state.done.hurt += 1;
            return fate;
        }
        drawn -= share;
    }
    Fate::Passed
}

/// The next server that takes a connection.
fn server(state: &Mutex<State>) -> Result<TcpStream> {
    let (servers, first) = {
        let mut state = held(state);
        state.next = state.next.wrapping_add(1);
        (state.servers.clone(), state.next)
    };
    let mut last = Err(std::io::ErrorKind::ConnectionRefused.into());
    for turn in 0..servers.len() {
        last = TcpStream::connect(servers[first.wrapping_add(turn) % servers.len()]);
        if last.is_ok() {
            break;
        }
    }
    last
}

fn pass(state: &Arc<Mutex<State>>, client: TcpStream) -> Result<()> {
    let fate = fate(&mut held(state));
    if fate == Fate::Lost {
        return client.shutdown(Shutdown::Both);
    }
    if fate == Fate::Replayed {
        let old = {
            let mut state = held(state);
            let count = state.old.len() as u64;
            let which = usize::try_from(state.dice.below(count)).unwrap_or(0);
            state.old.get(which).cloned()
        };
        if let Some(old) = old {
            bring(server(state)?, &old)?;
        }
    }
    let upstream = server(state)?;
    let second = if fate == Fate::Doubled { Some(server(state)?) } else { None };
    let drained =
        second.as_ref().map(TcpStream::try_clone).transpose()?.map(|second| std::thread::spawn(|| drain(second)));
    let up = Pipe {
        from: client.try_clone()?,
        to: upstream.try_clone()?,
        also: second,
        cut: if let Fate::RequestCut(bytes) = fate { Some(bytes) } else { None },
        delays: (fate == Fate::Slow).then(|| Dice::new(held(state).dice.next())),
        record: true,
    };
    let down = Pipe {
        from: upstream,
        to: client,
        also: None,
        cut: if let Fate::ReplyCut(bytes) = fate { Some(bytes) } else { None },
        delays: (fate == Fate::Slow).then(|| Dice::new(held(state).dice.next())),
        record: false,
    };
    let up = std::thread::spawn(move || up.run());
    // Either side may end at any moment: that is the end of the connection and no failure.
    let _ = down.run();
    if let Ok(Ok(recorded)) = up.join() {
        let mut state = held(state);
        if state.old.len() >= OLD_MAX {
            state.old.remove(0);
        }
        state.old.push(recorded);
    }
    drained.map(JoinHandle::join);
    Ok(())
}

/// One direction of a connection.
struct Pipe {
    from: TcpStream,
    to: TcpStream,
    also: Option<TcpStream>,
    cut: Option<u64>,
    delays: Option<Dice>,
    record: bool,
}

impl Pipe {
    /// Passes on until an end or the cut; gives what was passed on.
    fn run(mut self) -> Result<Vec<u8>> {
        let mut recorded = Vec::new();
        let mut chunk = vec![0; CHUNK_BYTES];
        loop {
            let read = self.from.read(&mut chunk).unwrap_or(0);
            if read == 0 {
                break;
            }
            if let Some(dice) = &mut self.delays {
                std::thread::park_timeout(Duration::from_millis(dice.below(DELAY_MS_MAX)));
            }
            let left = self.cut.map_or(read, |cut| usize::try_from(cut).unwrap_or(read).min(read));
            if self.to.write_all(&chunk[..left]).is_err() {
                break;
            }
            if let Some(also) = &mut self.also {
                // What the second copy comes to is nobody's concern.
                let _ = also.write_all(&chunk[..left]);
            }
            if self.record {
                recorded.extend_from_slice(&chunk[..left]);
            }
            self.cut = self.cut.map(|cut| cut - left as u64);
            if self.cut == Some(0) {
                for side in [&self.from, &self.to] {
                    // It may have been closed by its own end.
                    let _ = side.shutdown(Shutdown::Both);
                }
                return Ok(recorded);
            }
        }
        for side in [Some(&self.to), self.also.as_ref()].into_iter().flatten() {
            let _ = side.shutdown(Shutdown::Write);
        }
        Ok(recorded)
    }
}

/// Sends old bytes and waits for the end of the answer, which nobody gets.
fn bring(mut server: TcpStream, bytes: &[u8]) -> Result<()> {
    server.write_all(bytes)?;
    server.shutdown(Shutdown::Write)?;
    drain(server)
}

fn drain(mut from: TcpStream) -> Result<()> {
    from.set_read_timeout(Some(DRAIN))?;
    let mut chunk = vec![0; CHUNK_BYTES];
    while from.read(&mut chunk).unwrap_or(0) > 0 {}
    Ok(())
}
