//! The server's calls to others, against those who answer wrongly, endlessly or not at all.
//!
//! Promises: time stands where a deadline is waited for, so that none is waited for in truth.

use crate::receiver::{Receiver, Reply, status};
use pintle_server::limits::{OUTGOING_CONNECT, OUTGOING_DEADLINE};
use pintle_server::outgoing::reach::{Reach, Target};
use pintle_server::outgoing::{Letter, Outgoing, OutgoingError};
use rcgen::{CertifiedKey, generate_simple_self_signed};
use rustls::pki_types::PrivateKeyDer;
use rustls::{ClientConfig, RootCertStore, ServerConfig, ServerConnection, StreamOwned};
use std::io::{Read as _, Write as _};
use std::sync::Arc;
use tokio::net::TcpListener;

fn letter() -> Letter {
    let headers = vec![("x-any", "of ours".to_owned())];
    Letter { media: "text/plain", headers, body: b"hello".to_vec() }
}

async fn call(url: &str) -> Result<u16, OutgoingError> {
    let target = Target::read(url, Reach::Inside).expect("a URL");
    Outgoing::trusting_none().post(&target, &letter()).await.map(|status| status.as_u16())
}

async fn answered(reply: &[u8]) -> (Result<u16, OutgoingError>, Receiver) {
    let receiver = Receiver::new(vec![Reply::Bytes(reply.to_vec())]).await;
    (call(&receiver.url()).await, receiver)
}

#[actix_web::test]
async fn a_letter_arrives_as_it_is_and_its_status_comes_back() {
    let (answer, receiver) = answered(b"HTTP/1.1 202 Taken\r\ncontent-length: 6\r\n\r\nthanks").await;
    assert_eq!(answer.expect("an answer"), 202);
    let [got] = receiver.got().try_into().expect("one request");
    assert_eq!((got.line.as_str(), got.body.as_slice()), ("POST /hook?of=bills HTTP/1.1", &b"hello"[..]));
    let mut names: Vec<_> = got.headers.keys().map(String::as_str).collect();
    names.sort_unstable();
    assert_eq!(names, ["connection", "content-length", "content-type", "date", "host", "user-agent", "x-any"]);
    assert_eq!(got.headers["x-any"], "of ours");
    assert_eq!(got.headers["host"], format!("127.0.0.1:{}", receiver.port));
}

#[actix_web::test]
async fn a_redirect_is_an_answer_and_is_not_followed() {
    let inward = Receiver::new(vec![status(200)]).await;
    let reply = format!("HTTP/1.1 307 Elsewhere\r\nlocation: {}\r\ncontent-length: 0\r\n\r\n", inward.url());
    let (answer, receiver) = answered(reply.as_bytes()).await;
    assert_eq!(answer.expect("an answer"), 307);
    assert_eq!((receiver.got().len(), inward.got().len()), (1, 0));
}

#[actix_web::test]
async fn the_body_of_an_answer_is_not_read() {
    for length in ["content-length: 1000000000", "connection: close"] {
        let head = format!("HTTP/1.1 200 OK\r\n{length}\r\n\r\n");
        let receiver = Receiver::new(vec![Reply::Flood(head.into_bytes())]).await;
        assert_eq!(call(&receiver.url()).await.expect("an answer"), 200);
    }
    let bomb = b"HTTP/1.1 200 OK\r\ncontent-encoding: gzip\r\ncontent-length: 4\r\n\r\n\x1f\x8b\x08\x00";
    assert_eq!(answered(bomb).await.0.expect("an answer"), 200);
}

#[actix_web::test]
async fn what_is_no_http_is_told() {
    for reply in [&b"220 mail.example.org\r\n"[..], b"", b"HTTP/1.1 200 OK\r\ncontent-len"] {
        let error = answered(reply).await.0.expect_err("no answer");
        assert!(matches!(error, OutgoingError::Broken(_)), "{error}");
    }
    let free = TcpListener::bind("127.0.0.1:0").await.expect("a port").local_addr().expect("an address").port();
    let error = call(&format!("http://127.0.0.1:{free}/")).await.expect_err("nobody listens");
    assert!(matches!(error, OutgoingError::Connect(..)), "{error}");
    let error = call("https://nobody.invalid/").await.expect_err("a name that never is (RFC 6761)");
    assert!(matches!(error, OutgoingError::Unknown(..)), "{error}");
}

#[actix_web::test]
async fn who_never_answers_is_not_waited_for() {
    assert!(OUTGOING_CONNECT < OUTGOING_DEADLINE);
    let receiver = Receiver::new(vec![Reply::Nothing]).await;
    let url = receiver.url();
    let called = actix_web::rt::spawn(async move { call(&url).await });
    while receiver.got().is_empty() {
        tokio::task::yield_now().await;
    }
    tokio::time::pause();
    let error = called.await.expect("it ends").expect_err("no answer");
    assert!(matches!(error, OutgoingError::Late(10)), "{error}");
}

#[actix_web::test]
async fn inside_is_reached_only_where_that_was_allowed() {
    let receiver = Receiver::new(vec![status(200)]).await;
    for host in ["localhost", "127.0.0.1", "[::1]", "0x7f000001", "2130706433", "127.1"] {
        let url = format!("https://{host}:{}/", receiver.port);
        let target = Target::read(&url, Reach::Public).expect("a URL");
        match Outgoing::trusting_none().post(&target, &letter()).await.expect_err(host) {
            OutgoingError::NotAllowed(_, address) => assert!(address.is_loopback(), "{host}: {address}"),
            // Not every resolver reads numbers in such forms.
            error => assert!(matches!(error, OutgoingError::Unknown(..)), "{host}: {error}"),
        }
    }
    let target = Target::read("https://169.254.169.254/latest/meta-data", Reach::Inside).expect("a URL");
    let error = Outgoing::trusting_none().post(&target, &letter()).await.expect_err("never");
    assert!(matches!(error, OutgoingError::NotAllowed(..)), "{error}");
    assert_eq!(receiver.got(), []);
}

/// A listener under TLS that answers one request; gives its port and what must be trusted to reach it.
fn under_tls(names: &[&str]) -> (u16, RootCertStore) {
    let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
    let CertifiedKey { cert, signing_key } = generate_simple_self_signed(names).expect("a certificate");
    let mut roots = RootCertStore::empty();
    roots.add(cert.der().clone()).expect("a root");
    let key = PrivateKeyDer::try_from(signing_key.serialize_der()).expect("a key");
    let config = ServerConfig::builder().with_no_client_auth().with_single_cert(vec![cert.der().clone()], key);
    let config = Arc::new(config.expect("a configuration"));
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("an address").port();
    // Ends with the test's process.
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let connection = ServerConnection::new(config.clone()).expect("a connection");
            let mut stream = StreamOwned::new(connection, stream);
            let mut bytes = [0; 4096];
            if stream.read(&mut bytes).is_ok() {
                let _sent = stream.write_all(b"HTTP/1.1 204 No Content\r\n\r\n").and_then(|()| stream.flush());
                stream.conn.send_close_notify();
                let _ended = stream.flush();
            }
        }
    });
    (port, roots)
}

#[actix_web::test]
async fn under_tls_only_who_is_trusted_by_that_name_is_reached() {
    let (port, roots) = under_tls(&["localhost"]);
    let trusting = Outgoing::trusting(ClientConfig::builder().with_root_certificates(roots).with_no_client_auth());
    let target = |host: &str| Target::read(&format!("https://{host}:{port}/"), Reach::Inside).expect("a URL");
    let answer = trusting.post(&target("localhost"), &letter()).await.expect("an answer");
    assert_eq!(answer.as_u16(), 204);
    // The same listener under another name, and to one who trusts nobody.
    for (caller, host) in [(&trusting, "127.0.0.1"), (&Outgoing::trusting_none(), "localhost")] {
        let error = caller.post(&target(host), &letter()).await.expect_err(host);
        assert!(matches!(error, OutgoingError::Connect(..)), "{host}: {error}");
    }
}
