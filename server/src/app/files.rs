//! Photos and documents of entries: who may ask for one, and what becomes of a chunk.
//!
//! Promises: a file is reached only by an entry of the caller's organisation that names it; by any other way, and of any other
//! organisation, there is nothing. Its length and type are those that the entry says.
//!
//! Never decides what a file may be: that is `pintle_core::photo`.

use super::{App, Caller, Refusal};
use crate::files::{Brought, FilesError};
use pintle_core::EntryRef;
use pintle_core::photo::{FileRef, Media};
use pintle_openapi::Problem;
use pintle_openapi::endpoints::bills::ByteFile;
use pintle_openapi::endpoints::files::{FilePath, FileStandingReply};

impl From<FilesError> for Refusal {
    fn from(error: FilesError) -> Self {
        match error {
            FilesError::Full => Self::of(Problem::StorageFull),
            FilesError::Damaged(_) => Self::internal(error),
            FilesError::Setting(..) | FilesError::Store(_) => {
                tracing::warn!(%error, "the store of photos does not answer");
                Self::of(Problem::Unavailable)
            }
        }
    }
}

impl App {
    /// How a file stands.
    ///
    /// # Errors
    /// `not-found`, and failures of the stores.
    pub async fn file_standing(&self, caller: &Caller, path: &FilePath) -> Result<FileStandingReply, Refusal> {
        let file = self.file_named(caller, path).await?;
        let received = self.files.received(&caller.device.organisation, &file.sha256, file.bytes).await?;
        Ok(standing(file, received))
    }

    /// Takes a chunk of a file.
    ///
    /// # Errors
    /// `not-found`, `out-of-range`, `bad-file`, and failures of the stores.
    pub async fn bring_file(
        &self,
        caller: &Caller,
        path: &FilePath,
        offset: i64,
        chunk: Vec<u8>,
    ) -> Result<FileStandingReply, Refusal> {
        let file = self.file_named(caller, path).await?;
        if Media::named(&file.media).is_none() {
            return Err(Refusal::of(Problem::BadFile).detail("files of this type are named, and not carried yet"));
        }
        let of = &caller.device.organisation;
        let brought = match u64::try_from(offset) {
            Ok(offset) => self.files.bring(of, &file.sha256, file.bytes, offset, chunk).await?,
            Err(_) => Brought::Misshapen,
        };
        match brought {
            Brought::Received(received) => Ok(standing(file, received)),
            Brought::Other(detail) => Err(Refusal::of(Problem::BadFile).detail(detail)),
            Brought::Misshapen => {
                let detail = format!("this is no chunk of a file of {} bytes: see the documentation", file.bytes);
                Err(Refusal::of(Problem::OutOfRange).parameter("offset").detail(detail))
            }
        }
    }

    /// A whole file.
    ///
    /// # Errors
    /// `not-found`, also while it is not whole, and failures of the stores.
    pub async fn file_content(&self, caller: &Caller, path: &FilePath) -> Result<ByteFile, Refusal> {
        let file = self.file_named(caller, path).await?;
        let found = self.files.read(&caller.device.organisation, &file.sha256).await?;
        found.map(|bytes| ByteFile(bytes.to_vec())).ok_or_else(|| Refusal::of(Problem::NotFound))
    }

    /// The file, as the entry names it.
    async fn file_named(&self, caller: &Caller, path: &FilePath) -> Result<FileRef, Refusal> {
        let seq = u64::try_from(path.seq).map_err(|_| Refusal::of(Problem::NotFound))?;
        let entry = EntryRef { device: path.device, seq };
        let held = self.store.entry(caller.device.organisation, entry).await?;
        let files = held.map(|held| FileRef::carried_by(&held.entry)).unwrap_or_default();
        let file = files.into_iter().find(|file| file.sha256 == path.sha256 && check(file));
        file.ok_or_else(|| Refusal::of(Problem::NotFound))
    }
}

/// Whether a file can be carried at all: an entry that stands aside may name one that cannot be.
fn check(file: &FileRef) -> bool {
    (1..=pintle_core::limits::FILE_BYTES_MAX).contains(&file.bytes)
}

fn standing(FileRef { sha256, bytes, media, .. }: FileRef, received: u64) -> FileStandingReply {
    FileStandingReply { sha256, bytes, media, received }
}
