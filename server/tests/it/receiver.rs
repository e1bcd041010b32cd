//! Somebody whom the server calls: a listener that keeps what it gets and answers what it was told to.
//!
//! Promises: it reads each request whole, head and body; what it answers are the very bytes of the test, however wrong.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};

/// Zeros sent at once where an answer has no end.
static FLOOD: [u8; 64 * 1024] = [0; 64 * 1024];

/// What it answers.
#[derive(Debug, Clone)]
pub enum Reply {
    /// These bytes, then the end.
    Bytes(Vec<u8>),
    /// These bytes, then zeros without end.
    Flood(Vec<u8>),
    /// Nothing, and it holds the connection.
    Nothing,
}

/// A request it got.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Got {
    pub line: String,
    pub headers: BTreeMap<String, String>,
    pub body: Vec<u8>,
}

/// The listener.
pub struct Receiver {
    pub port: u16,
    got: Arc<Mutex<Vec<Got>>>,
}

/// An answer with a status and no body.
pub fn status(code: u16) -> Reply {
    Reply::Bytes(format!("HTTP/1.1 {code} any\r\ncontent-length: 0\r\n\r\n").into_bytes())
}

impl Receiver {
    /// Answers each request with the next reply, the last one again and again.
    pub async fn new(replies: Vec<Reply>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let port = listener.local_addr().expect("an address").port();
        let got = Arc::new(Mutex::new(Vec::new()));
        let kept = got.clone();
        actix_web::rt::spawn(async move {
            let mut replies = replies.into_iter();
            let mut next = replies.next().expect("a reply");
            while let Ok((mut stream, _)) = listener.accept().await {
                if let Some(request) = read(&mut stream).await {
                    kept.lock().expect("whole").push(request);
                }
                let reply = next.clone();
                next = replies.next().unwrap_or(next);
                actix_web::rt::spawn(answer(stream, reply));
            }
        });
        Self { port, got }
    }

    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}/hook?of=bills", self.port)
    }

    /// What it got so far.
    pub fn got(&self) -> Vec<Got> {
        self.got.lock().expect("whole").clone()
    }
}

async fn answer(mut stream: TcpStream, reply: Reply) {
    // Who asked may have gone: that is its right.
    match reply {
        Reply::Bytes(bytes) => {
            let _sent = stream.write_all(&bytes).await;
            let _ended = stream.shutdown().await;
        }
        Reply::Flood(bytes) => {
            let _sent = stream.write_all(&bytes).await;
            while stream.write_all(&FLOOD).await.is_ok() {}
        }
        Reply::Nothing => std::future::pending().await,
    }
}

async fn read(stream: &mut TcpStream) -> Option<Got> {
    let mut bytes = Vec::new();
    let (head, body) = loop {
        if let Some(end) = bytes.windows(4).position(|four| four == b"\r\n\r\n") {
            break (String::from_utf8(bytes[..end].to_vec()).expect("an ASCII head"), bytes.split_off(end + 4));
        }
        if stream.read_buf(&mut bytes).await.ok()? == 0 {
            return None;
        }
    };
    let mut lines = head.split("\r\n").map(str::to_owned);
    let line = lines.next()?;
    let headers: BTreeMap<String, String> = lines
        .filter_map(|line| line.split_once(": ").map(|(name, value)| (name.to_lowercase(), value.to_owned())))
        .collect();
    let length: usize = headers.get("content-length").map_or(0, |length| length.parse().expect("a length"));
    let mut body = body;
    while body.len() < length {
        if stream.read_buf(&mut body).await.ok()? == 0 {
            return None;
        }
    }
    Some(Got { line, headers, body })
}
