//! Photos and documents on this device: cleaned, kept beside the log, brought to the server on a lane of their own.
//!
//! Promises: a file is on the disk under its SHA-256 before the entry that names it; the person's own file is only read. Entries
//! never wait for a file: files go after everything else, one at a time, thumbnails before photos, from where the server
//! says it has it, and what could not be brought is brought the next time.
//!
//! Never sends a position that the person did not ask to keep.

use crate::file;
use crate::home::Home;
use crate::office::Office;
use crate::problem::{Code, Problem};
use crate::store::{OwnFile, Store};
use crate::thumbnail;
use pintle_core::entry::EntryRef;
use pintle_core::ids::Hash;
use pintle_core::limits::{FILE_BYTES_MAX, FILES_MAX};
use pintle_core::photo::{FileRef, Media, Position, Thumbnail, chunk_at, cleaned, look, plain_name};
use pintle_openapi::Nothing;
use pintle_openapi::endpoints::files::{BringFile, ChunkQuery, FileContent, FilePath, FileStanding, FileStandingReply};
use std::path::{Path, PathBuf};

/// Folder of the files, beside the log.
const FOLDER: &str = "files";
/// Largest file that is looked at, in bytes: what hangs on a photo and goes may be as large as the photo.
const READ_BYTES_MAX: u64 = 2 * FILE_BYTES_MAX;

/// Photos and documents that are recorded with an entry.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Photos {
    /// A photo or document to go with it (JPEG, PNG, WebP, PDF); repeatable
    #[arg(long = "photo", value_name = "FILE", display_order = 800)]
    pub photos: Vec<PathBuf>,
    /// Keep in the photos where they were taken; else it is removed
    #[arg(long, requires = "photos", display_order = 801)]
    pub position: bool,
}

impl Photos {
    /// Cleans them and puts them beside the log, where they are recorded from.
    ///
    /// # Errors
    /// `file-failed`, `unclear-words`; then nothing is to be recorded.
    pub fn taken_in(&self, home: &Home) -> Result<Vec<FileRef>, Problem> {
        if self.photos.len() > FILES_MAX {
            return Err(Problem::new(Code::UnclearWords, format!("an entry has at most {FILES_MAX} photos"))
                .hint("the others with a note: pintle note EX3 \"more of it\" --photo FILE"));
        }
        let position = if self.position { Position::Kept } else { Position::Removed };
        let mut files: Vec<FileRef> = Vec::new();
        for path in &self.photos {
            let file = taken_in(home, path, position)?;
            if files.iter().all(|known| known.sha256 != file.sha256) {
                files.push(file);
            }
        }
        Ok(files)
    }
}

fn taken_in(home: &Home, path: &Path, position: Position) -> Result<FileRef, Problem> {
    let bytes = file::read(path, "a photo or document", READ_BYTES_MAX)?;
    let (bytes, look) = cleaned(&bytes, position).map_err(|fault| {
        Problem::new(Code::FileFailed, format!("{} cannot be kept: {}", path.display(), fault.detail))
            .hint("JPEG, PNG, WebP or PDF, at most 20 MiB")
            .detail(fault.code)
    })?;
    let mut file = FileRef {
        sha256: Hash::of(&[&bytes]),
        bytes: bytes.len() as u64,
        media: look.media.as_str().to_owned(),
        name: plain_name(&path.to_string_lossy()),
        thumbnail: None,
    };
    keep(home, &file, &bytes)?;
    if let Some(small) = thumbnail::of(&bytes, look.media) {
        file.thumbnail = Some(Thumbnail { sha256: Hash::of(&[&small]), bytes: small.len() as u64 });
        file.small().map(|named| keep(home, &named, &small)).transpose()?;
    }
    Ok(file)
}

/// Where a file lies on this device, if it is here at all.
#[must_use]
pub fn place(home: &Home, file: &FileRef) -> PathBuf {
    home.folder().join(FOLDER).join(kept_name(file))
}

/// The name of a file among those that are kept: by its hash.
fn kept_name(file: &FileRef) -> String {
    let ending = Media::named(&file.media).map_or("file", Media::ending);
    format!("{}.{ending}", file.sha256.hex())
}

/// Puts the bytes of a file in its place; they are on the disk when this returns.
fn keep(home: &Home, file: &FileRef, bytes: &[u8]) -> Result<(), Problem> {
    if read(home, file)?.is_some() {
        return Ok(());
    }
    let place = place(home, file);
    file::put(&place, bytes)
        .map_err(|error| file::unwritten(&format!("cannot keep the photo in {}", place.display()), &error))
}

/// The bytes of a file, if they are on this device and still are that file.
///
/// # Errors
/// If they are there and cannot be read.
pub fn read(home: &Home, file: &FileRef) -> Result<Option<Vec<u8>>, Problem> {
    let place = place(home, file);
    match std::fs::read(&place) {
        Ok(bytes) => Ok(Some(bytes).filter(|bytes| Hash::of(&[bytes]) == file.sha256)),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(Problem::new(Code::FileFailed, format!("cannot read {}", place.display())).detail(&error)),
    }
}

/// How bringing files went.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Brought {
    /// Files of which the server now has all.
    pub there: u64,
    /// Files that wait for the next time.
    pub waiting: u64,
    /// Files that were recorded here and are gone from this device, by name.
    pub gone: Vec<String>,
    /// Files that the server does not take, by name, and why.
    pub refused: Vec<(String, String)>,
}

/// Brings the server what it has not of this device's files. A failure ends it, and the rest waits.
///
/// # Errors
/// Failures of the log's file.
pub fn bring(
    home: &Home,
    store: &mut Store,
    ambient: &dyn crate::ambient::Ambient,
    mut told: impl FnMut(&Brought, &FileRef, u64),
) -> Result<(Brought, Option<Problem>), Problem> {
    let waiting = store.read(|tx| {
        let Some(sync) = tx.sync()? else { return Ok(None) };
        let mut files = Vec::new();
        for OwnFile { mut file, entry } in tx.files_waiting(sync.store, sync.epoch)? {
            // What came by carry waits until the server has its entry.
            let Some(held) = tx.entry(entry)?.filter(|held| held.position.is_some()) else { continue };
            let named = FileRef::of(&held.entry).into_iter().find(|named| named.sha256 == file.sha256);
            file.thumbnail = named.and_then(|named| named.thumbnail);
            files.push(OwnFile { file, entry });
        }
        Ok(Some((files, sync.store, sync.epoch)))
    })?;
    let mut brought = Brought::default();
    let Some((files, server, epoch)) = waiting.filter(|(files, ..)| !files.is_empty()) else {
        return Ok((brought, None));
    };
    brought.waiting = files.len() as u64;
    let office = match Office::open(home, store, ambient) {
        Ok(office) => office,
        Err(problem) => return Ok((brought, Some(problem))),
    };
    // All the small pictures first: with one bar of signal they may be all that gets through.
    for OwnFile { file, entry } in &files {
        let Some(small) = file.small() else { continue };
        match one(home, &office, &small, *entry, |_| ()) {
            // One that is gone, or that a server does not know of yet, is no reason to keep the photo back.
            Ok(_) => {}
            Err(problem) if problem.code == Code::ServerRefused => {}
            Err(problem) => return Ok((brought, Some(problem))),
        }
    }
    for OwnFile { file, entry } in files {
        match one(home, &office, &file, entry, |received| told(&brought, &file, received)) {
            Ok(One::There) => {
                store.write("store", |tx| tx.file_there(&file, server, epoch))?;
                (brought.there, brought.waiting) = (brought.there + 1, brought.waiting - 1);
            }
            Ok(One::Gone) => brought.gone.push(file.shown()),
            Err(problem) if problem.code == Code::ServerRefused => {
                brought.refused.push((file.shown(), problem.sentence));
            }
            Err(problem) => return Ok((brought, Some(problem))),
        }
    }
    Ok((brought, None))
}

enum One {
    There,
    Gone,
}

/// The way to a file on the server.
fn path(file: &FileRef, entry: EntryRef) -> FilePath {
    // Numbers of a log are those of a database.
    FilePath { device: entry.device, seq: i64::try_from(entry.seq).unwrap_or(i64::MAX), sha256: file.sha256 }
}

fn one(
    home: &Home,
    office: &Office,
    file: &FileRef,
    entry: EntryRef,
    mut told: impl FnMut(u64),
) -> Result<One, Problem> {
    let path = path(file, entry);
    let mut received = office.ask::<FileStanding>(&path, &Nothing {}, &Nothing {})?.received;
    if received >= file.bytes {
        return Ok(One::There);
    }
    let Some(bytes) = read(home, file)? else { return Ok(One::Gone) };
    while let Some(chunk) = chunk_at(file.bytes, received) {
        told(received);
        let part = usize::try_from(chunk.start).ok().zip(usize::try_from(chunk.end).ok());
        let part = part.and_then(|(start, end)| bytes.get(start..end)).unwrap_or_default();
        let offset = ChunkQuery { offset: i64::try_from(chunk.start).unwrap_or(i64::MAX) };
        let before = received;
        received = office.bring::<BringFile>(&path, &offset, part)?.received;
        if received == before {
            return Err(Problem::new(Code::Stalled, "the server takes no more of a photo").hint("later: pintle sync"));
        }
    }
    Ok(One::There)
}

/// How a file stands on the server.
///
/// # Errors
/// `no-signal`, `server-refused`.
pub fn standing(office: &Office, file: &FileRef, entry: EntryRef) -> Result<FileStandingReply, Problem> {
    office.ask::<FileStanding>(&path(file, entry), &Nothing {}, &Nothing {})
}

/// Gets a file from the server, and keeps it beside the log.
///
/// # Errors
/// `no-signal`, `server-refused`, `distrusted` where what came is another file.
pub fn fetch(home: &Home, office: &Office, file: &FileRef, entry: EntryRef) -> Result<Vec<u8>, Problem> {
    let bytes = office.fetch::<FileContent>(&path(file, entry), &Nothing {})?;
    if Hash::of(&[&bytes]) != file.sha256 {
        return Err(Problem::new(
            Code::Distrusted,
            "the server delivered another file than the one that was asked for",
        )
        .hint("tell the owner of the server"));
    }
    keep(home, file, &bytes)?;
    Ok(bytes)
}

/// Files that went along with a carry file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Along {
    /// How many.
    pub files: u64,
    /// Files named in it that are not on this device.
    pub lacking: u64,
}

/// Where the photos of a carry file lie: in a folder beside it.
#[must_use]
pub fn beside(carry_file: &Path) -> PathBuf {
    let mut name = carry_file.as_os_str().to_owned();
    name.push(".photos");
    PathBuf::from(name)
}

/// Puts those of the files that are on this device, and their thumbnails, into a folder. What lies there is left alone.
///
/// # Errors
/// `file-failed`, `disk-full`.
pub fn carry_out(home: &Home, folder: &Path, files: &[FileRef]) -> Result<Along, Problem> {
    let mut along = Along::default();
    for file in files {
        let Some(bytes) = read(home, file)? else {
            along.lacking += 1;
            continue;
        };
        put_along(folder, file, &bytes)?;
        along.files += 1;
        if let Some(small) = file.small()
            && let Some(bytes) = read(home, &small)?
        {
            put_along(folder, &small, &bytes)?;
        }
    }
    Ok(along)
}

fn put_along(folder: &Path, file: &FileRef, bytes: &[u8]) -> Result<(), Problem> {
    let place = folder.join(kept_name(file));
    if place.exists() {
        return Ok(());
    }
    file::put(&place, bytes).map_err(|error| file::unwritten(&format!("cannot write {}", place.display()), &error))
}

/// Takes in the files that lie beside a carry file: only what an entry of this log names, and is what it names. They go on to the
/// server with this device's own. Gives how many came.
///
/// # Errors
/// `file-failed`, `disk-full`, and failures of the log's file.
pub fn carry_in(home: &Home, store: &mut Store, folder: &Path, entries: &[EntryRef]) -> Result<u64, Problem> {
    let mut files = 0;
    let mut named: Vec<OwnFile> = Vec::new();
    store.read(|tx| {
        for entry in entries {
            let named_there = tx.entry(*entry)?.map(|held| FileRef::of(&held.entry)).unwrap_or_default();
            named.extend(named_there.into_iter().map(|file| OwnFile { file, entry: *entry }));
        }
        Ok(())
    })?;
    for OwnFile { file, entry } in named {
        let came = [Some(file.clone()), file.small()].into_iter().flatten().map(|file| come(home, folder, &file));
        let came: Vec<bool> = came.collect::<Result<_, Problem>>()?;
        if came.first() == Some(&true) {
            store.write("store", |tx| tx.add_file(entry, &file))?;
            files += 1;
        }
    }
    Ok(files)
}

/// Whether a file lies in a folder and is what it should be; then it is kept here.
fn come(home: &Home, folder: &Path, file: &FileRef) -> Result<bool, Problem> {
    let place = folder.join(kept_name(file));
    if !place.exists() {
        return Ok(false);
    }
    let bytes = file::read(&place, "a photo or document", FILE_BYTES_MAX)?;
    if Hash::of(&[&bytes]) != file.sha256 || look(&bytes).is_err() {
        return Ok(false);
    }
    keep(home, file, &bytes)?;
    Ok(true)
}
