//! The stage of the demonstration: folders, the server process, and runs of `pintle`.
//!
//! Promises: everything lies under one folder that is made anew at the start; a server left by an earlier run is ended
//! first; a step that fails says which command failed and what it printed. Waits for the server with a bound.

use crate::demo::scenario::Crew;
use serde_json::Value;
use std::fs::{self, File};
use std::io::{Error, Result};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

/// How often the server is asked whether it listens, and how long is waited in between: half a minute in all.
const READY_TRIES_MAX: u32 = 600;
const READY_WAIT: Duration = Duration::from_millis(50);

/// Folders and programs of one run.
pub struct Stage {
    folder: PathBuf,
    programs: PathBuf,
    address: SocketAddr,
    server: Option<Child>,
    database: Option<String>,
    /// How many times `pintle` has been run.
    pub runs: u64,
}

/// What a run of `pintle` left.
pub struct Ran {
    /// Its exit code.
    pub code: i32,
    /// What it printed.
    pub stdout: String,
    /// What it said besides.
    pub stderr: String,
}

/// When and where a command is typed.
#[derive(Debug, Clone)]
pub struct Setting {
    /// The device's wall clock, RFC 3339.
    pub clock: String,
    /// The clock nobody can set: `BOOT:SECONDS`.
    pub boot: String,
}

impl Stage {
    /// A new stage in `folder`, with the programs that lie beside this one.
    ///
    /// # Errors
    /// If the folder cannot be made anew.
    pub fn new(folder: PathBuf, programs: PathBuf) -> Result<Self> {
        end_server(&folder);
        if folder.exists() {
            fs::remove_dir_all(&folder)?;
        }
        fs::create_dir_all(&folder)?;
        // A free port: taken and given back; nobody else on this machine is likely to take it in the next second.
        let address = TcpListener::bind("127.0.0.1:0")?.local_addr()?;
        Ok(Self { folder, programs, address, server: None, database: None, runs: 0 })
    }

    /// The address of the server for people.
    #[must_use]
    pub fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    /// The folder of a device.
    #[must_use]
    pub fn home(&self, crew: Crew) -> PathBuf {
        self.folder.join(crew.mark())
    }

    /// The folder of the demonstration.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// From the next start on the server has its ledger there, and not in a file of the stage.
    pub fn use_database(&mut self, url: &str) {
        self.database = Some(url.to_owned());
    }

    /// The address of the server's database.
    #[must_use]
    pub fn database(&self) -> String {
        let own = || format!("sqlite:{}?mode=rwc", self.folder.join("ledger.db").display());
        self.database.clone().unwrap_or_else(own)
    }

    /// Starts the server and waits until it listens. Gives its process id.
    ///
    /// # Errors
    /// If it does not start or does not listen in time.
    pub fn start_server(&mut self, organisation: &str) -> Result<u32> {
        let log = File::options().create(true).append(true).open(self.folder.join("server.log"))?;
        let listened = self.listened();
        let mut server = Command::new(self.programs.join("pintle-server"))
            .args(["--listen", &self.address.to_string(), "--database", &self.database()])
            .args(["--organisation", organisation])
            .env("PINTLE_CLOCK_FILE", self.clock_file())
            .stdin(Stdio::null())
            .stdout(log.try_clone()?)
            .stderr(log)
            .spawn()?;
        fs::write(self.folder.join("server.pid"), server.id().to_string())?;
        for _ in 0..READY_TRIES_MAX {
            // It takes connections a little before it has said so, and what to type first.
            if self.listened() > listened && TcpStream::connect_timeout(&self.address, READY_WAIT).is_ok() {
                let id = server.id();
                self.server = Some(server);
                return Ok(id);
            }
            if let Some(status) = server.try_wait()? {
                return Err(Error::other(format!("the server ended at once ({status}): {}", self.server_log())));
            }
            std::thread::park_timeout(READY_WAIT);
        }
        Err(Error::other("the server does not listen"))
    }

    /// Ends the server as a power cut would: at once, wherever it is.
    ///
    /// # Errors
    /// If it cannot be ended.
    pub fn kill_server(&mut self) -> Result<()> {
        match self.server.take() {
            Some(mut server) => {
                server.kill()?;
                server.wait().map(|_| ())
            }
            None => Ok(()),
        }
    }

    /// Leaves the server up when the stage is gone.
    pub fn leave_server(&mut self) {
        self.server = None;
    }

    /// What the server takes for its clock while it is there.
    fn clock_file(&self) -> PathBuf {
        std::path::absolute(self.folder.join("server.clock")).unwrap_or_else(|_| self.folder.join("server.clock"))
    }

    /// Sets the server's clock, or gives it back its own.
    ///
    /// # Errors
    /// If the file cannot be written or removed.
    pub fn server_clock(&self, time: Option<&str>) -> Result<()> {
        match time {
            // Renamed into place, so that the server never reads half a time.
            Some(time) => {
                let new = self.folder.join("server.clock.new");
                fs::write(&new, time)?;
                fs::rename(new, self.clock_file())
            }
            None => fs::remove_file(self.clock_file()),
        }
    }

    /// How often a server has said that it listens.
    fn listened(&self) -> usize {
        self.server_log().matches("listening on ").count()
    }

    fn server_log(&self) -> String {
        fs::read_to_string(self.folder.join("server.log")).unwrap_or_default()
    }

    /// Runs a command of the operator on the stage's database.
    ///
    /// # Errors
    /// If it cannot be started.
    pub fn operator(&self, arguments: &[&str]) -> Result<Ran> {
        let mut command = Command::new(self.programs.join("pintle-server"));
        command.args(arguments).args(["--database", &self.database()]).env("PINTLE_CLOCK_FILE", self.clock_file());
        Ok(ran(&command.current_dir(&self.folder).output()?))
    }

    /// The code that the server printed at its first start.
    ///
    /// # Errors
    /// If it printed none.
    pub fn first_code(&self) -> Result<String> {
        code_in(&self.server_log())
    }

    /// Another code, made by the operator of the server.
    ///
    /// # Errors
    /// If the server program refuses.
    pub fn another_code(&self) -> Result<String> {
        let output = Command::new(self.programs.join("pintle-server"))
            .args(["code", "--role", "crew", "--url", &self.url(), "--database", &self.database()])
            .env("PINTLE_CLOCK_FILE", self.clock_file())
            .output()?;
        code_in(&both(&output))
    }

    /// Runs `pintle` on a device.
    ///
    /// # Errors
    /// If it cannot be started.
    pub fn pintle(&mut self, crew: Crew, setting: &Setting, arguments: &[String]) -> Result<Ran> {
        self.runs += 1;
        Ok(ran(&self.command(crew, setting, arguments).output()?))
    }

    /// Starts `pintle` on a device without waiting for it.
    ///
    /// # Errors
    /// If it cannot be started.
    pub fn start_pintle(&mut self, crew: Crew, setting: &Setting, arguments: &[String]) -> Result<Child> {
        self.runs += 1;
        self.command(crew, setting, arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn()
    }

    fn command(&self, crew: Crew, setting: &Setting, arguments: &[String]) -> Command {
        let mut command = Command::new(self.programs.join("pintle"));
        command.arg("--home").arg(self.home(crew)).args(arguments).stdin(Stdio::null());
        command.env("PINTLE_CLOCK", &setting.clock).env("PINTLE_BOOT", &setting.boot).env("COLUMNS", "40");
        command
    }

    /// Runs `pintle` and insists that it succeeds.
    ///
    /// # Errors
    /// With the command and what it printed, if it does not.
    pub fn must(&mut self, crew: Crew, setting: &Setting, arguments: &[&str]) -> Result<Ran> {
        let arguments: Vec<String> = arguments.iter().map(|a| (*a).to_owned()).collect();
        let ran = self.pintle(crew, setting, &arguments)?;
        if ran.code != 0 {
            let text = format!("`pintle {}` on {}: {}{}", arguments.join(" "), crew.mark(), ran.stdout, ran.stderr);
            return Err(Error::other(text));
        }
        Ok(ran)
    }

    /// Runs `pintle … --json` and reads the answer.
    ///
    /// # Errors
    /// If it fails or does not print JSON.
    pub fn json(&mut self, crew: Crew, setting: &Setting, arguments: &[&str]) -> Result<(Value, String)> {
        let mut all = arguments.to_vec();
        all.push("--json");
        let ran = self.must(crew, setting, &all)?;
        let value =
            serde_json::from_str(&ran.stdout).map_err(|e| Error::other(format!("{all:?}: {e}: {}", ran.stdout)))?;
        Ok((value, ran.stdout))
    }
}

impl Drop for Stage {
    fn drop(&mut self) {
        // Nobody is left to tell if this fails; the folder is made anew next time in any case.
        let _ended = self.kill_server();
    }
}

/// What a run left.
#[must_use]
pub fn ran(output: &Output) -> Ran {
    Ran {
        code: output.status.code().unwrap_or(-1),
        stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
        stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// Ends the server that an earlier run left in `folder`, if it is still there and is ours.
pub fn end_server(folder: &Path) {
    let Ok(pid) = fs::read_to_string(folder.join("server.pid")) else { return };
    let Ok(name) = fs::read_to_string(format!("/proc/{}/comm", pid.trim())) else { return };
    if name.starts_with("pintle-server") {
        // A failure means that it has just ended by itself.
        let _ended = Command::new("kill").arg(pid.trim()).status();
    }
}

fn both(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// The last word of the last line that tells what to type.
fn code_in(text: &str) -> Result<String> {
    let line = text.lines().rev().find(|line| line.contains("pintle enrol "));
    let code = line.and_then(|line| line.split_whitespace().last());
    code.map(str::to_owned).ok_or_else(|| Error::other(format!("no enrolment code in: {text}")))
}
