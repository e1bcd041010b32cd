//! Server processes, started and killed.
//!
//! Promises: each listens on a free port of 127.0.0.1; one that is not told of any more is dead.

use super::ledger::Told;
use std::fs::File;
use std::io::{BufRead as _, BufReader};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// A running `pintle-server`.
pub struct Server {
    child: Child,
    /// Where it listens.
    pub address: SocketAddr,
    /// What it printed before it listened.
    pub lines: Vec<String>,
}

/// How to start one.
#[derive(Debug, Clone)]
pub struct Start {
    /// The folder with the programs.
    pub programs: PathBuf,
    /// Where it runs, and its log is.
    pub folder: PathBuf,
    /// The database's address.
    pub database: String,
}

impl Start {
    /// The program, with its database.
    #[must_use]
    pub fn command(&self) -> Command {
        let mut command = Command::new(self.programs.join("pintle-server"));
        command.current_dir(&self.folder).env("PINTLE_DATABASE", &self.database).stdin(Stdio::null());
        command
    }

    /// Starts one and waits until it listens.
    ///
    /// # Errors
    /// If it ends before.
    pub fn start(&self) -> Told<Server> {
        let told = |error: std::io::Error| format!("the server: {error}");
        let log = File::options().create(true).append(true).open(self.folder.join("server.log")).map_err(told)?;
        let mut command = self.command();
        command.args(["--listen", "127.0.0.1:0", "--organisation", "Valley crews"]);
        // Many devices come from one address here.
        command.args(["--rate", "sync.address=100000/10000", "--rate", "sync.device=100000/10000"]);
        let mut child = command.stdout(Stdio::piped()).stderr(log).spawn().map_err(told)?;
        let Some(out) = child.stdout.take() else { return Err("the server has no output".to_owned()) };
        let mut lines = Vec::new();
        for line in BufReader::new(out).lines() {
            let line = line.map_err(told)?;
            if let Some(address) = line.strip_prefix("listening on http://") {
                let address = address.parse().map_err(|error| format!("{address}: {error}"))?;
                return Ok(Server { child, address, lines });
            }
            lines.push(line);
        }
        let status = child.wait().map_err(told)?;
        Err(format!("the server ended at once ({status}): {lines:?}\n{}", self.log_end()))
    }

    /// Runs a command of the operator; gives its exit code and what it said.
    ///
    /// # Errors
    /// If it cannot be started.
    pub fn operator(&self, arguments: &[&str]) -> Told<(i32, String)> {
        let output = self.command().args(arguments).output().map_err(|error| error.to_string())?;
        let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
        Ok((output.status.code().unwrap_or(-1), said))
    }

    fn log_end(&self) -> String {
        let log = std::fs::read_to_string(self.folder.join("server.log")).unwrap_or_default();
        log.lines().rev().take(5).collect::<Vec<_>>().join("\n")
    }
}

impl Server {
    /// Whether it still runs.
    pub fn runs(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }

    /// Ends it as `kill -9` does.
    pub fn kill(mut self) {
        end(&mut self.child);
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        end(&mut self.child);
    }
}

/// Ends a process at once, wherever it is, and waits until it is gone.
pub fn end(child: &mut Child) {
    // One that has ended by itself cannot be killed.
    let _ = child.kill();
    let _ = child.wait();
}

/// `pintle` on one device.
#[derive(Debug, Clone)]
pub struct Device {
    /// The folder with the programs.
    pub programs: PathBuf,
    /// The device's folder.
    pub home: PathBuf,
    /// Its mark.
    pub mark: &'static str,
}

/// What a run left.
#[derive(Debug, Clone)]
pub struct Ran {
    /// Its exit code; none if it was killed.
    pub code: Option<i32>,
    /// What it printed.
    pub out: String,
    /// What it said besides.
    pub err: String,
}

impl Device {
    /// A device in a folder.
    #[must_use]
    pub fn new(programs: &Path, folder: &Path, mark: &'static str) -> Self {
        Self { programs: programs.to_owned(), home: folder.join(mark), mark }
    }

    /// The command, not yet started.
    #[must_use]
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(self.programs.join("pintle"));
        command.arg("--home").arg(&self.home).args(arguments).stdin(Stdio::null());
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command.env("COLUMNS", "100").env("USER", self.mark).env("PINTLE_BOOT", "5f3a91c0:8123");
        command.env("PINTLE_CLOCK", "2026-05-04T07:12:33+02:00");
        command
    }

    /// Starts it.
    ///
    /// # Errors
    /// If it cannot be started.
    pub fn start(&self, arguments: &[&str]) -> Told<Child> {
        self.command(arguments).spawn().map_err(|error| format!("pintle: {error}"))
    }

    /// Runs it to its end.
    ///
    /// # Errors
    /// If it cannot be started.
    pub fn run(&self, arguments: &[&str]) -> Told<Ran> {
        ended(self.start(arguments)?)
    }

    /// Runs it and insists that it succeeds; gives what it printed.
    ///
    /// # Errors
    /// If it does not.
    pub fn must(&self, arguments: &[&str]) -> Told<String> {
        let ran = self.run(arguments)?;
        match ran.code {
            Some(0) => Ok(ran.out),
            code => Err(format!("pintle {arguments:?} on {}: {code:?}\n{}{}", self.mark, ran.out, ran.err)),
        }
    }
}

/// What a process left, once it has ended.
///
/// # Errors
/// If its output cannot be read.
pub fn ended(child: Child) -> Told<Ran> {
    let output = child.wait_with_output().map_err(|error| format!("pintle: {error}"))?;
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let Some(code) = output.status.code() else {
        return Ok(Ran { code: None, out: text(&output.stdout), err: text(&output.stderr) });
    };
    let (out, err) = (text(&output.stdout), text(&output.stderr));
    if err.contains("panicked at") { Err(format!("a panic: {err}")) } else { Ok(Ran { code: Some(code), out, err }) }
}
