//! A device for tests: a folder of its own, a clock that stands where it is put, random bytes that repeat.
//!
//! Promises: the same script gives the same letters every time. Never sleeps: waiting is noted, not done.

use jiff::tz::TimeZone;
use pintle::ambient::{Ambient, SinceBoot, Wall};
use pintle::problem::{Exit, Problem};
use pintle::ui::Terminals;
use std::cell::{Cell, RefCell};
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tempfile::TempDir;

/// Monday, 4 May 2026, 07:00 at the place, two hours east of Greenwich.
pub const MONDAY_S: i64 = 1_777_870_800;

/// One device and its surroundings.
pub struct Stage {
    folder: TempDir,
    now_s: Cell<i64>,
    random: Cell<u64>,
    zone: RefCell<TimeZone>,
    variables: RefCell<BTreeMap<String, String>>,
    /// Milliseconds the program wanted to wait, one after the other.
    pub waits_ms: RefCell<Vec<u128>>,
}

/// What one run left.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ran {
    pub out: String,
    pub err: String,
    pub exit: Exit,
}

impl Stage {
    /// A device of someone's; `seed` makes its random bytes.
    pub fn new(name: &str, seed: u64) -> Self {
        let stage = Self {
            folder: tempfile::tempdir().expect("a folder for the test"),
            now_s: Cell::new(MONDAY_S),
            random: Cell::new(seed | 1),
            zone: RefCell::new(TimeZone::fixed(jiff::tz::offset(2))),
            variables: RefCell::default(),
            waits_ms: RefCell::default(),
        };
        stage.set("COLUMNS", "40");
        stage.set("USER", name);
        stage
    }

    /// A device `K7` of Ines with one machine that has a reading.
    pub fn with_machine() -> Self {
        let stage = Self::new("Ines", 7);
        stage.script(&["setup --mark K7", "machine add EX3 --site \"north pit\"", "read EX3 4127.5"]);
        stage
    }

    pub fn set(&self, name: &str, value: &str) {
        self.variables.borrow_mut().insert(name.to_owned(), value.to_owned());
    }

    pub fn home(&self) -> PathBuf {
        self.folder.path().join("data").join("pintle")
    }

    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Puts the device in a place whose clocks change, by the rule of POSIX.
    pub fn move_to(&self, rule: &str) {
        *self.zone.borrow_mut() = TimeZone::posix(rule).expect("a rule");
    }

    /// Moves the clock.
    pub fn pass_minutes(&self, minutes: i64) {
        self.now_s.set(self.now_s.get() + minutes * 60);
    }

    /// Runs one command line; words in double quotes stay together.
    pub fn run(&self, line: &str) -> Ran {
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let exit = pintle::run(arguments(line), self, Terminals::default(), &mut out, &mut err);
        let text = |bytes: Vec<u8>| self.placeless(&String::from_utf8(bytes).expect("UTF-8"));
        Ran { out: text(out), err: text(err), exit }
    }

    /// Text without the folder of this test.
    fn placeless(&self, text: &str) -> String {
        text.replace(&self.folder.path().display().to_string(), "FOLDER")
    }

    /// Runs a command that must succeed; gives what it printed.
    pub fn must(&self, line: &str) -> String {
        let ran = self.run(line);
        assert_eq!(ran.exit, Exit::Done, "{line}: {}{}", ran.out, ran.err);
        ran.out
    }

    /// Runs command lines a minute apart and writes down what a person would see.
    pub fn script(&self, lines: &[&str]) -> String {
        let mut seen = String::new();
        for line in lines {
            self.pass_minutes(1);
            let ran = self.run(line);
            let _ = writeln!(seen, "$ pintle {}", self.placeless(line));
            seen.push_str(&ran.out);
            ran.err.lines().for_each(|line| {
                let _ = writeln!(seen, "! {line}");
            });
            if ran.exit != Exit::Done {
                let _ = writeln!(seen, "exit {}", ran.exit.code());
            }
        }
        seen
    }
}

/// The words of a command line, the program's name first.
pub fn arguments(line: &str) -> Vec<OsString> {
    let mut words = vec!["pintle".to_owned()];
    let mut quoted = false;
    let mut word: Option<String> = None;
    for c in line.chars() {
        match c {
            '"' => {
                quoted = !quoted;
                word.get_or_insert_default();
            }
            ' ' if !quoted => words.extend(word.take()),
            other => word.get_or_insert_default().push(other),
        }
    }
    words.extend(word);
    words.into_iter().map(OsString::from).collect()
}

impl Ambient for Stage {
    fn wall(&self) -> Wall {
        Wall { second: self.now_s.get(), zone: self.zone.borrow().clone() }
    }

    fn since_boot(&self) -> Option<SinceBoot> {
        let up_s = u64::try_from(self.now_s.get() - MONDAY_S).ok()?;
        Some(SinceBoot { boot: "5f3a91c0".into(), up_s })
    }

    fn random(&self, bytes: &mut [u8]) -> Result<(), Problem> {
        for byte in bytes {
            // xorshift64: far from random, always the same.
            let mut x = self.random.get();
            x ^= x << 13;
            x ^= x >> 7;
            x ^= x << 17;
            self.random.set(x);
            *byte = (x >> 32) as u8;
        }
        Ok(())
    }

    fn variable(&self, name: &str) -> Option<String> {
        self.variables.borrow().get(name).cloned().filter(|value| !value.is_empty())
    }

    fn data_folder(&self) -> Option<PathBuf> {
        Some(self.folder.path().join("data"))
    }

    fn wait(&self, time: Duration) {
        self.waits_ms.borrow_mut().push(time.as_millis());
    }
}
