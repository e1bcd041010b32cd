//! `GET` and `POST /v1/entries/{device}/{seq}/files/{sha256}`, and `…/content` below it: the photos and documents of an entry.
//!
//! Promises: a file is asked for and brought by an entry that names it, so that nobody learns of a file whose entry he may
//! not read. Chunks come in order, of one size, and may be brought again.

use crate::endpoint::{Access, BodyForm, Endpoint, Example, Method, Nothing, Tag};
use crate::endpoints::bills::ByteFile;
use crate::problem::Problem;
use crate::sample;
use pintle_core::ids::{DeviceId, Hash};
use pintle_core::limits::FILE_CHUNK_BYTES;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Media type in which bytes are carried: whatever they are, no program is to guess it.
pub const BYTES_MEDIA: &str = "application/octet-stream";

/// How much of a file is there.
pub struct FileStanding;
/// Brings the next chunk.
pub struct BringFile;
/// Reads a whole file.
pub struct FileContent;

/// Which file, of which entry.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[into_params(parameter_in = Path)]
pub struct FilePath {
    /// The device whose log holds the entry.
    pub device: DeviceId,
    /// The entry's number in that log.
    #[serde(deserialize_with = "crate::list::number")]
    #[param(minimum = 1)]
    pub seq: i64,
    /// The file's SHA-256.
    pub sha256: Hash,
}

/// Where a chunk begins.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ChunkQuery {
    /// In bytes from the beginning, a multiple of 262,144.
    #[serde(deserialize_with = "crate::list::number")]
    #[param(minimum = 0)]
    pub offset: i64,
}

/// How a file stands on the server.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = FileStanding)]
pub struct FileStandingReply {
    /// Its SHA-256.
    pub sha256: Hash,
    /// How many bytes it has.
    pub bytes: u64,
    /// Its media type, as the entry names it.
    #[serde(rename = "type")]
    pub media: String,
    /// How many of its bytes are here: the next chunk begins there. All of them: it is whole.
    pub received: u64,
}

fn example_path() -> FilePath {
    FilePath { device: sample::device(1), seq: 412, sha256: Hash([7; 32]) }
}

fn example_reply() -> FileStandingReply {
    let bytes = FILE_CHUNK_BYTES + 1000;
    FileStandingReply { sha256: Hash([7; 32]), bytes, media: "image/jpeg".into(), received: FILE_CHUNK_BYTES }
}

impl Endpoint for FileStanding {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/entries/{device}/{seq}/files/{sha256}";
    const OPERATION: &'static str = "fileStanding";
    const TAG: Tag = Tag::Files;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "How much of a file is here";
    const DESCRIPTION: &'static str = "Of a photo or document that the entry names. A file that nobody brought yet is still \
        where it was recorded: on the device of the entry.";
    const PROBLEMS: &'static [Problem] = &[Problem::Unavailable];

    type Path = FilePath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = FileStandingReply;

    fn example() -> Example<Self> {
        Example { path: example_path(), query: Nothing {}, body: Nothing {}, reply: example_reply() }
    }
}

impl Endpoint for BringFile {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = FileStanding::PATH;
    const OPERATION: &'static str = "bringFile";
    const TAG: Tag = Tag::Files;
    const ACCESS: Access = Access::Token(Right::Record);
    const SUMMARY: &'static str = "Bring the next chunk of a file";
    const DESCRIPTION: &'static str = "262,144 bytes at a time, the last chunk what is left. One that is here already, and one \
        that comes too early, change nothing: `received` says where to go on. With the last chunk the whole is looked at: what does \
        not hash to its name, or is none of the files that are kept, is gone, and begins anew.";
    const PROBLEMS: &'static [Problem] =
        &[Problem::OutOfRange, Problem::BadFile, Problem::Unavailable, Problem::StorageFull];
    const BODY: BodyForm = BodyForm::Bytes { bytes_max: FILE_CHUNK_BYTES as usize };

    type Path = FilePath;
    type Query = ChunkQuery;
    type Body = ByteFile;
    type Reply = FileStandingReply;

    fn example() -> Example<Self> {
        let body = ByteFile(b"bytes of a photo".to_vec());
        Example { path: example_path(), query: ChunkQuery { offset: 0 }, body, reply: example_reply() }
    }
}

impl Endpoint for FileContent {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/entries/{device}/{seq}/files/{sha256}/content";
    const OPERATION: &'static str = "fileContent";
    const TAG: Tag = Tag::Files;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "A photo or document";
    const DESCRIPTION: &'static str = "Whole, as it was brought, to be kept: no browser is to open it here. `not-found` while it \
        is not whole.";
    const PROBLEMS: &'static [Problem] = &[Problem::Unavailable];
    const REPLY_MEDIA: &'static str = BYTES_MEDIA;

    type Path = FilePath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = ByteFile;

    fn example() -> Example<Self> {
        let reply = ByteFile(b"bytes of a photo".to_vec());
        Example { path: example_path(), query: Nothing {}, body: Nothing {}, reply }
    }
}
