//! `pintle photos`: which photos and documents there are, and getting them.
//!
//! Promises: what is listed says of each whether it is on this device. Getting one that is not asks the server; one that is not
//! there either is said to be where it was recorded, and its thumbnail is got if there is one. No file of the person's is written
//! over.

use super::Here;
use crate::ambient::Ambient;
use crate::file;
use crate::home::Home;
use crate::names::{self, Names};
use crate::office::Office;
use crate::photos;
use crate::problem::{Code, Problem};
use crate::store::{Store, Tx};
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::entry::{EntryRef, Held};
use pintle_core::photo::{FileRef, Media};
use serde_json::{Value, json};
use std::path::PathBuf;

/// The photos of a machine or an entry, and getting them
#[derive(Debug, clap::Args)]
pub struct Photos {
    /// Machine, or an entry like K7-412
    of: Option<String>,
    /// Put them into this folder; what is not on this device is asked of the server
    #[arg(long, value_name = "FOLDER")]
    to: Option<PathBuf>,
    /// Small pictures instead: quick to get with little signal
    #[arg(long, requires = "to")]
    small: bool,
}

/// A photo of an entry.
struct One {
    file: FileRef,
    entry: EntryRef,
    at: String,
    is_here: bool,
    /// Whether what was put there is its thumbnail.
    is_small: bool,
    /// Where it was put.
    put: Option<PathBuf>,
    /// Why it could not be had.
    missing: Option<String>,
}

struct Album {
    photos: Vec<One>,
    names: Names,
}

/// Lists them, or puts them into a folder.
pub(super) fn run(args: &Photos, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let (entries, names) = store.read(|tx| Ok((entries(tx, args.of.as_deref())?, Names::load(tx)?)))?;
    let mut album = Album { photos: Vec::new(), names };
    for held in &entries {
        for file in FileRef::of(&held.entry) {
            let at = held.entry.head().map(|head| head.at.text().to_owned()).unwrap_or_default();
            let is_here = photos::place(&here.home, &file).exists();
            album.photos.push(One { file, entry: held.name(), at, is_here, is_small: false, put: None, missing: None });
        }
    }
    if let Some(folder) = &args.to {
        std::fs::create_dir_all(folder).map_err(|error| {
            Problem::new(Code::FileFailed, format!("cannot make the folder {}", folder.display())).detail(&error)
        })?;
        let mut shelf = Shelf { home: &here.home, store: &mut store, ambient: here.ambient, office: None };
        for one in &mut album.photos {
            let small = one.file.small();
            let (mut wanted, mut found) = (one.file.clone(), None);
            if let Some(small) = small.as_ref().filter(|_| args.small) {
                found = shelf.small(small, one.entry)?;
                wanted = if found.is_some() { small.clone() } else { wanted };
            }
            if found.is_none() {
                found = shelf.bytes(&one.file, one.entry)?;
                one.is_here = found.is_some();
            }
            if found.is_none() {
                one.missing = Some(format!("not on the server yet: still on {}", album.names.mark(one.entry.device)));
                if let Some(small) = small.filter(|_| !args.small) {
                    found = shelf.small(&small, one.entry)?;
                    wanted = small;
                }
            }
            let Some(bytes) = found else { continue };
            one.is_small = wanted.sha256 != one.file.sha256;
            let ending = Media::named(&wanted.media).map_or("file", Media::ending);
            let which = if one.is_small { "-small" } else { "" };
            // By the hash of the photo, so that a small picture lies beside its photo.
            let name = format!("{}-{}{which}.{ending}", album.names.entry(one.entry), one.file.short());
            let path = folder.join(name);
            if !path.exists() {
                file::write(&path, &bytes)?;
            }
            one.put = Some(path);
        }
    }
    here.ui.show(&album)
}

/// Where photos come from: this device, else its server, which is asked once one is not here.
struct Shelf<'a> {
    home: &'a Home,
    store: &'a mut Store,
    ambient: &'a dyn Ambient,
    office: Option<Office>,
}

impl Shelf<'_> {
    /// The bytes of a file; none while the server has not all of it.
    fn bytes(&mut self, file: &FileRef, entry: EntryRef) -> Result<Option<Vec<u8>>, Problem> {
        if let Some(bytes) = photos::read(self.home, file)? {
            return Ok(Some(bytes));
        }
        let office = match &self.office {
            Some(office) => office,
            None => self.office.insert(Office::open(self.home, self.store, self.ambient)?),
        };
        let standing = photos::standing(office, file, entry)?;
        if standing.received < standing.bytes {
            return Ok(None);
        }
        photos::fetch(self.home, office, file, entry).map(Some)
    }

    /// The same of a thumbnail, of which an older server knows nothing.
    fn small(&mut self, file: &FileRef, entry: EntryRef) -> Result<Option<Vec<u8>>, Problem> {
        match self.bytes(file, entry) {
            Err(problem) if problem.code == Code::ServerRefused => Ok(None),
            found => found,
        }
    }
}

/// The entries that may have photos, in the order they were made.
fn entries(tx: &Tx<'_>, of: Option<&str>) -> Result<Vec<Held>, Problem> {
    let machine = match of {
        Some(name) => {
            let entry = names::entry(tx, name);
            if let Ok(entry) = &entry
                && let Some(held) = tx.entry(*entry)?
            {
                return Ok(vec![held]);
            }
            let is_numbered = name.rsplit_once('-').is_some_and(|(_, number)| number.parse::<u64>().is_ok());
            names::machine(tx, name).map_err(|no_machine| match entry {
                Err(no_entry) if is_numbered => no_entry,
                _ => no_machine,
            })?
        }
        None => names::last_machine(tx, &tx.own()?)?,
    };
    Ok(crate::glance::entries(tx, machine.id)?.1)
}

impl Answer for Album {
    fn lines(&self) -> Vec<Line> {
        if self.photos.is_empty() {
            return vec![Line::of("No photos.").with(Tone::Faint, " One goes with an entry: --photo FILE")];
        }
        let line = |one: &One| {
            let line = Line::toned(Tone::Strong, self.names.entry(one.entry))
                .plain(format!(" {} ", words::moment(&one.at)))
                .plain(one.file.shown())
                .with(Tone::Faint, format!(", {}", words::size(one.file.bytes)));
            match (&one.put, &one.missing, one.is_here) {
                (Some(path), Some(missing), _) => {
                    line.plain(format!(": a small one: {}", path.display())).with(Tone::Odd, format!(", {missing}"))
                }
                (Some(path), None, _) if one.is_small => line.plain(format!(": a small one: {}", path.display())),
                (Some(path), ..) => line.plain(format!(": {}", path.display())),
                (None, Some(missing), _) => line.with(Tone::Odd, format!(": {missing}")),
                (None, None, true) => line.plain(": here"),
                (None, None, false) => line.plain(": not here"),
            }
        };
        let mut lines: Vec<Line> = self.photos.iter().map(line).collect();
        if self.photos.iter().any(|one| !one.is_here && one.missing.is_none()) {
            lines.push(Line::toned(Tone::Faint, "to get them: ").plain("pintle photos … --to FOLDER"));
        }
        lines
    }

    fn json(&self) -> Value {
        let one = |one: &One| {
            json!({"entry": self.names.entry(one.entry), "device": one.entry.device, "seq": one.entry.seq, "at": one.at,
                   "file": one.file, "here": one.is_here, "small": one.is_small, "put": one.put, "missing": one.missing})
        };
        json!({"photos": self.photos.iter().map(one).collect::<Vec<_>>()})
    }
}
