//! Names beside an answer: an answer tells people and devices by id, and how they are called stands apart.
//!
//! Promises: names of those that the answer mentions, and of no others, so that an answer tells no more of a crew than
//! it must; the same form that `pintle --json` has. A name can be erased without changing any answer.

use pintle_core::exchange::Directory;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;

/// Names of those an answer mentions, by id.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
pub struct Names {
    /// Short names of devices: `K7` in `K7-412`.
    #[schema(value_type = std::collections::HashMap<String, String>)]
    pub devices: BTreeMap<String, String>,
    /// Names of people.
    #[schema(value_type = std::collections::HashMap<String, String>)]
    pub people: BTreeMap<String, String>,
}

impl Names {
    /// The names of those that are mentioned anywhere in an answer.
    #[must_use]
    pub fn mentioned(answer: &Value, directory: &Directory) -> Self {
        let mut texts = BTreeSet::new();
        collect(answer, &mut texts);
        let devices = directory.devices.iter().map(|device| (device.id.to_string(), device.mark.clone()));
        let people = directory.people.iter().map(|person| (person.id.to_string(), person.name.clone()));
        let said = |(id, _): &(String, String)| texts.contains(id.as_str());
        Self { devices: devices.filter(said).collect(), people: people.filter(said).collect() }
    }
}

fn collect<'a>(value: &'a Value, texts: &mut BTreeSet<&'a str>) {
    match value {
        Value::String(text) => {
            texts.insert(text);
        }
        Value::Array(items) => items.iter().for_each(|item| collect(item, texts)),
        Value::Object(map) => map.iter().for_each(|(key, item)| {
            texts.insert(key);
            collect(item, texts);
        }),
        _ => {}
    }
}
