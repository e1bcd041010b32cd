//! PostgreSQL for tests of the whole: databases of their own on the server of `PINTLE_TEST_POSTGRES`.
//!
//! Promises: each is dropped at the end of its test. Where there is no such server the test passes and says so, unless
//! everything has to be there (`PINTLE_TEST_COMPLETE`): then it fails.

use std::path::PathBuf;
use std::process::Command;

/// A database.
pub struct Postgres {
    /// Its address.
    pub url: String,
    /// Where PostgreSQL's own programs lie.
    pub programs: PathBuf,
    server: String,
    names: std::cell::RefCell<Vec<String>>,
}

impl Postgres {
    /// A new, empty database; none where there is no server.
    #[allow(clippy::print_stdout, reason = "why a test shows nothing here")]
    pub fn new(name: &str) -> Option<Self> {
        let Ok(server) = std::env::var("PINTLE_TEST_POSTGRES") else {
            assert!(std::env::var_os("PINTLE_TEST_COMPLETE").is_none(), "PINTLE_TEST_POSTGRES is not set");
            println!("not run: there is no PostgreSQL (PINTLE_TEST_POSTGRES); tests/run starts one");
            return None;
        };
        let installed = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
        let newest = installed.map(|version| version.path().join("bin")).max().unwrap_or_default();
        let mut postgres = Self { url: String::new(), programs: newest, server, names: Vec::new().into() };
        let name = format!("pintle_{name}_{}", std::process::id());
        postgres.url = postgres.another(&name);
        postgres.run("createdb", &[&format!("--maintenance-db={}", postgres.server), "--template=template0", &name]);
        Some(postgres)
    }

    /// The address of another database of that name, which is dropped at the end too. Does not make it.
    pub fn another(&self, name: &str) -> String {
        let (before, _) = self.server.rsplit_once('/').expect("the address ends in /DATABASE");
        self.drop(name);
        self.names.borrow_mut().push(name.to_owned());
        format!("{before}/{name}")
    }

    /// Plays a dump into the database.
    pub fn load(&self, dump: &std::path::Path) {
        let dump = dump.display().to_string();
        self.run("psql", &["--no-psqlrc", "-q", "-v", "ON_ERROR_STOP=1", "-f", &dump, &self.url]);
    }

    fn run(&self, program: &str, arguments: &[&str]) {
        let output = Command::new(self.programs.join(program)).args(arguments).output().expect("it runs");
        assert!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
    }

    fn drop(&self, name: &str) {
        self.run("dropdb", &[&format!("--maintenance-db={}", self.server), "--force", "--if-exists", name]);
    }
}

impl Drop for Postgres {
    fn drop(&mut self) {
        let names = std::mem::take(&mut *self.names.borrow_mut());
        // A test that failed leaves its database only if it cannot be dropped.
        for name in names {
            let server = format!("--maintenance-db={}", self.server);
            let _ =
                Command::new(self.programs.join("dropdb")).args([&server, "--force", "--if-exists", &name]).status();
        }
    }
}
