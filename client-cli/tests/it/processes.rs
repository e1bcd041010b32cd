//! What only real processes show: two at once, closed pipes, environments.
//!
//! Each runs the binary with a folder of its own.

use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use tempfile::TempDir;

struct Device {
    folder: TempDir,
}

impl Device {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a folder for the test") }
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_pintle"));
        command.arg("--home").arg(self.home()).args(arguments).stdin(Stdio::null());
        for name in ["NO_COLOR", "CLICOLOR_FORCE", "CLICOLOR", "PINTLE_HOME", "TZ"] {
            command.env_remove(name);
        }
        command.env("COLUMNS", "40").env("USER", "Ines");
        command.env("PINTLE_CLOCK", "2026-05-04T07:12:33+02:00").env("PINTLE_BOOT", "5f3a91c0:8123");
        command
    }

    fn home(&self) -> PathBuf {
        self.folder.path().join("home")
    }

    fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().expect("runs")
    }

    fn must(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).expect("UTF-8")
    }

    fn files(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.home()).expect("a folder");
        let mut names: Vec<String> =
            entries.map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }
}

/// Each run is the only one that has the database open; what it leaves behind must not grow from run to run.
#[test]
fn the_write_ahead_log_stays_short() {
    let device = Device::new();
    device.must(&["machine", "add", "EX3"]);
    let wal = device.home().join("log.db-wal");
    let mut emptied = 0;
    for _ in 0..60 {
        device.must(&["note", "EX3", "again"]);
        let bytes = std::fs::metadata(&wal).map_or(0, |file| file.len());
        assert!(bytes < 600 * 1024, "{bytes} bytes");
        emptied += usize::from(bytes == 0);
    }
    assert!(emptied >= 1, "never emptied");
}

fn wait_all(children: Vec<std::process::Child>) {
    for child in children {
        let output = child.wait_with_output().expect("ends");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
}

#[test]
fn fifty_at_once_are_all_recorded_in_one_chain() {
    let device = Device::new();
    device.must(&["setup", "--mark", "K7"]);
    device.must(&["machine", "add", "EX3"]);
    let children = (0..50).map(|n| {
        let minutes = n.to_string();
        let mut command = device.command(&["grease", "EX3", "--minutes", &minutes]);
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts")
    });
    wait_all(children.collect());
    assert_eq!(device.must(&["doctor"]), "51 entries in 1 log, 0 seals\nAll sound.\n");
    let log = device.must(&["log", "EX3", "--json"]);
    let missing: Vec<u32> = (0..50).filter(|n| !log.contains(&format!("\"minutes\":{n},"))).collect();
    assert_eq!(missing, Vec::<u32>::new());
}

#[test]
fn ten_first_uses_at_once_make_one_device() {
    let device = Device::new();
    let children = (0..10).map(|n| {
        let name = format!("EX{n}");
        let mut command = device.command(&["machine", "add", &name]);
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts")
    });
    wait_all(children.collect());
    assert_eq!(device.must(&["doctor"]), "10 entries in 1 log, 0 seals\nAll sound.\n");
    assert_eq!(device.files(), ["begin.lock", "device.key", "log.db", "log.db-shm", "log.db-wal"]);
}

#[test]
fn the_key_is_its_owners_alone() {
    use std::os::unix::fs::PermissionsExt as _;
    let device = Device::new();
    device.must(&["machines"]);
    let mode = |path: &Path| std::fs::metadata(path).expect("is there").permissions().mode() & 0o777;
    assert_eq!(mode(&device.home().join("device.key")), 0o600);
    assert_eq!(mode(&device.home()), 0o700);
}

/// `pintle … | true`: the entry is recorded, and nobody is frightened.
#[test]
fn a_closed_pipe_is_no_failure() {
    let device = Device::new();
    device.must(&["machine", "add", "EX3"]);
    let mut child =
        device.command(&["grease", "EX3"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("ends");
    assert!(output.status.success());
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    assert!(device.must(&["log", "EX3"]).contains("greased"));
    for shell in [&["completions", "bash"][..], &["man"], &["--help"]] {
        let mut child = device.command(shell).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts");
        drop(child.stdout.take());
        let mut err = String::new();
        child.stderr.take().expect("piped").read_to_string(&mut err).expect("reads");
        assert!(child.wait().expect("ends").success(), "{shell:?}");
        assert_eq!(err, "", "{shell:?}");
    }
}

/// A full disk where the answer goes: told, and the entry stands all the same.
#[test]
fn an_answer_that_cannot_be_written_is_told() {
    let device = Device::new();
    device.must(&["machine", "add", "EX3"]);
    let full = std::fs::File::options().write(true).open("/dev/full").expect("opens");
    let output = device.command(&["grease", "EX3"]).stdout(full).output().expect("runs");
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("cannot write the answer"));
    assert!(device.must(&["log", "EX3"]).contains("greased"));
}

#[test]
fn colours_only_where_they_are_wanted() {
    let device = Device::new();
    device.must(&["machine", "add", "EX3"]);
    let coloured = |settings: &[(&str, &str)], arguments: &[&str]| {
        let mut command = device.command(arguments);
        command.envs(settings.iter().copied());
        let output = command.output().expect("runs");
        [output.stdout, output.stderr].concat().contains(&0x1b)
    };
    assert!(!coloured(&[], &["machines"]), "a pipe");
    assert!(coloured(&[("CLICOLOR_FORCE", "1")], &["machines"]));
    assert!(coloured(&[("CLICOLOR_FORCE", "1")], &["--help"]));
    assert!(!coloured(&[("CLICOLOR_FORCE", "1"), ("NO_COLOR", "1")], &["machines"]));
    assert!(!coloured(&[("CLICOLOR_FORCE", "1"), ("NO_COLOR", "1")], &["--help"]));
    assert!(!coloured(&[("CLICOLOR_FORCE", "0")], &["machines"]));
    assert!(!coloured(&[("CLICOLOR_FORCE", "1")], &["machines", "--json"]));
}

#[test]
fn the_clock_of_a_demonstration() {
    let device = Device::new();
    device.must(&["machine", "add", "EX3"]);
    let answer = device.must(&["grease", "EX3", "--json"]);
    assert!(answer.contains("\"at\":\"2026-05-04T07:12:33+02:00\""), "{answer}");
    let log = device.must(&["log", "EX3", "--json"]);
    assert!(log.contains("\"clock\":{\"began_s\":1777863430,\"boot\":\"5f3a91c0\"}"), "{log}");
}
