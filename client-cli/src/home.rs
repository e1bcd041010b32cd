//! Where a device keeps its log, and the private key beside it.
//!
//! Promises: a log that can be opened is whole: it is made under another name, synced to the disk and then moved
//! into place, so that no run ever finds half of one, and two first runs at once make one. The private key is on the
//! disk before the log that belongs to it, in a file of its own that only its owner reads. A key whose log is gone
//! is never used again: a second log under it would contradict the first.

use crate::ambient::{Ambient, random};
use crate::problem::{Code, Problem};
use crate::store::{self, Own, Store};
use pintle_core::PersonId;
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::ids::{DeviceId, PublicKey};
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Write as _};
use std::path::{Path, PathBuf};

/// Letters and digits a mark is made of: none that sounds or looks like another.
const MARK_LETTERS: &[u8] = b"ABCDEFGHKMNPRSTUWXY";
const MARK_DIGITS: &[u8] = b"2345679";
/// Name of the database file.
const DATABASE: &str = "log.db";
/// Name of the private key's file.
const KEY: &str = "device.key";
/// Name of the file of a key that is to be the next one.
const NEXT_KEY: &str = "device.key.next";

/// The folder of one device.
#[derive(Debug, Clone)]
pub struct Home {
    folder: PathBuf,
}

impl Home {
    /// The folder: `--home`, else `PINTLE_HOME`, else `pintle` among the user's data.
    ///
    /// # Errors
    /// `no-home` where the system names no such place.
    pub fn find(asked: Option<&Path>, ambient: &dyn Ambient) -> Result<Self, Problem> {
        let folder = asked
            .map(Path::to_path_buf)
            .or_else(|| ambient.variable("PINTLE_HOME").map(PathBuf::from))
            .or_else(|| ambient.data_folder().map(|data| data.join("pintle")));
        let folder = folder.ok_or_else(|| {
            Problem::new(Code::NoHome, "there is no folder to keep the log in").hint("pintle --home DIR …")
        })?;
        Ok(Self { folder })
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Opens the log; the first use makes it.
    ///
    /// # Errors
    /// If the folder or the file cannot be used.
    pub fn open(&self, ambient: &dyn Ambient) -> Result<Store, Problem> {
        let path = self.folder.join(DATABASE);
        match Store::open(&path)? {
            Some(store) => Ok(store),
            None => {
                self.begin(ambient, &path)?;
                Store::open(&path)?.ok_or_else(|| self.unwritable("open", &ErrorKind::NotFound.into()))
            }
        }
    }

    /// The private key, checked to be this log's.
    ///
    /// # Errors
    /// `key-lost`.
    pub fn key(&self, public: &PublicKey) -> Result<DeviceKey, Problem> {
        let path = self.folder.join(KEY);
        // A run that ended between turning the log over and moving the key left it here.
        if let Some(next) = self.read_key(NEXT_KEY).filter(|next| next.public() == *public) {
            self.promote_next_key()?;
            return Ok(next);
        }
        let lost = |detail: String| {
            Problem::new(Code::KeyLost, format!("this device's key in {} cannot be used", path.display()))
                .hint("recording goes on; to sync again: pintle enrol URL CODE --anew")
                .detail(detail)
        };
        let secret = std::fs::read(&path).map_err(|e| lost(e.to_string()))?;
        let secret: [u8; 32] = secret.as_slice().try_into().map_err(|_| lost("it has not 32 bytes".into()))?;
        let key = DeviceKey::from_secret(&secret);
        if key.public() != *public { Err(lost("it is another device's".into())) } else { Ok(key) }
    }

    fn read_key(&self, name: &str) -> Option<DeviceKey> {
        let secret = std::fs::read(self.folder.join(name)).ok()?;
        Some(DeviceKey::from_secret(&secret.as_slice().try_into().ok()?))
    }

    /// The key that is to be the next one: the one begun before, or a new one, on the disk.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn next_key(&self, ambient: &dyn Ambient) -> Result<DeviceKey, Problem> {
        if let Some(begun) = self.read_key(NEXT_KEY) {
            return Ok(begun);
        }
        let secret: [u8; 32] = random(ambient)?;
        let failed = |e: std::io::Error| self.unwritable("write the key in", &e);
        // Half a key under this name would be no key: it is moved there whole.
        let fresh = self.folder.join("device.key.fresh");
        let _ = std::fs::remove_file(&fresh);
        write_secret(&fresh, &secret).map_err(failed)?;
        std::fs::rename(&fresh, self.folder.join(NEXT_KEY)).map_err(failed)?;
        File::open(&self.folder).and_then(|folder| folder.sync_all()).map_err(failed)?;
        Ok(DeviceKey::from_secret(&secret))
    }

    /// Makes the next key the key. The old one is kept under another name.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn promote_next_key(&self) -> Result<(), Problem> {
        let failed = |e: std::io::Error| self.unwritable("write the key in", &e);
        self.keep_old_key().map_err(failed)?;
        std::fs::rename(self.folder.join(NEXT_KEY), self.folder.join(KEY)).map_err(failed)?;
        File::open(&self.folder).and_then(|folder| folder.sync_all()).map_err(failed)
    }

    /// Gives a key that lies there another name.
    fn keep_old_key(&self) -> std::io::Result<()> {
        let path = self.folder.join(KEY);
        if !path.exists() {
            return Ok(());
        }
        let number = (1..).find(|n| !self.folder.join(format!("{KEY}.{n}")).exists()).unwrap_or(0);
        std::fs::rename(&path, self.folder.join(format!("{KEY}.{number}")))
    }

    /// Makes the log: key first, then the database beside it, then the database into its place.
    fn begin(&self, ambient: &dyn Ambient, path: &Path) -> Result<(), Problem> {
        let failed = |act: &'static str| move |e: std::io::Error| self.unwritable(act, &e);
        self.make_folder().map_err(failed("make the folder"))?;
        let lock = File::create(self.folder.join("begin.lock")).map_err(failed("write in"))?;
        lock.lock().map_err(failed("lock"))?;
        if path.exists() {
            return Ok(());
        }
        let public = self.new_key(ambient)?;
        let person = PersonId(random(ambient)?);
        let name = ambient.variable("USER").or_else(|| ambient.variable("LOGNAME"));
        let name = name.filter(|n| pintle_core::fact::check_name(n).is_ok()).unwrap_or_else(|| "operator".into());
        let own = Own {
            device: DeviceId::of_key(&public),
            public_key: public,
            head: LogHead::empty(&public),
            mark: random_mark(ambient)?,
            person,
            last_machine: None,
            seen: 0,
            recover: None,
        };
        let fresh = self.folder.join("log.db.new");
        store::create(&fresh, &own, &name)?;
        std::fs::rename(&fresh, path).map_err(failed("write in"))?;
        File::open(&self.folder).and_then(|folder| folder.sync_all()).map_err(failed("write in"))
    }

    /// Only its owner looks into it.
    fn make_folder(&self) -> std::io::Result<()> {
        let mut folder = std::fs::DirBuilder::new();
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut folder, 0o700);
        folder.recursive(true).create(&self.folder)
    }

    /// Makes a key and puts it on the disk. One that lies there already has lost its log; it is kept under another name.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn new_key(&self, ambient: &dyn Ambient) -> Result<PublicKey, Problem> {
        let failed = |e: std::io::Error| self.unwritable("write the key in", &e);
        self.keep_old_key().map_err(failed)?;
        let secret: [u8; 32] = random(ambient)?;
        write_secret(&self.folder.join(KEY), &secret).map_err(failed)?;
        File::open(&self.folder).and_then(|folder| folder.sync_all()).map_err(failed)?;
        Ok(DeviceKey::from_secret(&secret).public())
    }

    fn unwritable(&self, act: &str, error: &std::io::Error) -> Problem {
        let sentence = format!("cannot {act} {}: {}", self.folder.display(), error.kind());
        let code = if error.kind() == ErrorKind::StorageFull { Code::DiskFull } else { Code::Unwritable };
        Problem::new(code, sentence).hint("keep the log elsewhere: pintle --home DIR …").detail(error)
    }
}

/// Writes a new file that only its owner reads, onto the disk.
fn write_secret(path: &Path, secret: &[u8; 32]) -> std::io::Result<()> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(path)?;
    file.write_all(secret).and_then(|()| file.sync_all())
}

/// A mark such as `K7`, for a device nobody has named yet.
fn random_mark(ambient: &dyn Ambient) -> Result<String, Problem> {
    let [letter, digit] = random(ambient)?;
    let pick = |from: &[u8], byte: u8| char::from(from[usize::from(byte) % from.len()]);
    Ok([pick(MARK_LETTERS, letter), pick(MARK_DIGITS, digit)].iter().collect())
}
