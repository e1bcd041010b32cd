//! From JSON bytes to a typed request, strictly.
//!
//! Promises: what is refused names its place with an RFC 6901 pointer. The rules of canonical JSON come first (see
//! `pintle_core::canonical`), then the form of the request, then the form of each entry.

use crate::app::Refusal;
use pintle_core::{Entry, Fault, canonical};
use pintle_openapi::Problem;
use serde::de::DeserializeOwned;
use serde_json::Value;
use serde_path_to_error::{Path, Segment};

/// Reads JSON strictly.
pub(super) fn value(bytes: &[u8]) -> Result<Value, Refusal> {
    canonical::read(bytes).map_err(Refusal::from)
}

/// Reads a request of a type.
pub(super) fn typed<T: DeserializeOwned>(value: &Value) -> Result<T, Refusal> {
    serde_path_to_error::deserialize(value).map_err(|error| {
        let pointer = pointer(error.path());
        let message = error.inner().to_string();
        match entry_fault(value, &pointer) {
            Some(fault) => fault.into(),
            None => Refusal::of(problem(&message)).pointer(pointer).detail(message),
        }
    })
}

/// Serde tells an unknown field apart from other faults only by its message.
pub(super) fn problem(message: &str) -> Problem {
    if message.starts_with("unknown field") { Problem::UnknownField } else { Problem::MalformedRequest }
}

/// What is wrong with an entry, with its exact place; serde would give the place of the whole entry only.
fn entry_fault(request: &Value, pointer: &str) -> Option<Fault> {
    let index = pointer.strip_prefix("/push/entries/")?.split('/').next()?;
    let place = format!("/push/entries/{index}");
    let entry = request.pointer(&place)?.clone();
    Entry::from_value(entry).err().map(|fault| fault.under(&place))
}

/// An RFC 6901 pointer from the path serde went.
pub(super) fn pointer(path: &Path) -> String {
    path.iter()
        .map(|segment| match segment {
            Segment::Seq { index } => format!("/{index}"),
            Segment::Map { key } => format!("/{}", key.replace('~', "~0").replace('/', "~1")),
            Segment::Enum { variant } => format!("/{variant}"),
            Segment::Unknown => String::new(),
        })
        .collect()
}
