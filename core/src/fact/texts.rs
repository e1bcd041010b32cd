//! Which texts an entry may hold: names, and what people write in their own words.
//!
//! Promises: a text that could not be stored, or would make a name look like another, is a fault with its place; so is one
//! that is longer than anyone needs. Never changes a text.

use crate::fault::{Fault, code};
use crate::limits::{LIST_ITEMS_MAX, NAME_CHARS_MAX, WORDS_CHARS_MAX};
use crate::photo::check_files;
use serde_json::{Map, Value};

pub(super) fn check_texts(value: &Value, pointer: &str) -> Result<(), Fault> {
    match value {
        Value::String(text) => check_name(text).map_err(|f| f.under(pointer)),
        Value::Array(items) => {
            if items.len() > LIST_ITEMS_MAX {
                return Err(Fault::new(code::OUT_OF_RANGE, pointer, format!("at most {LIST_ITEMS_MAX} items")));
            }
            items.iter().enumerate().try_for_each(|(i, item)| check_texts(item, &format!("{pointer}/{i}")))
        }
        Value::Object(map) => map.iter().try_for_each(|(key, item)| {
            check_name(key).map_err(|f| f.under(pointer))?;
            check_texts(item, &format!("{pointer}/{key}"))
        }),
        _ => Ok(()),
    }
}

/// Whether a text may be a name: of a machine, a point, a task, a part, a person.
///
/// # Errors
/// `out-of-range` if empty or too long, `bad-text` if it holds a control character, or a character that reorders or
/// hides its neighbours (Unicode bidirectional controls, zero-width characters).
pub fn check_name(text: &str) -> Result<(), Fault> {
    if text.trim().is_empty() || text.chars().count() > NAME_CHARS_MAX {
        return Err(Fault::new(code::OUT_OF_RANGE, "", format!("a name has 1 to {NAME_CHARS_MAX} characters")));
    }
    if text.chars().any(|c| c.is_control() || deceives(c)) {
        return Err(Fault::new(code::BAD_TEXT, "", "a name must not hold control or invisible characters"));
    }
    Ok(())
}

/// Whether a text may be what a person wrote: as a name, but longer and with line ends and tabs.
///
/// # Errors
/// As [`check_name`].
pub fn check_free_text(text: &str) -> Result<(), Fault> {
    if text.chars().count() > WORDS_CHARS_MAX {
        return Err(Fault::new(code::OUT_OF_RANGE, "", format!("at most {WORDS_CHARS_MAX} characters")));
    }
    if text.chars().any(|c| (c.is_control() && !matches!(c, '\n' | '\t')) || deceives(c)) {
        return Err(Fault::new(code::BAD_TEXT, "", "a text must not hold control or invisible characters"));
    }
    Ok(())
}

pub(super) fn check_words(words: &Map<String, Value>) -> Result<(), Fault> {
    if let Some(text) = words.get("text") {
        let place = "/words/text";
        let text = text.as_str().ok_or_else(|| Fault::new(code::MALFORMED_ENTRY, place, "a text is missing"))?;
        check_free_text(text).map_err(|fault| fault.under(place))?;
    }
    check_files(words).map_err(|fault| fault.under("/words"))
}

/// Bidirectional controls and zero-width characters: they make a name look like another.
pub(crate) fn deceives(c: char) -> bool {
    matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}
