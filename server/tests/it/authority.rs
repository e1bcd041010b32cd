//! A time-stamping authority of the tests: OpenSSL signs, a listener passes requests on to it.
//!
//! Promises: its keys are made anew for each test and thrown away; it answers each request with a stamp of now.
//! Never an authority that anybody should believe: it signs whatever it is asked to.

use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;

const EXTENSIONS: &str = "\
[ca]\nbasicConstraints = critical, CA:TRUE\nkeyUsage = critical, keyCertSign\n\
[stamping]\nkeyUsage = critical, digitalSignature\nextendedKeyUsage = critical, timeStamping\n";

/// The authority. Its thread ends with the test's process.
pub struct Authority {
    folder: tempfile::TempDir,
    pub port: u16,
}

fn openssl(folder: &Path, words: &str) {
    let done = Command::new("openssl").args(words.split(' ')).current_dir(folder).output().expect("openssl runs");
    assert!(done.status.success(), "openssl {words}: {}", String::from_utf8_lossy(&done.stderr));
}

impl Authority {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let at = folder.path();
        std::fs::write(at.join("extensions"), EXTENSIONS).expect("written");
        for (name, signs) in
            [("root", "-signkey root.key"), ("stamper", "-CA root.pem -CAkey root.key -CAcreateserial")]
        {
            let extensions = if name == "root" { "ca" } else { "stamping" };
            openssl(at, &format!("genpkey -quiet -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out {name}.key"));
            openssl(at, &format!("req -new -key {name}.key -subj /O=Hill/CN={name} -out {name}.csr"));
            openssl(
                at,
                &format!(
                    "x509 -req -in {name}.csr {signs} -days 3650 -extfile extensions -extensions {extensions} -out {name}.pem"
                ),
            );
        }
        let settings = "[tsa]\ndefault_tsa = here\n[here]\nserial = serial\nsigner_cert = stamper.pem\nsigner_key = stamper.key\n\
                        signer_digest = sha256\ndefault_policy = 1.3.6.1.4.1.99999.1\ndigests = sha256\n\
                        ess_cert_id_alg = sha256\nordering = no\n";
        std::fs::write(at.join("settings"), settings).expect("written");
        std::fs::write(at.join("serial"), "01").expect("written");
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = listener.local_addr().expect("an address").port();
        let place = at.to_owned();
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                // Who asked may have gone.
                let _served = served(stream, &place);
            }
        });
        Self { folder, port }
    }

    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}/stamp", self.port)
    }

    /// The certificate that is to be believed, as PEM.
    pub fn pem(&self) -> Vec<u8> {
        std::fs::read(self.folder.path().join("root.pem")).expect("it was made")
    }
}

/// The answer to a request, as OpenSSL makes it.
fn answer(place: &Path, request: &[u8]) -> Vec<u8> {
    std::fs::write(place.join("request"), request).expect("written");
    openssl(place, "ts -reply -config settings -section here -queryfile request -out answer");
    std::fs::read(place.join("answer")).expect("it was made")
}

fn served(mut stream: TcpStream, place: &Path) -> std::io::Result<()> {
    let mut bytes = Vec::new();
    let mut chunk = [0; 4096];
    let body = loop {
        let read = stream.read(&mut chunk)?;
        bytes.extend_from_slice(&chunk[..read]);
        let Some(end) = bytes.windows(4).position(|four| four == b"\r\n\r\n") else { continue };
        let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
        assert!(head.contains("content-type: application/timestamp-query"), "{head}");
        let length = head.lines().find_map(|line| line.strip_prefix("content-length: ")).expect("a length");
        if bytes.len() >= end + 4 + length.parse::<usize>().expect("a number") {
            break bytes.split_off(end + 4);
        }
    };
    let answer = answer(place, &body);
    let length = answer.len();
    let head =
        format!("HTTP/1.1 200 OK\r\ncontent-type: application/timestamp-reply\r\ncontent-length: {length}\r\n\r\n");
    stream.write_all(head.as_bytes())?;
    stream.write_all(&answer)
}
