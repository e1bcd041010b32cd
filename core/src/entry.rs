//! The entry: one record in a log, never changed once made.
//!
//! Promises: an entry is kept exactly as received, unknown fields included, and its four parts are hashed apart,
//! so that a part can be withheld later while the chain still checks. Reading never fails on what a person
//! recorded: an entry whose head or body breaks a rule is still an entry, with the fault beside it.

use crate::canonical;
use crate::fault::{Fault, code};
use crate::ids::{DeviceId, Hash, MachineId, PersonId};
use crate::moment::Moment;
use serde::ser::SerializeMap as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use serde_json::{Map, Value};
use std::collections::BTreeMap;

/// The version of entry this program makes and understands.
pub const ENTRY_VERSION: u64 = 1;

/// The four parts of an entry, in the order in which the chain takes their hashes.
pub const PARTS: [&str; 4] = ["head", "body", "words", "office"];

/// Names one entry: the device whose log holds it, and its number there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct EntryRef {
    /// The device whose log holds the entry.
    pub device: DeviceId,
    /// Its number in that log, from 1.
    pub seq: u64,
}

/// What every entry says about itself; never withheld.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Head {
    /// Version of the entry's form; left out for 1.
    #[serde(default = "first_version", skip_serializing_if = "is_first_version")]
    pub v: u64,
    /// Number in the device's log: 1, 2, 3 … without a hole.
    pub seq: u64,
    /// The machine it is about, if any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<MachineId>,
    /// This device's running count of entries about this machine, from 1; there if and only if `machine` is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mseq: Option<u64>,
    /// The ledger position up to which the device had applied the ledger when it recorded; 0 for none.
    pub seen: u64,
    /// Devices whose entries up to a number were held although they are not in the ledger up to `seen` (carried).
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    #[cfg_attr(feature = "schema", schema(value_type = std::collections::HashMap<String, u64>))]
    pub also_seen: BTreeMap<DeviceId, u64>,
    /// When it happened, as the person claims: RFC 3339 to the second.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = DateTime))]
    pub at: Moment,
    /// Who recorded it.
    pub by: PersonId,
    /// What kind of entry it is.
    pub kind: String,
    /// Evidence of the device's clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock: Option<Clock>,
}

/// Evidence of a device's clock: a monotonic clock that a person cannot set.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Clock {
    /// Changes with every start of the device: up to 16 characters of its boot id.
    pub boot: String,
    /// What the wall clock would have shown at that start: its second now, less the seconds since the start, sleep
    /// included. It stays the same as long as nobody sets the clock, so it costs next to nothing on the wire.
    pub began_s: i64,
    /// What the device's wall clock said, where `at` was given by the person instead.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, format = DateTime))]
    pub wall: Option<Moment>,
}

fn first_version() -> u64 {
    1
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "the form serde asks for")]
fn is_first_version(v: &u64) -> bool {
    *v == 1
}

/// Whether an entry has a part, and whether it can be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Part<'a> {
    /// The entry has no such part.
    Absent,
    /// The part, readable.
    Open(&'a Map<String, Value>),
    /// The part exists and is withheld; its hash stands for it.
    Withheld(Hash),
}

/// One record in a log.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    raw: Map<String, Value>,
    withheld: BTreeMap<String, Hash>,
    seq: u64,
    head: Result<Head, Fault>,
}

impl Entry {
    /// An entry from its value, as received or as stored.
    ///
    /// # Errors
    /// `malformed-entry`, `not-canonical`, `bad-text` where it has no chain hash at all: not an object, parts that
    /// are not objects, a field beside the parts, or no whole `head.seq`. Everything else is an entry, see [`Entry::head`].
    pub fn from_value(value: Value) -> Result<Self, Fault> {
        canonical::check(&value)?;
        let malformed = |pointer: &str, detail: &str| Fault::new(code::MALFORMED_ENTRY, pointer, detail);
        let Value::Object(raw) = value else { return Err(malformed("", "an entry is an object")) };
        let mut withheld = BTreeMap::new();
        for (key, part) in &raw {
            if key == "withheld" {
                withheld =
                    BTreeMap::<String, Hash>::deserialize(part).map_err(|e| malformed("/withheld", &e.to_string()))?;
            } else if !PARTS.contains(&key.as_str()) {
                return Err(malformed(&format!("/{key}"), "an entry has head, body, words, office and withheld only"));
            } else if !part.is_object() {
                return Err(malformed(&format!("/{key}"), "a part is an object"));
            }
        }
        for key in withheld.keys() {
            if key == "head" || !PARTS.contains(&key.as_str()) || raw.contains_key(key) {
                return Err(malformed("/withheld", "a withheld part is body, words or office, and not also there"));
            }
        }
        let head = raw.get("head").ok_or_else(|| malformed("/head", "an entry has a head"))?;
        if !raw.contains_key("body") && !withheld.contains_key("body") {
            return Err(malformed("/body", "an entry has a body"));
        }
        let seq = head.get("seq").and_then(Value::as_u64).filter(|seq| *seq >= 1);
        let seq = seq.ok_or_else(|| Fault::new(code::OUT_OF_RANGE, "/head/seq", "seq is a whole number from 1"))?;
        let head = read_head(head);
        Ok(Self { raw, withheld, seq, head })
    }

    /// A new entry from its parts.
    ///
    /// # Errors
    /// As [`Entry::from_value`].
    pub fn new(
        head: &Head,
        body: Map<String, Value>,
        words: Option<Map<String, Value>>,
        office: Option<Map<String, Value>>,
    ) -> Result<Self, Fault> {
        let mut raw = Map::new();
        let head = serde_json::to_value(head).map_err(|e| Fault::new(code::MALFORMED_ENTRY, "/head", e.to_string()))?;
        raw.insert("head".into(), head);
        raw.insert("body".into(), Value::Object(body));
        for (key, part) in [("words", words), ("office", office)] {
            if let Some(part) = part {
                raw.insert(key.into(), Value::Object(part));
            }
        }
        Self::from_value(Value::Object(raw))
    }

    /// An entry from stored or received bytes.
    ///
    /// # Errors
    /// As [`Entry::from_value`], and `malformed-json`.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, Fault> {
        Self::from_value(canonical::read(bytes)?)
    }

    /// An entry from bytes that this program stored itself after checking them: the strict checks are not repeated.
    ///
    /// # Errors
    /// As [`Entry::from_value`] where the bytes are damaged.
    pub fn from_trusted_bytes(bytes: &[u8]) -> Result<Self, Fault> {
        let damaged = |detail: String| Fault::new(code::MALFORMED_ENTRY, "", detail);
        let value: Value = serde_json::from_slice(bytes).map_err(|e| damaged(e.to_string()))?;
        let Value::Object(raw) = value else { return Err(damaged("an entry is an object".into())) };
        let withheld = match raw.get("withheld") {
            Some(part) => BTreeMap::deserialize(part).map_err(|e| damaged(e.to_string()))?,
            None => BTreeMap::new(),
        };
        let head = raw.get("head").ok_or_else(|| damaged("an entry has a head".into()))?;
        let seq = head.get("seq").and_then(Value::as_u64).ok_or_else(|| damaged("an entry has a number".into()))?;
        let head = read_head(head);
        Ok(Self { raw, withheld, seq, head })
    }

    /// The canonical bytes of the whole entry: what is stored.
    #[must_use]
    pub fn canonical(&self) -> Vec<u8> {
        canonical::bytes(&Value::Object(self.raw.clone()))
    }

    /// The entry as JSON.
    #[must_use]
    pub fn as_map(&self) -> &Map<String, Value> {
        &self.raw
    }

    /// Its number in the device's log.
    #[must_use]
    pub fn seq(&self) -> u64 {
        self.seq
    }

    /// The head, or what is wrong with it.
    ///
    /// # Errors
    /// A stable code and the place, for an entry that has to stand aside.
    pub fn head(&self) -> Result<&Head, &Fault> {
        self.head.as_ref()
    }

    /// One of the parts `body`, `words`, `office`.
    #[must_use]
    pub fn part(&self, name: &str) -> Part<'_> {
        match (self.raw.get(name).and_then(Value::as_object), self.withheld.get(name)) {
            (Some(map), _) => Part::Open(map),
            (None, Some(hash)) => Part::Withheld(*hash),
            (None, None) => Part::Absent,
        }
    }

    /// What the person wrote in their own words, if anything and if not withheld.
    #[must_use]
    pub fn text(&self) -> Option<&str> {
        self.raw.get("words")?.get("text")?.as_str()
    }

    /// The hash of one part: SHA-256 of its canonical bytes, [`Hash::ZERO`] if there is none.
    #[must_use]
    pub fn part_hash(&self, name: &str) -> Hash {
        match (self.raw.get(name), self.withheld.get(name)) {
            (Some(part), _) => Hash::of(&[&canonical::bytes(part)]),
            (None, Some(hash)) => *hash,
            (None, None) => Hash::ZERO,
        }
    }

    /// The same entry with one part replaced by its hash. A part that is absent stays absent.
    #[must_use]
    pub fn withhold(mut self, name: &str) -> Self {
        if name != "head" && self.raw.contains_key(name) {
            self.withheld.insert(name.to_owned(), self.part_hash(name));
            self.raw.remove(name);
            let list = self.withheld.iter().map(|(k, h)| (k.clone(), Value::String(h.to_string()))).collect();
            self.raw.insert("withheld".into(), Value::Object(list));
        }
        self
    }
}

fn read_head(value: &Value) -> Result<Head, Fault> {
    // Times are read first: serde would report them without their code.
    for (pointer, text) in [("/head/at", value.pointer("/at")), ("/head/clock/wall", value.pointer("/clock/wall"))] {
        if let Some(text) = text {
            let text = text.as_str().ok_or_else(|| Fault::new(code::BAD_TIME, pointer, "a time is a text"))?;
            text.parse::<Moment>().map_err(|fault| Fault { pointer: pointer.to_owned(), ..fault })?;
        }
    }
    let head = Head::deserialize(value).map_err(|e| Fault::new(code::MALFORMED_ENTRY, "/head", e.to_string()))?;
    if head.machine.is_some() != head.mseq.is_some() {
        return Err(Fault::new(code::MALFORMED_ENTRY, "/head/mseq", "mseq is there if and only if machine is"));
    }
    if head.kind.is_empty() || head.kind.len() > 64 || !head.kind.bytes().all(|c| c.is_ascii_lowercase() || c == b'_') {
        return Err(Fault::new(code::MALFORMED_ENTRY, "/head/kind", "a kind is lower-case letters and underscores"));
    }
    if head.clock.as_ref().is_some_and(|clock| clock.boot.len() > 16) {
        return Err(Fault::new(code::OUT_OF_RANGE, "/head/clock/boot", "a boot id has at most 16 characters"));
    }
    Ok(head)
}

/// The order in which an entry is written on the wire: what repeats from entry to entry stands together, so that a
/// batch compresses a twentieth better than in canonical order. Any order is read; hashes are of canonical bytes.
const WIRE_ORDER: [&str; 5] = ["head", "body", "words", "office", "withheld"];
/// The same within the head.
const WIRE_ORDER_HEAD: [&str; 8] = ["by", "at", "machine", "clock", "mseq", "seq", "kind", "seen"];

impl Serialize for Entry {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        let mut parts = s.serialize_map(Some(self.raw.len()))?;
        for (name, part) in ordered(&self.raw, &WIRE_ORDER) {
            match part {
                Value::Object(head) if name == "head" => parts.serialize_entry(name, &InWireOrder(head))?,
                part => parts.serialize_entry(name, part)?,
            }
        }
        parts.end()
    }
}

struct InWireOrder<'a>(&'a Map<String, Value>);

impl Serialize for InWireOrder<'_> {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_map(ordered(self.0, &WIRE_ORDER_HEAD))
    }
}

/// The fields named first, in that order, then the others.
fn ordered<'a>(map: &'a Map<String, Value>, first: &'a [&'a str]) -> impl Iterator<Item = (&'a String, &'a Value)> {
    let named = first.iter().filter_map(|name| map.get_key_value(*name));
    named.chain(map.iter().filter(|(name, _)| !first.contains(&name.as_str())))
}

impl<'de> Deserialize<'de> for Entry {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let value = Value::deserialize(d)?;
        Entry::from_value(value).map_err(|fault| de::Error::custom(fault.to_string()))
    }
}

/// An entry together with what its holder knows about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// The device whose log holds it.
    pub device: DeviceId,
    /// Its link in that log.
    pub link: Hash,
    /// Its position in the ledger; none while only devices hold it.
    pub position: Option<u64>,
    /// When the server received it, in milliseconds since 1970.
    pub received_ms: Option<i64>,
    /// How far the device's clock was off, in seconds (positive: ahead), where that can be told and is marked.
    pub off_s: Option<i64>,
    /// Why it is set aside, if it is: kept and shown, but not counted.
    pub aside: Option<String>,
    /// The entry.
    pub entry: Entry,
}

impl Held {
    /// The name of the entry.
    #[must_use]
    pub fn name(&self) -> EntryRef {
        EntryRef { device: self.device, seq: self.entry.seq() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn sample() -> Value {
        json!({"head":{"v":1,"seq":3,"machine":"BwcHBwcHBwcHBwcHBwcHBw","mseq":2,"seen":0,"at":"2026-05-04T07:12:33+02:00",
            "by":"AQEBAQEBAQEBAQEBAQEBAQ","kind":"note_left","later":{"kept":true}},"body":{},"words":{"salt":"x","text":"squeaks"}})
    }

    #[test]
    fn a_withheld_part_keeps_its_hash_and_unknown_fields_are_kept() {
        let entry = Entry::from_value(sample()).expect("an entry");
        let hash = entry.part_hash("words");
        let hidden = entry.clone().withhold("words").withhold("office");
        assert_eq!(hidden.part_hash("words"), hash);
        assert_eq!(hidden.part("words"), Part::Withheld(hash));
        assert_eq!(hidden.part_hash("office"), Hash::ZERO);
        assert_eq!(hidden.text(), None);
        assert_eq!(Entry::from_bytes(&hidden.canonical()).expect("reads back"), hidden);
        assert_eq!(Entry::from_trusted_bytes(&hidden.canonical()).expect("reads back"), hidden);
        assert!(String::from_utf8(entry.canonical()).expect("UTF-8").contains(r#""later":{"kept":true}"#));
    }

    #[test]
    fn a_bad_head_is_still_an_entry_with_a_fault() {
        for (pointer, bad, code) in [
            ("/head/at", json!("2026-05-04T07:12:60Z"), code::BAD_TIME),
            ("/head/at", json!(7), code::BAD_TIME),
            ("/head/by", json!("x"), code::MALFORMED_ENTRY),
            ("/head/mseq", Value::Null, code::MALFORMED_ENTRY),
            ("/head/kind", json!("Note"), code::MALFORMED_ENTRY),
            ("/head/seen", json!(-1), code::MALFORMED_ENTRY),
        ] {
            let mut value = sample();
            *value.pointer_mut(pointer).expect(pointer) = bad;
            let entry = Entry::from_value(value).expect("still an entry");
            assert_eq!(entry.head().expect_err(pointer).code, code, "{pointer}");
        }
        for (pointer, bad) in
            [("/head/seq", json!(0)), ("/head/seq", json!("1")), ("/body", json!([])), ("/words", json!(1))]
        {
            let mut value = sample();
            *value.pointer_mut(pointer).expect(pointer) = bad;
            assert_eq!(Entry::from_value(value).expect_err(pointer).pointer, pointer);
        }
    }
}
