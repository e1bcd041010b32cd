//! How an entry names its files: a list in its words, beside the text.
//!
//! Promises: `files` holds one to [`FILES_MAX`] references; what a later version adds beside their fields is kept. A media type
//! nobody knows yet is no fault: such a file is named, and carried once it is known. A name never becomes a path.
//!
//! Never: the bytes of a file.

use crate::entry::{Entry, EntryRef, Held, Part};
use crate::fault::{Fault, code};
use crate::ids::Hash;
use crate::limits::{FILE_BYTES_MAX, FILES_MAX, NAME_CHARS_MAX, THUMBNAIL_BYTES_MAX};
use crate::photo::Media;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use std::collections::BTreeMap;

/// Stands for a character of a name that would hide or reorder others, or end a line.
const HIDDEN: char = '\u{fffd}';

/// One file, as an entry names it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct FileRef {
    /// SHA-256 of its bytes.
    pub sha256: Hash,
    /// How many bytes it has.
    pub bytes: u64,
    /// Its media type: `image/jpeg`.
    #[serde(rename = "type")]
    pub media: String,
    /// What it was called on the device that recorded it. For people to read, as it was given; see [`shown_name`].
    pub name: String,
    /// A small picture of it, for whoever cannot wait for the whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thumbnail: Option<Thumbnail>,
}

/// A small picture of a photo: a JPEG of its own, made by the device that recorded the photo.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Thumbnail {
    /// SHA-256 of its bytes.
    pub sha256: Hash,
    /// How many bytes it has.
    pub bytes: u64,
}

impl FileRef {
    /// The files that an entry names, the first mention of each; none if its words are withheld.
    #[must_use]
    pub fn of(entry: &Entry) -> Vec<Self> {
        let Part::Open(words) = entry.part("words") else { return Vec::new() };
        let Some(Value::Array(items)) = words.get("files") else { return Vec::new() };
        let mut files: Vec<Self> = Vec::new();
        for file in items.iter().filter_map(|item| Self::deserialize(item).ok()) {
            if files.iter().all(|known| known.sha256 != file.sha256) {
                files.push(file);
            }
        }
        files
    }

    /// Everything that may be brought and had by an entry: its files, and behind them their thumbnails.
    #[must_use]
    pub fn carried_by(entry: &Entry) -> Vec<Self> {
        let mut files = Self::of(entry);
        let thumbnails: Vec<Self> = files.iter().filter_map(Self::small).collect();
        files.extend(thumbnails);
        files
    }

    /// Its thumbnail as a file of its own, if it has one.
    #[must_use]
    pub fn small(&self) -> Option<Self> {
        let Thumbnail { sha256, bytes } = self.thumbnail?;
        Some(Self { sha256, bytes, media: Media::Jpeg.as_str().to_owned(), name: self.name.clone(), thumbnail: None })
    }

    /// Its name, safe to show.
    #[must_use]
    pub fn shown(&self) -> String {
        shown_name(&self.name)
    }

    /// The first characters of its hash in hexadecimal, for people.
    #[must_use]
    pub fn short(&self) -> String {
        self.sha256.hex().chars().take(8).collect()
    }
}

/// Whether the files that words name may be named so.
///
/// # Errors
/// `out-of-range`, `malformed-entry`, `bad-filename`, with the place below the words.
pub fn check_files(words: &Map<String, Value>) -> Result<(), Fault> {
    let Some(files) = words.get("files") else { return Ok(()) };
    let malformed = |place: &str, detail: &str| Fault::new(code::MALFORMED_ENTRY, place, detail);
    let Value::Array(items) = files else { return Err(malformed("/files", "files are a list")) };
    if items.is_empty() || items.len() > FILES_MAX {
        return Err(Fault::new(code::OUT_OF_RANGE, "/files", format!("an entry names 1 to {FILES_MAX} files")));
    }
    for (index, item) in items.iter().enumerate() {
        let place = |field: &str| format!("/files/{index}{field}");
        let file = FileRef::deserialize(item).map_err(|e| malformed(&place(""), &e.to_string()))?;
        if file.bytes == 0 || file.bytes > FILE_BYTES_MAX {
            let detail = format!("a file has 1 to {FILE_BYTES_MAX} bytes");
            return Err(Fault::new(code::OUT_OF_RANGE, place("/bytes"), detail));
        }
        if file.thumbnail.is_some_and(|small| small.bytes == 0 || small.bytes > THUMBNAIL_BYTES_MAX) {
            let detail = format!("a thumbnail has 1 to {THUMBNAIL_BYTES_MAX} bytes");
            return Err(Fault::new(code::OUT_OF_RANGE, place("/thumbnail/bytes"), detail));
        }
        let simple = |c: u8| c.is_ascii_lowercase() || c.is_ascii_digit() || b"/+.-".contains(&c);
        if file.media.is_empty() || file.media.len() > NAME_CHARS_MAX || !file.media.bytes().all(simple) {
            return Err(malformed(&place("/type"), "a media type is written in small letters, like image/jpeg"));
        }
        if file.name.trim().is_empty() || file.name.chars().count() > NAME_CHARS_MAX {
            let detail = format!("a name has 1 to {NAME_CHARS_MAX} characters");
            return Err(Fault::new(code::BAD_FILENAME, place("/name"), detail));
        }
        if file.name.chars().any(char::is_control) {
            return Err(Fault::new(code::BAD_FILENAME, place("/name"), "a name holds no control characters"));
        }
    }
    Ok(())
}

/// A name as it is shown: characters that hide or reorder their neighbours stand as U+FFFD.
#[must_use]
pub fn shown_name(name: &str) -> String {
    name.chars().map(|c| if c.is_control() || crate::fact::deceives(c) { HIDDEN } else { c }).collect()
}

/// A name as a device gives it to a file: what stands last in its path, without what [`check_files`] refuses or a reader
/// would be deceived by.
#[must_use]
pub fn plain_name(path: &str) -> String {
    let last = path.rsplit(['/', '\\']).find(|part| !part.is_empty()).unwrap_or("");
    let plain: String =
        last.chars().filter(|c| !c.is_control() && !crate::fact::deceives(*c)).take(NAME_CHARS_MAX).collect();
    if plain.trim().is_empty() { "file".to_owned() } else { plain }
}

/// A file, and the entries that name it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedFile {
    /// The file, as it is named first.
    pub file: FileRef,
    /// Who names it, in the order given.
    pub entries: Vec<EntryRef>,
}

/// The files that entries name, each once, in the order of their first mention. One whose length differs from the first
/// mention's is another file: only one of the two can be true.
#[must_use]
pub fn named<'a>(entries: impl IntoIterator<Item = &'a Held>) -> Vec<NamedFile> {
    let mut all: Vec<NamedFile> = Vec::new();
    let mut places: BTreeMap<(Hash, u64), usize> = BTreeMap::new();
    for held in entries {
        for file in FileRef::of(&held.entry) {
            let place = *places.entry((file.sha256, file.bytes)).or_insert(all.len());
            match all.get_mut(place) {
                Some(known) => known.entries.push(held.name()),
                None => all.push(NamedFile { file, entries: vec![held.name()] }),
            }
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn words(files: Value) -> Map<String, Value> {
        Map::from_iter([("files".to_owned(), files)])
    }

    fn file(name: &str) -> Value {
        json!({"sha256": Hash([7; 32]), "bytes": 5, "type": "image/jpeg", "name": name})
    }

    #[test]
    fn a_name_is_only_shown() {
        for name in ["../x", "..%2f", "C:\\x", "CON", "\u{ff0e}\u{ff0e}/x", "a\u{202e}gpj.exe"] {
            assert_eq!(check_files(&words(json!([file(name)]))), Ok(()), "{name:?}");
        }
        assert_eq!(shown_name("a\u{202e}gpj.exe"), "a\u{fffd}gpj.exe");
        for name in ["a\u{0}.jpg", "a\nb", "a\u{85}b", "", "  "] {
            let fault = check_files(&words(json!([file(name)]))).expect_err(name);
            assert_eq!(
                (fault.code.as_str(), fault.pointer.as_str()),
                (code::BAD_FILENAME, "/files/0/name"),
                "{name:?}"
            );
        }
    }

    #[test]
    fn a_thumbnail_is_a_small_file_of_its_own() {
        let with = |bytes: u64| {
            let mut file = file("crack.png");
            file["thumbnail"] = json!({"sha256": Hash([9; 32]), "bytes": bytes});
            words(json!([file]))
        };
        for (bytes, code) in
            [(1, None), (THUMBNAIL_BYTES_MAX, None), (0, Some(())), (THUMBNAIL_BYTES_MAX + 1, Some(()))]
        {
            let fault = check_files(&with(bytes)).err();
            assert_eq!(fault.as_ref().map(|_| ()), code, "{bytes}");
            if let Some(fault) = fault {
                assert_eq!(
                    (fault.code.as_str(), fault.pointer.as_str()),
                    (code::OUT_OF_RANGE, "/files/0/thumbnail/bytes")
                );
            }
        }
        let misshapen =
            words(json!([{"sha256": Hash([7; 32]), "bytes": 5, "type": "image/jpeg", "name": "x", "thumbnail": 3}]));
        assert_eq!(check_files(&misshapen).expect_err("no object").pointer, "/files/0");
        let mut file = FileRef::deserialize(file("crack.png")).expect("a file");
        assert_eq!(file.small(), None);
        file.thumbnail = Some(Thumbnail { sha256: Hash([9; 32]), bytes: 4 });
        let small = file.small().expect("a thumbnail");
        assert_eq!((small.sha256, small.bytes, small.media.as_str()), (Hash([9; 32]), 4, "image/jpeg"));
        assert_eq!(small.small(), None, "a thumbnail has none");
    }

    #[test]
    fn a_device_gives_the_last_part_of_a_path_without_tricks() {
        for (path, name) in [
            ("/sdcard/photos/crack.jpg", "crack.jpg"),
            ("C:\\photos\\crack.jpg", "crack.jpg"),
            ("a\u{202e}gpj.exe", "agpj.exe"),
            ("tab\there/", "tabhere"),
            ("///", "file"),
            ("", "file"),
        ] {
            assert_eq!(plain_name(path), name);
        }
        assert_eq!(plain_name(&"ä".repeat(500)).chars().count(), NAME_CHARS_MAX);
    }

    #[test]
    fn an_entry_with_a_bad_name_stands_aside_and_another_is_read_as_before() {
        let head = json!({"seq":1,"machine":"BwcHBwcHBwcHBwcHBwcHBw","mseq":1,"seen":0,"at":"2026-05-04T07:12:33Z",
            "by":"AQEBAQEBAQEBAQEBAQEBAQ","kind":"note_left"});
        let entry = |name: &str| {
            let words = json!({"salt": "x", "files": [file(name), file("again.jpg")]});
            Entry::from_value(json!({"head": head, "body": {}, "words": words})).expect("an entry")
        };
        let read = |entry: &Entry| crate::Fact::read(entry.head().expect("a head"), entry);
        let fault = read(&entry("a\nb")).expect_err("a bad name");
        assert_eq!((fault.code.as_str(), fault.pointer.as_str()), (code::BAD_FILENAME, "/words/files/0/name"));
        let fine = entry("crack.jpg");
        assert_eq!(read(&fine), Ok(crate::Fact::NoteLeft(crate::fact::NoteLeft::default())));
        let named = FileRef::of(&fine);
        assert_eq!(named.len(), 1, "one file, however often it is named");
        assert_eq!((named[0].short().as_str(), named[0].shown().as_str()), ("07070707", "crack.jpg"));
        assert_eq!(FileRef::of(&fine.withhold("words")), []);
    }

    #[test]
    fn what_a_list_may_hold() {
        for (files, code, place) in [
            (json!({}), code::MALFORMED_ENTRY, "/files"),
            (json!([]), code::OUT_OF_RANGE, "/files"),
            (Value::Array(vec![file("x"); FILES_MAX + 1]), code::OUT_OF_RANGE, "/files"),
            (json!([7]), code::MALFORMED_ENTRY, "/files/0"),
            (json!([file("x"), {"sha256": "x"}]), code::MALFORMED_ENTRY, "/files/1"),
            (
                json!([{"sha256": Hash([1; 32]), "bytes": 0, "type": "a/b", "name": "x"}]),
                code::OUT_OF_RANGE,
                "/files/0/bytes",
            ),
            (
                json!([{"sha256": Hash([1; 32]), "bytes": FILE_BYTES_MAX + 1, "type": "a/b", "name": "x"}]),
                code::OUT_OF_RANGE,
                "/files/0/bytes",
            ),
            (
                json!([{"sha256": Hash([1; 32]), "bytes": 1, "type": "A B", "name": "x"}]),
                code::MALFORMED_ENTRY,
                "/files/0/type",
            ),
        ] {
            let fault = check_files(&words(files.clone())).expect_err("a fault");
            assert_eq!((fault.code.as_str(), fault.pointer.as_str()), (code, place), "{files}");
        }
        let later = json!([{"sha256": Hash([1; 32]), "bytes": 1, "type": "video/mp4", "name": "x", "seconds": 3}]);
        assert_eq!(check_files(&words(later)), Ok(()), "a type and a field of tomorrow are kept");
        assert_eq!(check_files(&Map::new()), Ok(()));
    }
}
