//! Units of quantities: codes of UN/ECE Recommendation 20, and what people write for them.
//!
//! Promises: a code that is not known here is refused where the office writes it, because a bill with it would be
//! refused elsewhere. What crews write (`g`, `litres`, `pieces`) is understood, or shown as unknown, never guessed.
//!
//! Never: a conversion that is not exact.

use super::amount::Amount;
use crate::fault::{Fault, code};

/// Codes, what crews write for them, and what stands on a bill. From UN/ECE Recommendation 20.
const UNITS: &[(&str, &[&str], &str)] = &[
    ("MIN", &["min", "minutes"], "min"),
    ("HUR", &["h", "hour", "hours"], "h"),
    ("DAY", &["day", "days"], "d"),
    ("EA", &["", "piece", "pieces", "pc", "pcs", "each"], "×"),
    ("C62", &["one"], "×"),
    ("LS", &["lump sum"], "×"),
    ("LTR", &["l", "litre", "litres", "liter", "liters"], "l"),
    ("MLT", &["ml", "millilitres"], "ml"),
    ("KGM", &["kg", "kilogram", "kilograms"], "kg"),
    ("GRM", &["g", "gram", "grams"], "g"),
    ("MTR", &["m", "metre", "metres", "meter", "meters"], "m"),
    ("KMT", &["km", "kilometres", "kilometers"], "km"),
    ("SMI", &["mile", "miles"], "mi"),
    ("GLL", &["gal", "gallon", "gallons"], "gal"),
];

/// Units that are a whole part of another: so many of the first are one of the second.
const PARTS_OF: &[(&str, &str, i64)] =
    &[("MIN", "HUR", 60), ("GRM", "KGM", 1000), ("MLT", "LTR", 1000), ("MTR", "KMT", 1000)];

/// Whether a code may stand on a bill.
///
/// # Errors
/// `out-of-range` for one that is not known here.
pub fn check(code_text: &str) -> Result<(), Fault> {
    if UNITS.iter().any(|(code, _, _)| *code == code_text) {
        return Ok(());
    }
    let known: Vec<_> = UNITS.iter().map(|(code, _, _)| *code).collect();
    Err(Fault::new(code::OUT_OF_RANGE, "", format!("one of {}", known.join(" "))))
}

/// The code of what a person wrote, in any case; pieces where nothing is written.
#[must_use]
pub fn of_words(words: Option<&str>) -> Option<&'static str> {
    let words = words.unwrap_or_default().trim().to_lowercase();
    UNITS
        .iter()
        .find(|(code, written, _)| written.contains(&words.as_str()) || code.to_lowercase() == words)
        .map(|u| u.0)
}

/// How it is written behind a number on a bill.
#[must_use]
pub fn in_words(code_text: &str) -> &str {
    UNITS.iter().find(|(code, _, _)| *code == code_text).map_or(code_text, |(_, _, words)| words)
}

/// Of how many recorded units a price for `priced` is: 1 where they are the same, 60 for an hour's price of minutes.
#[must_use]
pub fn base(recorded: &str, priced: &str) -> Option<Amount> {
    let pieces = |unit: &str| matches!(unit, "EA" | "C62" | "LS");
    if recorded == priced || (pieces(recorded) && pieces(priced)) {
        return Some(Amount::ONE);
    }
    let found = PARTS_OF.iter().find(|(part, whole, _)| (*part, *whole) == (recorded, priced))?;
    Amount::whole(found.2).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_crews_write_is_understood_or_shown_as_unknown() {
        for (words, code) in
            [(None, "EA"), (Some("g"), "GRM"), (Some("Litres"), "LTR"), (Some(" kg "), "KGM"), (Some("hur"), "HUR")]
        {
            assert_eq!(of_words(words), Some(code), "{words:?}");
        }
        assert_eq!(of_words(Some("buckets")), None);
        assert!(check("KMT").is_ok() && check("KTM").is_err());
    }

    #[test]
    fn a_price_is_for_so_many_of_what_was_recorded() {
        let units = |n| Amount::whole(n).ok();
        assert_eq!(base("MIN", "HUR"), units(60));
        assert_eq!(base("GRM", "KGM"), units(1000));
        assert_eq!(base("EA", "C62"), units(1));
        assert_eq!(base("KGM", "GRM"), None, "a price of a gram is not one of a kilogram");
        assert_eq!(base("LTR", "EA"), None);
    }
}
