//! TLS with real programs: a server with a certificate of a root of its own, and a device that trusts that root alone.
//!
//! Promises: certificates are made for the test and thrown away; that another certificate is in use is read from the
//! server's log, never waited for by the clock.

use crate::whole::programs;
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStderr, Command, Stdio};

/// Writes a root, and a certificate from it for 127.0.0.1 with its key.
fn make(folder: &Path, root: &str, subject: &str) {
    let mut params = CertificateParams::new(Vec::new()).expect("no names");
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let issuer = CertifiedIssuer::self_signed(params, KeyPair::generate().expect("a key")).expect("a root");
    let key = KeyPair::generate().expect("a key");
    let leaf = CertificateParams::new(["127.0.0.1".to_owned()]).expect("an address");
    let certificate = leaf.signed_by(&key, &issuer).expect("a certificate");
    let write = |name: &str, text: String| std::fs::write(folder.join(name), text).expect("written");
    write(root, issuer.pem());
    write(&format!("{subject}.pem"), certificate.pem());
    write(&format!("{subject}.key"), key.serialize_pem());
}

struct Server {
    child: Child,
    log: BufReader<ChildStderr>,
    url: String,
    code: String,
}

impl Drop for Server {
    fn drop(&mut self) {
        // A test that failed half way leaves no server behind.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Server {
    fn start(folder: &Path) -> Self {
        let mut child = Command::new(programs().join("pintle-server"))
            .current_dir(folder)
            .env_clear()
            .args(["--listen", "127.0.0.1:0", "--tls-cert", "server.pem", "--tls-key", "server.key"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let log = BufReader::new(child.stderr.take().expect("piped"));
        let lines = BufReader::new(child.stdout.take().expect("piped")).lines();
        let mut server = Self { child, log, url: String::new(), code: String::new() };
        for line in lines.map_while(Result::ok) {
            if line.contains("pintle enrol https://127.0.0.1:") {
                line.split_whitespace().last().expect("a code").clone_into(&mut server.code);
            }
            if let Some(url) = line.strip_prefix("listening on ") {
                url.clone_into(&mut server.url);
                return server;
            }
        }
        panic!("it did not come up: {}", server.log.by_ref().lines().map_while(Result::ok).collect::<String>());
    }

    /// Tells it to look at its files again, and reads its log up to what it says of them.
    fn hang_up(&mut self) -> String {
        let pid = self.child.id().to_string();
        assert!(Command::new("kill").args(["-HUP", &pid]).status().expect("kill runs").success());
        loop {
            let mut line = String::new();
            assert_ne!(self.log.read_line(&mut line).expect("a line"), 0, "it ended");
            if line.contains("certificate") {
                return line;
            }
        }
    }
}

struct Device {
    home: PathBuf,
}

impl Device {
    /// Exit code and all that was said.
    fn run(&self, root: Option<&Path>, arguments: &[&str]) -> (Option<i32>, String) {
        let mut command = Command::new(programs().join("pintle"));
        command.env_clear().env("PINTLE_HOME", &self.home).args(arguments);
        if let Some(root) = root {
            command.env("PINTLE_CA_FILE", root);
        }
        let output = command.output().expect("it runs");
        let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
        (output.status.code(), said)
    }

    fn must(&self, root: &Path, arguments: &[&str]) -> String {
        let (exit, said) = self.run(Some(root), arguments);
        assert_eq!(exit, Some(0), "{arguments:?}: {said}");
        said
    }
}

#[test]
fn a_device_syncs_over_tls_with_the_root_it_was_given_and_no_other() {
    let folder = tempfile::tempdir().expect("a folder");
    make(folder.path(), "root.pem", "server");
    make(folder.path(), "other.pem", "unused");
    let (root, other) = (folder.path().join("root.pem"), folder.path().join("other.pem"));
    let mut server = Server::start(folder.path());
    let device = Device { home: folder.path().join("home") };
    device.must(&root, &["setup", "--name", "Ines", "--mark", "K7"]);
    device.must(&root, &["machine", "add", "EX3"]);
    device.must(&root, &["enrol", &server.url, &server.code]);
    assert!(device.must(&root, &["sync"]).contains("1 sent"));

    // A root the device does not know is somebody in between: nothing is sent, and nothing is lost.
    device.must(&root, &["note", "EX3", "left mirror loose"]);
    for unknown in [Some(other.as_path()), None] {
        let (exit, said) = device.run(unknown, &["sync"]);
        assert_eq!(exit, Some(75), "{said}");
        assert!(said.contains("certificate is not trusted; 1 entry waits here"), "{said}");
        assert!(said.contains("PINTLE_CA_FILE=FILE.pem"), "{said}");
    }
    let plain = server.url.replace("https://", "http://");
    let answer = ureq::get(format!("{plain}/healthz")).call();
    assert!(answer.is_err(), "nothing is said in the open: {answer:?}");

    // The certificate is renewed, from another root, without a restart. Half a renewal changes nothing.
    make(folder.path(), "new-root.pem", "new");
    let new_root = folder.path().join("new-root.pem");
    std::fs::copy(folder.path().join("new.pem"), folder.path().join("server.pem")).expect("copied");
    let told = server.hang_up();
    assert!(told.contains("the key in server.key is not that of the certificate in server.pem"), "{told}");
    assert!(device.must(&root, &["sync"]).contains("1 sent"));
    std::fs::copy(folder.path().join("new.key"), folder.path().join("server.key")).expect("copied");
    assert!(server.hang_up().contains("another certificate is in use"));
    device.must(&new_root, &["sync"]);
    assert_eq!(device.run(Some(&root), &["sync"]).0, Some(75));
}

#[test]
fn a_browser_is_told_to_come_over_tls_only() {
    use ureq::tls::{Certificate, RootCerts, TlsConfig};
    let folder = tempfile::tempdir().expect("a folder");
    make(folder.path(), "root.pem", "server");
    let server = Server::start(folder.path());
    let pem = std::fs::read(folder.path().join("root.pem")).expect("a root");
    let roots = RootCerts::new_with_certs(&[Certificate::from_pem(&pem).expect("a certificate")]);
    let provider = std::sync::Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let tls = TlsConfig::builder().root_certs(roots).unversioned_rustls_crypto_provider(provider).build();
    let agent = ureq::Agent::config_builder().tls_config(tls).http_status_as_error(false).build().new_agent();
    for path in ["/healthz", "/docs/", "/v1/me", "/nothing"] {
        let answer = agent.get(format!("{}{path}", server.url)).call().expect("an answer");
        let header = answer.headers().get("strict-transport-security").map(|value| value.as_bytes());
        assert_eq!(header, Some(&b"max-age=31536000"[..]), "{path}");
    }
}

#[test]
fn a_certificate_that_cannot_be_used_is_told_at_the_start() {
    let folder = tempfile::tempdir().expect("a folder");
    make(folder.path(), "root.pem", "server");
    make(folder.path(), "root.pem", "other");
    let start = |arguments: &[&str]| {
        let mut command = Command::new(programs().join("pintle-server"));
        command.current_dir(folder.path()).env_clear().args(["--listen", "127.0.0.1:0"]).args(arguments);
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
        let mut said = String::new();
        child.stderr.take().expect("piped").read_to_string(&mut said).expect("its last words");
        (child.wait().expect("it ends").code(), said.lines().last().unwrap_or_default().to_owned())
    };
    assert_eq!(
        start(&["--tls-cert", "server.pem", "--tls-key", "other.key"]),
        (Some(1), "pintle-server: the key in other.key is not that of the certificate in server.pem".to_owned())
    );
    let (exit, said) = start(&["--tls-cert", "nowhere.pem", "--tls-key", "other.key"]);
    assert_eq!(exit, Some(1));
    assert!(said.starts_with("pintle-server: cannot read nowhere.pem: "), "{said}");
    assert_eq!(start(&["--tls-cert", "server.pem"]).0, Some(2), "a certificate without its key");
}
