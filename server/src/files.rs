//! Where photos and documents lie: a folder, or a store that speaks S3, each file under its organisation and its SHA-256.
//!
//! Promises: a file has its name only once it is whole and hashes to it; until then its chunks lie beside it, each written
//! whole or not at all and on the disk before it is answered for. Nothing here remembers anything: several processes may serve
//! one store, and one that was killed goes on where it said it was.
//!
//! Never: a part of a path from outside (an id and a hash are digits by their types); whether somebody may bring or read a file.

use crate::limits::{FILE_PARTS_KEPT, FILES_RETRIES, OUTGOING_CONNECT, OUTGOING_DEADLINE};
use actix_web::web::Bytes;
use futures_util::TryStreamExt as _;
use object_store::aws::{AmazonS3Builder, AmazonS3ConfigKey};
use object_store::local::LocalFileSystem;
use object_store::memory::InMemory;
use object_store::path::Path;
use object_store::prefix::PrefixStore;
use object_store::{ClientConfigKey, ObjectStore, ObjectStoreExt as _, PutPayload, RetryConfig};
use pintle_core::ids::{Hash, OrganisationId};
use pintle_core::limits::FILE_CHUNK_BYTES;
use pintle_core::photo::{Chunk, judge_chunk, look};
use std::io::ErrorKind;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, UNIX_EPOCH};

/// Begins the address of a store that speaks S3.
const S3: &str = "s3://";

/// Name of the folder of chunks, in that of an organisation.
const PARTS: &str = "parts";

/// Why a store cannot be used, or what became of a call to it.
#[derive(Debug, thiserror::Error)]
pub enum FilesError {
    /// The address or its settings.
    #[error("cannot keep photos in {0}: {1}")]
    Setting(String, String),
    /// The store.
    #[error("the store of photos: {0}")]
    Store(#[from] object_store::Error),
    /// No room is left.
    #[error("the disk of photos is full")]
    Full,
    /// What is kept under a name does not hash to it.
    #[error("what is kept as file {0} is another")]
    Damaged(Hash),
}

/// What became of a chunk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Brought {
    /// So many bytes are there: the next chunk begins at this offset, or the file is whole.
    Received(u64),
    /// All bytes came and are not the file that was named; they are gone, and it begins anew.
    Other(String),
    /// It is no chunk of a file of this length.
    Misshapen,
}

/// The files of all organisations.
#[derive(Debug, Clone)]
pub struct Files {
    store: Arc<dyn ObjectStore>,
    /// The folder, where it is one.
    folder: Option<PathBuf>,
}

impl Files {
    /// Files that are gone with the process.
    #[must_use]
    pub fn in_memory() -> Self {
        Self { store: Arc::new(InMemory::new()), folder: None }
    }

    /// Opens a folder, or `s3://BUCKET/PREFIX` with the environment of S3's own programs (`AWS_…`).
    ///
    /// # Errors
    /// If it cannot be used.
    pub fn open(place: &str) -> Result<Self, FilesError> {
        let setting = |detail: String| FilesError::Setting(place.to_owned(), detail);
        let Some(address) = place.strip_prefix(S3) else {
            // Made with the first photo: who keeps none has no folder.
            let folder = std::path::absolute(place).map_err(|error| setting(error.to_string()))?;
            let prefix = Path::from_absolute_path(&folder).map_err(|error| setting(error.to_string()))?;
            let store = PrefixStore::new(LocalFileSystem::new().with_fsync(true), prefix);
            return Ok(Self { store: Arc::new(store), folder: Some(folder) });
        };
        let (bucket, prefix) = address.split_once('/').unwrap_or((address, ""));
        // Who brings a photo waits for it, and comes again.
        let retry =
            RetryConfig { max_retries: FILES_RETRIES, retry_timeout: OUTGOING_DEADLINE, ..RetryConfig::default() };
        let timeout = format!("{} s", OUTGOING_DEADLINE.as_secs());
        let connect = format!("{} s", OUTGOING_CONNECT.as_secs());
        let bucket = AmazonS3Builder::from_env()
            .with_config(AmazonS3ConfigKey::Client(ClientConfigKey::Timeout), timeout)
            .with_config(AmazonS3ConfigKey::Client(ClientConfigKey::ConnectTimeout), connect)
            .with_retry(retry)
            .with_bucket_name(bucket);
        let bucket = bucket.build().map_err(|error| setting(error.to_string()))?;
        let prefix = Path::parse(prefix).map_err(|error| setting(error.to_string()))?;
        Ok(Self { store: Arc::new(PrefixStore::new(bucket, prefix)), folder: None })
    }

    /// Removes from a folder the chunks that nobody went on with for a week, and what a killed server left half written; says
    /// how many. In a store that speaks S3 that is for its own rules.
    ///
    /// # Errors
    /// If the folder cannot be read.
    pub fn tidy(&self, now_ms: i64) -> std::io::Result<u64> {
        let now = UNIX_EPOCH + Duration::from_millis(u64::try_from(now_ms).unwrap_or_default());
        let mut removed = 0;
        let Some(folder) = &self.folder else { return Ok(0) };
        let Some(organisations) = there(std::fs::read_dir(folder))? else { return Ok(0) };
        for organisation in organisations {
            let Some(chunks) = there(std::fs::read_dir(organisation?.path().join(PARTS)))? else { continue };
            for chunk in chunks {
                let chunk = chunk?;
                let age = now.duration_since(chunk.metadata()?.modified()?).unwrap_or_default();
                if age > FILE_PARTS_KEPT {
                    std::fs::remove_file(chunk.path())?;
                    removed += 1;
                }
            }
        }
        Ok(removed)
    }

    /// How many bytes of a file of `bytes` are there: all of a whole one, else those of its first chunks without a gap. Where all
    /// chunks are there and nobody put them together, the last one is missing: who brings it has that done.
    ///
    /// # Errors
    /// Those of the store.
    pub async fn received(&self, of: &OrganisationId, hash: &Hash, bytes: u64) -> Result<u64, FilesError> {
        if let Some(whole) = self.length(&whole(of, hash)).await? {
            return Ok(whole);
        }
        let mut chunks = self.chunks(of, hash).await?;
        chunks.sort_unstable();
        let follow = |at: u64, (offset, length): (u64, u64)| if offset == at { at + length } else { at };
        let last = bytes.saturating_sub(1) / FILE_CHUNK_BYTES * FILE_CHUNK_BYTES;
        Ok(chunks.into_iter().fold(0, follow).min(last))
    }

    /// Takes the chunk at `offset` of a file of `bytes`.
    ///
    /// # Errors
    /// Those of the store; what was answered for before stays.
    pub async fn bring(
        &self,
        of: &OrganisationId,
        hash: &Hash,
        bytes: u64,
        offset: u64,
        chunk: Vec<u8>,
    ) -> Result<Brought, FilesError> {
        let received = self.received(of, hash, bytes).await?;
        match judge_chunk(bytes, received, offset, chunk.len() as u64) {
            Chunk::Misshapen => Ok(Brought::Misshapen),
            Chunk::Held | Chunk::Early => Ok(Brought::Received(received)),
            Chunk::Next { last } => {
                let end = offset + chunk.len() as u64;
                self.put(&part(of, hash, offset), chunk.into()).await?;
                if last { self.put_together(of, hash, bytes).await } else { Ok(Brought::Received(end)) }
            }
        }
    }

    async fn put_together(&self, of: &OrganisationId, hash: &Hash, bytes: u64) -> Result<Brought, FilesError> {
        let mut file = Vec::new();
        for offset in (0..bytes).step_by(usize::try_from(FILE_CHUNK_BYTES).unwrap_or(usize::MAX)) {
            file.extend_from_slice(&self.store.get(&part(of, hash, offset)).await?.bytes().await?);
        }
        let is_other = Hash::of(&[&file]) != *hash;
        let other = match is_other {
            true => Some("the bytes do not hash to its name".to_owned()),
            false => look(&file).err().map(|fault| fault.detail),
        };
        if other.is_none() {
            self.put(&whole(of, hash), file.into()).await?;
        }
        for (offset, _) in self.chunks(of, hash).await? {
            match self.store.delete(&part(of, hash, offset)).await {
                // Another process put it together at the same time.
                Ok(()) | Err(object_store::Error::NotFound { .. }) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Ok(other.map_or(Brought::Received(bytes), Brought::Other))
    }

    /// A whole file; none where it is not whole.
    ///
    /// # Errors
    /// Those of the store, and what no longer is the file of its name.
    pub async fn read(&self, of: &OrganisationId, hash: &Hash) -> Result<Option<Bytes>, FilesError> {
        let found = match self.store.get(&whole(of, hash)).await {
            Err(object_store::Error::NotFound { .. }) => return Ok(None),
            found => found?.bytes().await?,
        };
        if Hash::of(&[&found]) == *hash { Ok(Some(found)) } else { Err(FilesError::Damaged(*hash)) }
    }

    async fn put(&self, at: &Path, bytes: PutPayload) -> Result<(), FilesError> {
        match self.store.put(at, bytes).await {
            Ok(_) => Ok(()),
            Err(error) if is_full(&error) => Err(FilesError::Full),
            Err(error) => Err(error.into()),
        }
    }

    async fn length(&self, at: &Path) -> Result<Option<u64>, FilesError> {
        match self.store.head(at).await {
            Ok(meta) => Ok(Some(meta.size)),
            Err(object_store::Error::NotFound { .. }) => Ok(None),
            Err(error) => Err(error.into()),
        }
    }

    /// Offset and length of the chunks that are there.
    async fn chunks(&self, of: &OrganisationId, hash: &Hash) -> Result<Vec<(u64, u64)>, FilesError> {
        let found: Vec<_> = self.store.list(Some(&parts(of))).try_collect().await?;
        let hash = hash.hex();
        let offset = |name: Option<&str>| {
            let (of, offset) = name?.split_once('-')?;
            u64::from_str_radix(offset, 16).ok().filter(|_| of == hash)
        };
        Ok(found.iter().filter_map(|meta| Some((offset(meta.location.filename())?, meta.size))).collect())
    }
}

/// Nothing where there is nothing.
fn there<T>(found: std::io::Result<T>) -> std::io::Result<Option<T>> {
    match found {
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => Ok(None),
        found => found.map(Some),
    }
}

/// Whether it failed for lack of room.
fn is_full(error: &(dyn std::error::Error + 'static)) -> bool {
    let mut cause = Some(error);
    while let Some(error) = cause {
        let io = error.downcast_ref::<std::io::Error>();
        if io.is_some_and(|io| matches!(io.kind(), ErrorKind::StorageFull | ErrorKind::QuotaExceeded)) {
            return true;
        }
        cause = error.source();
    }
    false
}

fn whole(of: &OrganisationId, hash: &Hash) -> Path {
    Path::from_iter([of.hex(), hash.hex()])
}

/// Where the chunks of files lie until these are whole.
fn parts(of: &OrganisationId) -> Path {
    Path::from_iter([of.hex(), PARTS.to_owned()])
}

fn part(of: &OrganisationId, hash: &Hash, offset: u64) -> Path {
    parts(of).join(format!("{}-{offset:08x}", hash.hex()))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    const C: u64 = FILE_CHUNK_BYTES;
    const HILL: OrganisationId = OrganisationId([1; 16]);
    const MOOR: OrganisationId = OrganisationId([2; 16]);

    /// A document of so many bytes.
    fn document(bytes: u64) -> Vec<u8> {
        let mut pdf = b"%PDF-1.7\n".to_vec();
        pdf.resize(usize::try_from(bytes).unwrap() - 6, b' ');
        pdf.extend_from_slice(b"%%EOF\n");
        pdf
    }

    fn chunk(file: &[u8], offset: u64) -> Vec<u8> {
        let offset = usize::try_from(offset).unwrap();
        file[offset..file.len().min(offset + usize::try_from(C).unwrap())].to_vec()
    }

    #[tokio::test]
    async fn a_file_goes_on_where_it_was_whoever_takes_the_next_chunk() {
        let home = tempfile::tempdir().unwrap();
        let open = || Files::open(home.path().join("files").to_str().unwrap()).unwrap();
        for bytes in [100, C, C + 7, 3 * C] {
            let file = document(bytes);
            let hash = Hash::of(&[&file]);
            let mut at = 0;
            while at < bytes {
                // Opened anew for each chunk, as by another process or after a kill.
                let files = open();
                assert_eq!(files.received(&HILL, &hash, bytes).await.unwrap(), at);
                assert_eq!(files.read(&HILL, &hash).await.unwrap(), None);
                let end = bytes.min(at + C);
                let early = (end < bytes).then(|| chunk(&file, end));
                if let Some(early) = early.filter(|_| at > 0) {
                    assert_eq!(files.bring(&HILL, &hash, bytes, end, early).await.unwrap(), Brought::Received(at));
                }
                let brought = files.bring(&HILL, &hash, bytes, at, chunk(&file, at)).await.unwrap();
                assert_eq!(brought, Brought::Received(end));
                at = end;
            }
            let files = open();
            assert_eq!(files.read(&HILL, &hash).await.unwrap().as_deref(), Some(file.as_slice()));
            assert_eq!(files.bring(&HILL, &hash, bytes, 0, chunk(&file, 0)).await.unwrap(), Brought::Received(bytes));
            assert_eq!(files.chunks(&HILL, &hash).await.unwrap(), []);
            // Another organisation has none of it.
            assert_eq!(
                (files.received(&MOOR, &hash, bytes).await.unwrap(), files.read(&MOOR, &hash).await.unwrap()),
                (0, None)
            );
        }
    }

    #[tokio::test]
    async fn bytes_that_are_not_the_file_leave_nothing() {
        let files = Files::in_memory();
        let good = document(C + 7);
        let hash = Hash::of(&[&good]);
        let mut bad = good.clone();
        bad[9] = b'x';
        for file in [&bad, &good] {
            files.bring(&HILL, &hash, C + 7, 0, chunk(file, 0)).await.unwrap();
            let brought = files.bring(&HILL, &hash, C + 7, C, chunk(file, C)).await.unwrap();
            assert_eq!(matches!(brought, Brought::Other(_)), file == &bad);
            assert_eq!(files.received(&HILL, &hash, C + 7).await.unwrap(), if file == &bad { 0 } else { C + 7 });
        }
        assert_eq!(files.bring(&HILL, &hash, C + 7, 1, vec![1]).await.unwrap(), Brought::Misshapen);
        // What is none of the files that are kept, though it hashes to its name.
        let script = b"<svg><script>".to_vec();
        let hash = Hash::of(&[&script]);
        let brought = files.bring(&HILL, &hash, script.len() as u64, 0, script).await.unwrap();
        assert!(matches!(brought, Brought::Other(_)));
        assert_eq!(files.received(&HILL, &hash, 13).await.unwrap(), 0);
    }

    #[tokio::test]
    async fn all_its_chunks_without_its_name_are_put_together_with_the_last_one() {
        let files = Files::in_memory();
        let file = document(2 * C);
        let hash = Hash::of(&[&file]);
        for at in [0, C] {
            files.put(&part(&HILL, &hash, at), chunk(&file, at).into()).await.unwrap();
        }
        assert_eq!(files.received(&HILL, &hash, 2 * C).await.unwrap(), C, "it is not whole");
        assert_eq!(files.bring(&HILL, &hash, 2 * C, C, chunk(&file, C)).await.unwrap(), Brought::Received(2 * C));
        assert_eq!(files.read(&HILL, &hash).await.unwrap().as_deref(), Some(file.as_slice()));
    }

    #[tokio::test]
    async fn chunks_that_nobody_went_on_with_are_gone_after_a_week() {
        let home = tempfile::tempdir().unwrap();
        let files = Files::open(home.path().join("files").to_str().unwrap()).unwrap();
        assert_eq!(files.tidy(i64::MAX).unwrap(), 0, "there is no folder yet");
        let file = document(2 * C);
        let hash = Hash::of(&[&file]);
        files.bring(&HILL, &hash, 2 * C, 0, chunk(&file, 0)).await.unwrap();
        let part = home.path().join("files").join(part(&HILL, &hash, 0).to_string());
        let made = part.metadata().unwrap().modified().unwrap().duration_since(UNIX_EPOCH).unwrap();
        let after = |passed: Duration| i64::try_from((made + passed).as_millis()).unwrap();
        let week = after(FILE_PARTS_KEPT);
        assert_eq!((files.tidy(week - 1000).unwrap(), files.received(&HILL, &hash, 2 * C).await.unwrap()), (0, C));
        assert_eq!((files.tidy(week + 1000).unwrap(), files.received(&HILL, &hash, 2 * C).await.unwrap()), (1, 0));
        // A whole file stays, however old.
        let file = document(100);
        let hash = Hash::of(&[&file]);
        files.bring(&HILL, &hash, 100, 0, file).await.unwrap();
        assert_eq!((files.tidy(100 * week).unwrap(), files.received(&HILL, &hash, 100).await.unwrap()), (0, 100));
    }

    #[tokio::test]
    async fn what_was_changed_on_the_disk_is_not_given_out() {
        let home = tempfile::tempdir().unwrap();
        let files = Files::open(home.path().to_str().unwrap()).unwrap();
        let file = document(100);
        let hash = Hash::of(&[&file]);
        files.bring(&HILL, &hash, 100, 0, file).await.unwrap();
        std::fs::write(home.path().join(whole(&HILL, &hash).to_string()), b"other").unwrap();
        assert!(matches!(files.read(&HILL, &hash).await, Err(FilesError::Damaged(_))));
    }
}
