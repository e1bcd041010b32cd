//! What a caller can do with a socket: slowly, in excess, or not as HTTP wants it.
//!
//! Promises: the server runs in this process on a free port of 127.0.0.1, with deadlines of a few seconds, so that a
//! test waits for what the server does and for nothing else. The HTTP library looks at its clock twice a second: shorter
//! deadlines would be over before they began.

use crate::phone::gzip;
use crate::world::app_in_memory;
use pintle_openapi::ProblemDocument;
use pintle_server::app::gate::RateSetting;
use pintle_server::http::Front;
use pintle_server::http::body::BodyPace;
use pintle_server::serve::{Door, listen};
use std::io::{ErrorKind, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;
use tokio::sync::oneshot;

/// Deadline of heads and of idle connections here.
const SOON: Duration = Duration::from_millis(2_500);
/// Stretch in which some of a body must come.
const WINDOW: Duration = Duration::from_millis(500);

struct Server {
    address: SocketAddr,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

fn door() -> Door {
    let pace = BodyPace { whole: WINDOW * 4, window: WINDOW, window_bytes_min: 100 };
    Door { front: Front { pace, ..Front::default() }, head: SOON, idle: SOON, ..Door::default() }
}

impl Server {
    fn start(door: Door) -> Self {
        let (stop, stopped) = oneshot::channel();
        let (told, address) = std::sync::mpsc::channel();
        let thread = std::thread::spawn(move || {
            actix_web::rt::System::new().block_on(async move {
                let rates: Vec<RateSetting> =
                    ["read.address=1000000/1000000"].iter().map(|text| text.parse().expect("a rate")).collect();
                let app = app_in_memory(&rates).await;
                let listening = listen(app, &door, "127.0.0.1:0".parse().expect("an address")).expect("it listens");
                told.send(listening.addresses[0]).expect("the test waits for it");
                let stop = async move {
                    // A test that has ended, well or not, has dropped its end.
                    let _ = stopped.await;
                };
                listening.until(stop).await.expect("it serves");
            });
        });
        Self { address: address.recv().expect("an address"), stop: Some(stop), thread: Some(thread) }
    }

    fn connect(&self) -> TcpStream {
        TcpStream::connect(self.address).expect("it listens")
    }

    /// What is answered to a text; none if the connection is closed without a word.
    fn ask(&self, text: &[u8]) -> Option<(u16, String)> {
        let mut stream = self.connect();
        // It may answer and close before it has read all of it.
        let _ = stream.write_all(text);
        status(&rest(&mut stream))
    }

    fn is_well(&self) {
        let answer = self.ask(b"GET /readyz HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n");
        assert_eq!(answer.map(|(status, _)| status), Some(200));
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // A panic of the server's thread is that test's failure.
            assert!(thread.join().is_ok() || std::thread::panicking(), "the server failed");
        }
    }
}

/// All that comes until the other side closes.
fn rest(stream: &mut TcpStream) -> Vec<u8> {
    let mut bytes = Vec::new();
    // A connection that is reset has said all it says.
    let _ = stream.read_to_end(&mut bytes);
    bytes
}

/// Status and body of an answer.
fn status(bytes: &[u8]) -> Option<(u16, String)> {
    let text = String::from_utf8_lossy(bytes);
    let (head, body) = text.split_once("\r\n\r\n")?;
    Some((head.split(' ').nth(1)?.parse().ok()?, body.to_owned()))
}

fn code(answer: Option<(u16, String)>) -> (u16, String) {
    let (status, body) = answer.expect("an answer");
    (status, ProblemDocument::read(body.as_bytes()).expect("a problem document").code)
}

/// Sends `piece` again and again, slowly, until the server has had enough; gives what it answered.
fn drip(stream: &mut TcpStream, piece: &[u8]) -> Vec<u8> {
    stream.set_read_timeout(Some(WINDOW / 10)).expect("a timeout");
    let mut answer = Vec::new();
    let mut sent = 0;
    loop {
        assert!(sent < 1_000, "it never had enough");
        sent += 1;
        let closed = stream.write_all(piece).is_err();
        let mut bytes = [0; 4096];
        match stream.read(&mut bytes) {
            Ok(0) => return answer,
            Ok(count) => answer.extend_from_slice(&bytes[..count]),
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) && !closed => {}
            Err(_) => return answer,
        }
    }
}

#[test]
fn a_head_that_does_not_come_is_not_waited_for() {
    let server = Server::start(door());
    for begun in ["", "GET /readyz HTTP/1.1\r\nHost: x\r\n"] {
        let mut stream = server.connect();
        stream.write_all(begun.as_bytes()).expect("taken");
        let answer = status(&rest(&mut stream));
        assert!(answer.is_none() || answer.as_ref().is_some_and(|(status, _)| *status == 408), "{answer:?}");
    }
    let mut stream = server.connect();
    stream.write_all(b"GET /readyz HTTP/1.1\r\nHost: x\r\n").expect("taken");
    let answer = status(&drip(&mut stream, b"X: y\r\n"));
    assert!(answer.is_none() || answer.as_ref().is_some_and(|(status, _)| *status == 408), "{answer:?}");
    server.is_well();
}

#[test]
fn an_idle_connection_is_closed_and_so_is_a_second_head_that_does_not_come() {
    let server = Server::start(door());
    for begun in ["", "GET /rea"] {
        let mut stream = server.connect();
        let whole = format!("GET /readyz HTTP/1.1\r\nHost: x\r\n\r\n{begun}");
        stream.write_all(whole.as_bytes()).expect("taken");
        let answer = rest(&mut stream);
        assert_eq!(status(&answer).map(|(status, _)| status), Some(200), "and then it was closed");
    }
    server.is_well();
}

const POST: &str = "POST /v1/token HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n";

#[test]
fn a_body_that_comes_too_slowly_is_not_waited_for() {
    let server = Server::start(door());
    // It stops half way; it drips below the least rate; it drips above that and for too long.
    let mut stalled = server.connect();
    stalled.write_all(format!("{POST}Content-Length: 100\r\n\r\n{{").as_bytes()).expect("taken");
    assert_eq!(code(status(&rest(&mut stalled))), (408, "request-timeout".to_owned()));
    for piece in [1, 40] {
        let mut stream = server.connect();
        stream.write_all(format!("{POST}Content-Length: 16000\r\n\r\n").as_bytes()).expect("taken");
        let answer = drip(&mut stream, &vec![b' '; piece]);
        assert_eq!(code(status(&answer)), (408, "request-timeout".to_owned()), "{piece} bytes at a time");
    }
    server.is_well();
}

#[test]
fn a_body_beyond_the_limit_is_refused_however_it_is_sent() {
    let server = Server::start(door());
    let declared = format!("{POST}Content-Length: 17000\r\n\r\n");
    assert_eq!(code(server.ask(declared.as_bytes())), (413, "payload-too-large".to_owned()), "before it is sent");
    let chunk = format!("4000\r\n{}\r\n", " ".repeat(0x4000));
    let chunked = format!("{POST}Transfer-Encoding: chunked\r\n\r\n{}0\r\n\r\n", chunk.repeat(3));
    assert_eq!(code(server.ask(chunked.as_bytes())), (413, "payload-too-large".to_owned()));
    server.is_well();
}

#[test]
fn what_could_be_read_in_two_ways_is_not_read_at_all() {
    let server = Server::start(door());
    let refused = |text: String| {
        let answer = server.ask(text.as_bytes());
        assert_eq!(answer.map(|(status, _)| status), Some(400), "{text:.200}");
    };
    refused(format!("{POST}Content-Length: 5\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n0\r\n\r\n"));
    refused(format!("{POST}Content-Length: 2\r\nContent-Length: 3\r\nConnection: close\r\n\r\n{{}}"));
    refused(format!("{POST}Content-Length: +2\r\nConnection: close\r\n\r\n{{}}"));
    refused(format!("{POST}Content-Length: -1\r\nConnection: close\r\n\r\n{{}}"));
    refused(format!("{POST}Transfer-Encoding: gzip, identity\r\nConnection: close\r\n\r\n{{}}"));
    refused("GET /readyz HTTP/1.1\r\nConnection: close\r\n\r\n".to_owned());
    refused("GET /readyz HTTP/1.1\r\nHost: x\r\nHost: y\r\nConnection: close\r\n\r\n".to_owned());
    server.is_well();
}

#[test]
fn a_head_beyond_its_bounds_is_refused() {
    let server = Server::start(door());
    let get = "GET /readyz HTTP/1.1\r\nHost: x\r\nConnection: close\r\n";
    for (what, text) in [
        ("150 headers", format!("{get}{}\r\n", "X: y\r\n".repeat(150))),
        ("a header of 140 kB", format!("{get}X: {}\r\n\r\n", "y".repeat(140_000))),
        ("a line of 140 kB", format!("GET /{} HTTP/1.1\r\nHost: x\r\n\r\n", "x".repeat(140_000))),
    ] {
        let answer = server.ask(text.as_bytes());
        let status = answer.map(|(status, _)| status);
        assert!(status.is_none() || matches!(status, Some(400 | 413 | 414 | 431)), "{what}: {status:?}");
    }
    server.is_well();
}

/// Resident memory of this process, which is the server's too, in bytes.
#[cfg(target_os = "linux")]
fn resident_bytes() -> usize {
    let statm = std::fs::read_to_string("/proc/self/statm").expect("on Linux");
    statm.split(' ').nth(1).and_then(|pages| pages.parse::<usize>().ok()).expect("a number of pages") * 4096
}

#[cfg(target_os = "linux")]
#[test]
fn twenty_bombs_at_once_take_no_memory_to_speak_of() {
    let server = Server::start(door());
    server.is_well();
    let bomb = gzip(&vec![b' '; 150 << 20]);
    let head = format!(
        "POST /v1/sync HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Encoding: gzip\r\n\
         Connection: close\r\nContent-Length: {}\r\n\r\n",
        bomb.len()
    );
    let before = resident_bytes();
    let mut streams: Vec<TcpStream> = (0..20).map(|_| server.connect()).collect();
    for stream in &mut streams {
        stream.write_all(head.as_bytes()).expect("taken");
        stream.write_all(&bomb).expect("taken");
    }
    let mut most = before;
    for stream in &mut streams {
        assert_eq!(code(status(&rest(stream))), (413, "payload-too-large".to_owned()));
        most = most.max(resident_bytes());
    }
    let grown = most.saturating_sub(before);
    assert!(grown < 20 << 20, "it grew by {grown} bytes");
    server.is_well();
}

#[test]
fn one_address_holds_a_bounded_number_of_connections() {
    let server = Server::start(Door { connections_of_address: 3, idle: SOON * 1_000, ..door() });
    let get = b"GET /readyz HTTP/1.1\r\nHost: x\r\n\r\n";
    let answered = |stream: &mut TcpStream| {
        let mut byte = [0];
        stream.write_all(get).is_ok() && matches!(stream.read(&mut byte), Ok(1))
    };
    let mut held: Vec<TcpStream> = (0..3).map(|_| server.connect()).collect();
    assert!(held.iter_mut().all(answered));
    assert!(!answered(&mut server.connect()), "the fourth is closed without a word");
    // One that ends makes room for another, as soon as the server has seen it end.
    held.pop();
    assert!((0..10_000).any(|_| answered(&mut server.connect())));
}
