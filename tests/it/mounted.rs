//! Small file systems of our own: one that gets full, and one whose power is cut.
//!
//! Promises: mounted below a temporary folder and gone at the end of the test. Where mounting is not permitted the test
//! passes and says why; one in memory has to be there where everything has to be (`PINTLE_TEST_COMPLETE`, as root), an ext4
//! needs a loop device, which not every container has.

use std::fs::{self, File, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A mounted file system.
pub struct Mounted {
    path: PathBuf,
    image: Option<PathBuf>,
    _folder: tempfile::TempDir,
}

fn run(program: &str, arguments: &[&str]) -> Result<String, String> {
    let output = Command::new(program).args(arguments).output().map_err(|error| format!("{program}: {error}"))?;
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim().to_owned();
    if output.status.success() { Ok(text(&output.stdout)) } else { Err(format!("{program}: {}", text(&output.stderr))) }
}

#[allow(clippy::print_stdout, reason = "why a test shows nothing here")]
fn told(mounted: Result<Mounted, String>) -> Option<Mounted> {
    if let Err(why) = &mounted {
        println!("not run: a file system cannot be mounted here: {why}");
    }
    mounted.ok()
}

impl Mounted {
    /// A file system in memory of so many kilobytes.
    pub fn small(kilobytes: u64) -> Option<Self> {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("disk");
        fs::create_dir(&path).expect("a folder");
        let size = format!("size={kilobytes}k,mode=700");
        let done = run("mount", &["-t", "tmpfs", "-o", &size, "none", &path.display().to_string()]);
        let mounted = done.map(|_| Self { path, image: None, _folder: folder });
        let root = run("id", &["-u"]).is_ok_and(|id| id == "0");
        let complete = root && std::env::var_os("PINTLE_TEST_COMPLETE").is_some();
        assert!(!complete || mounted.is_ok(), "cannot mount: {:?}", mounted.err());
        told(mounted)
    }

    /// An ext4 in a file. What has not been asked to be on the disk stays in memory for minutes.
    pub fn ext4(megabytes: u64) -> Option<Self> {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("image");
        File::create(&image).and_then(|file| file.set_len(megabytes << 20)).expect("an image");
        let made = run("mkfs.ext4", &["-q", "-F", &image.display().to_string()]);
        told(made.and_then(|_| Self::of(folder, image)))
    }

    fn of(folder: tempfile::TempDir, image: PathBuf) -> Result<Self, String> {
        let path = folder.path().join("disk");
        fs::create_dir(&path).map_err(|error| error.to_string())?;
        let (from, to) = (image.display().to_string(), path.display().to_string());
        run("mount", &["-o", "loop,commit=600", &from, &to])?;
        Ok(Self { path, image: Some(image), _folder: folder })
    }

    /// The file system as it would come up if the power had been cut now: what was not on the disk is gone.
    pub fn after_a_power_cut(&self) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("image");
        fs::copy(self.image.as_ref().expect("an image"), &image).expect("copied");
        Self::of(folder, image).expect("it mounts as the first one did")
    }

    /// Where it is mounted.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn filler(&self) -> PathBuf {
        self.path.join("filler")
    }

    /// Leaves so many bytes of room.
    pub fn leave(&self, bytes: u64) {
        let mut filler = OpenOptions::new().create(true).append(true).open(self.filler()).expect("a filler");
        for chunk in [65_536, 4_096] {
            let zeros = vec![0; chunk];
            while filler.write_all(&zeros).is_ok() {}
        }
        let length = filler.metadata().expect("its length").len();
        filler.set_len(length.saturating_sub(bytes) / 4_096 * 4_096).expect("room");
    }

    /// Makes room again.
    pub fn make_room(&self) {
        fs::remove_file(self.filler()).expect("the filler goes");
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        // The folder below is removed only if this succeeds; a test that failed half way may still have files open.
        let path = self.path.display().to_string();
        if run("umount", &[&path]).is_err() {
            let _ = run("umount", &["-l", &path]);
        }
    }
}
