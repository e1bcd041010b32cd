//! Reading JSON strictly, and writing its canonical bytes (RFC 8785).
//!
//! Promises: what is read here has exactly one canonical form in every language: whole numbers within
//! ±(2^53−1) only, no duplicate keys, no U+0000, bounded depth. Each refusal names the place.
//! Never guesses: `1.0`, `1e3` and `-0` are refused rather than rounded.

use crate::fault::{Fault, code};
use crate::limits::{INTEGER_MAX, JSON_DEPTH_MAX};
use serde::de::{self, DeserializeSeed, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Value};
use std::cell::RefCell;
use std::fmt;

/// Reads one JSON text strictly.
///
/// # Errors
/// `malformed-json`, `not-canonical` or `bad-text`, with a pointer to the place.
pub fn read(text: &[u8]) -> Result<Value, Fault> {
    let place = Place::default();
    let mut json = serde_json::Deserializer::from_slice(text);
    let value = Strict { place: &place }.deserialize(&mut json).map_err(|error| place.fault(&error))?;
    json.end().map_err(|error| Fault::new(code::MALFORMED_JSON, "", error.to_string()))?;
    Ok(value)
}

/// Checks a value already in memory by the same rules as [`read`].
///
/// # Errors
/// As [`read`].
pub fn check(value: &Value) -> Result<(), Fault> {
    let place = Place::default();
    Strict { place: &place }.deserialize(value).map(|_| ()).map_err(|error| place.fault(&error))
}

/// The canonical bytes of a value that [`read`] or [`check`] has let through.
///
/// Within those rules RFC 8785 is: keys sorted by UTF-16 code units, no spaces, the shortest escapes.
#[must_use]
pub fn bytes(value: &Value) -> Vec<u8> {
    // The library fails only on numbers that are not finite, which a `Value` cannot hold.
    serde_json_canonicalizer::to_vec(value).unwrap_or_default()
}

#[derive(Default)]
struct Place {
    path: RefCell<Vec<String>>,
    refused: RefCell<Option<(&'static str, String)>>,
}

impl Place {
    fn refuse<E: de::Error>(&self, code: &'static str, detail: impl Into<String>) -> E {
        let detail = detail.into();
        *self.refused.borrow_mut() = Some((code, detail.clone()));
        E::custom(detail)
    }

    fn fault(&self, error: &serde_json::Error) -> Fault {
        let pointer: String =
            self.path.borrow().iter().map(|s| format!("/{}", s.replace('~', "~0").replace('/', "~1"))).collect();
        match self.refused.borrow_mut().take() {
            Some((code, detail)) => Fault::new(code, pointer, detail),
            None => Fault::new(code::MALFORMED_JSON, pointer, error.to_string()),
        }
    }
}

/// Builds a value while refusing what has no single canonical form. On a refusal the path is left standing.
struct Strict<'a> {
    place: &'a Place,
}

impl<'de> DeserializeSeed<'de> for Strict<'_> {
    type Value = Value;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Value, D::Error> {
        d.deserialize_any(self)
    }
}

impl Strict<'_> {
    fn whole<E: de::Error>(&self, within: bool, value: Value) -> Result<Value, E> {
        if within {
            Ok(value)
        } else {
            Err(self.place.refuse(code::NOT_CANONICAL, "a whole number must lie within ±(2^53−1)"))
        }
    }

    fn text<E: de::Error>(&self, text: &str) -> Result<String, E> {
        if text.contains('\0') {
            return Err(self.place.refuse(code::BAD_TEXT, "a text must not hold U+0000"));
        }
        Ok(text.to_owned())
    }

    fn deeper<E: de::Error>(&self) -> Result<(), E> {
        if self.place.path.borrow().len() >= JSON_DEPTH_MAX {
            return Err(self.place.refuse(code::MALFORMED_JSON, "nested too deep"));
        }
        Ok(())
    }
}

impl<'de> Visitor<'de> for Strict<'_> {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }
    fn visit_unit<E: de::Error>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }
    fn visit_bool<E: de::Error>(self, v: bool) -> Result<Value, E> {
        Ok(Value::Bool(v))
    }
    fn visit_i64<E: de::Error>(self, v: i64) -> Result<Value, E> {
        self.whole((-INTEGER_MAX..=INTEGER_MAX).contains(&v), v.into())
    }
    fn visit_u64<E: de::Error>(self, v: u64) -> Result<Value, E> {
        self.whole(v <= INTEGER_MAX.unsigned_abs(), v.into())
    }
    fn visit_f64<E: de::Error>(self, _: f64) -> Result<Value, E> {
        Err(self.place.refuse(code::NOT_CANONICAL, "only whole numbers; write a decimal as a text"))
    }
    fn visit_str<E: de::Error>(self, v: &str) -> Result<Value, E> {
        self.text(v).map(Value::String)
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        self.deeper()?;
        let mut items = Vec::new();
        loop {
            self.place.path.borrow_mut().push(items.len().to_string());
            let Some(item) = seq.next_element_seed(Strict { place: self.place })? else { break };
            items.push(item);
            self.place.path.borrow_mut().pop();
        }
        self.place.path.borrow_mut().pop();
        Ok(Value::Array(items))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut access: A) -> Result<Value, A::Error> {
        self.deeper()?;
        let mut map = Map::new();
        while let Some(key) = access.next_key::<String>()? {
            self.place.path.borrow_mut().push(key.clone());
            let key = self.text(&key)?;
            if map.contains_key(&key) {
                return Err(self.place.refuse(code::MALFORMED_JSON, "the same key twice in one object"));
            }
            let item = access.next_value_seed(Strict { place: self.place })?;
            map.insert(key, item);
            self.place.path.borrow_mut().pop();
        }
        Ok(Value::Object(map))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(text: &str) -> (String, String) {
        let fault = read(text.as_bytes()).expect_err(text);
        (fault.code, fault.pointer)
    }

    #[test]
    fn refuses_what_other_languages_read_differently() {
        let at = |code: &str, pointer: &str| (code.to_owned(), pointer.to_owned());
        assert_eq!(refused(r#"{"a":[1,{"b":1.0}]}"#), at(code::NOT_CANONICAL, "/a/1/b"));
        assert_eq!(refused(r#"{"a":1e3}"#), at(code::NOT_CANONICAL, "/a"));
        assert_eq!(refused(r#"{"a":-0}"#), at(code::NOT_CANONICAL, "/a"));
        assert_eq!(refused(r#"{"a":9007199254740992}"#), at(code::NOT_CANONICAL, "/a"));
        assert_eq!(refused(r#"{"a":99999999999999999999999}"#), at(code::NOT_CANONICAL, "/a"));
        assert_eq!(refused(r#"{"a":{"b":1,"b":2}}"#), at(code::MALFORMED_JSON, "/a/b"));
        assert_eq!(refused(r#"{"x/y~":"a\u0000b"}"#), at(code::BAD_TEXT, "/x~1y~0"));
        assert_eq!(refused(r#"{"a":"\ud800"}"#).0, code::MALFORMED_JSON);
        assert_eq!(refused(r#"{"a":1} x"#).0, code::MALFORMED_JSON);
        assert_eq!(refused("\u{feff}{}").0, code::MALFORMED_JSON);
        assert_eq!(refused("NaN").0, code::MALFORMED_JSON);
        assert_eq!(refused("").0, code::MALFORMED_JSON);
        assert_eq!(refused(&"[".repeat(100_000)).0, code::MALFORMED_JSON);
        assert_eq!(refused(&format!("{}1{}", "[".repeat(65), "]".repeat(65))).0, code::MALFORMED_JSON);
    }

    #[test]
    fn reads_the_whole_allowed_range() {
        let value = read(br#"{"b":[],"a":[null,true,-9007199254740991,9007199254740991,{"":"x"}]}"#).expect("allowed");
        assert_eq!(
            String::from_utf8(bytes(&value)).expect("UTF-8"),
            r#"{"a":[null,true,-9007199254740991,9007199254740991,{"":"x"}],"b":[]}"#
        );
        assert_eq!(check(&value), Ok(()));
    }

    /// RFC 8785 section 3.2.3: keys sort by UTF-16 code units. The sample and its order are the RFC's own.
    #[test]
    fn sorts_keys_as_rfc_8785_prints() {
        let text = r#"{"\u20ac":"Euro Sign","\r":"Carriage Return","\ufb33":"Hebrew Letter Dalet With Dagesh","1":"One","\ud83d\ude00":"Emoji: Grinning Face","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis"}"#;
        let canonical = String::from_utf8(bytes(&read(text.as_bytes()).expect("allowed"))).expect("UTF-8");
        let order: Vec<&str> = ["Carriage", "One", "Control", "Latin", "Euro", "Emoji", "Hebrew"].to_vec();
        let mut last = 0;
        for word in order {
            let place = canonical.find(word).expect(word);
            assert!(place > last, "{word} out of order in {canonical}");
            last = place;
        }
    }
}
