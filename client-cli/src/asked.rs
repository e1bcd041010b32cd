//! What people type, as values: readings, amounts, times, signs, materials.
//!
//! Promises: generous in form (a decimal comma, a unit behind the number, hyphens in a sign), strict in meaning; what
//! is not understood is answered with how it is written. Pure: the clock and the last reading are arguments.

use crate::ambient::Wall;
use crate::problem::{Code, Problem};
use crate::store::LastReading;
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, Offset};
use pintle_core::decimal::Decimal;
use pintle_core::fact::{Material, MeterChange, Sign, Skipped, Urgency};
use pintle_core::moment::Moment;
use std::str::FromStr;

/// Most minutes an entry tells of: 30 days.
const MINUTES_MAX: i64 = 43_200;

/// A decimal as people write it: `4127.5`, `4127,5`, `120 l`, `4127.5h`; or why it is none.
fn amount(text: &str) -> Result<Decimal, &'static str> {
    let text = text.trim();
    let number = text.trim_end_matches(|c: char| c.is_ascii_alphabetic()).trim_end().replace(',', ".");
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|c| c.is_ascii_digit());
    let (whole, places) = number.split_once('.').unwrap_or((&number, "0"));
    if let Some(size) = number.strip_prefix('-') {
        return Err(if size.starts_with(|c: char| c.is_ascii_digit()) { "it is below nothing" } else { NO_NUMBER });
    }
    match number.parse() {
        Ok(decimal) => Ok(decimal),
        Err(_) if digits(whole) && digits(places) && whole.len() > 7 => Err("it has more than seven digits"),
        Err(_) if digits(whole) && digits(places) => Err("it is finer than a thousandth"),
        Err(_) => Err(NO_NUMBER),
    }
}

const NO_NUMBER: &str = "it is no number";

/// Whether a word is a reading rather than a name; one that cannot be true is still meant as one.
#[must_use]
pub fn is_reading(word: &str) -> bool {
    amount(word.strip_prefix('+').unwrap_or(word)).map_or_else(|why| why != NO_NUMBER, |_| true)
}

/// A reading: `4127.5`, or `+4.5` since the last one of the meter; `machine` is named in the answer.
///
/// # Errors
/// `unclear-reading`, `no-last-reading`.
pub fn reading(word: &str, machine: &str, last: Option<LastReading>) -> Result<Decimal, Problem> {
    let unclear = |why| {
        Problem::new(Code::UnclearReading, format!("{word:?} is not a reading: {why}"))
            .hint("like 4127.5, or +4.5 for since last time")
    };
    let Some(more) = word.strip_prefix('+') else { return amount(word).map_err(unclear) };
    let more = amount(more).map_err(unclear)?;
    let last = last.ok_or_else(|| {
        Problem::new(Code::NoLastReading, format!("{machine} has no reading yet to add to"))
            .hint(format!("pintle read {} 4127.5", quoted(machine)))
    })?;
    // Both are at most ten million; what is more than that is refused with the entry.
    Ok(Decimal::from_milli(last.reading.milli.saturating_add(more.milli)))
}

/// An amount such as litres.
///
/// # Errors
/// `unclear-words`.
pub fn decimal(what: &str, word: &str) -> Result<Decimal, Problem> {
    amount(word).map_err(|why| {
        Problem::new(Code::UnclearWords, format!("{word:?} is not a number of {what}: {why}"))
            .hint("like 120, or 118.5")
    })
}

/// Whole minutes of work.
///
/// # Errors
/// `unclear-words`.
pub fn minutes(word: &str) -> Result<i64, Problem> {
    let minutes = word.trim().trim_end_matches(|c: char| c.is_ascii_alphabetic()).trim_end().parse().ok();
    minutes.filter(|minutes| (0..=MINUTES_MAX).contains(minutes)).ok_or_else(|| {
        Problem::new(Code::UnclearWords, format!("{word:?} is not a number of minutes, 0 to {MINUTES_MAX}"))
            .hint("like 35")
    })
}

/// One of a fixed set of words, hyphens and case aside.
///
/// # Errors
/// `unclear-words`, with the set.
pub fn word<T: FromStr<Err = String>>(what: &str, text: &str) -> Result<T, Problem> {
    let plain = text.trim().to_lowercase().replace(['-', '_'], " ");
    plain.parse().map_err(|all: String| Problem::new(Code::UnclearWords, format!("{text:?} is no {what}")).hint(all))
}

/// How urgent, with the short word for tagged out.
///
/// # Errors
/// `unclear-words`.
pub fn urgency(text: &str) -> Result<Urgency, Problem> {
    if text.eq_ignore_ascii_case("out") {
        return Ok(Urgency::TaggedOut);
    }
    word("urgency", text).map_err(|p| p.hint("one of: watch, soon, out"))
}

/// Why a meter no longer goes on.
///
/// # Errors
/// `unclear-words`.
pub fn meter_change(text: &str) -> Result<MeterChange, Problem> {
    word("reason", text)
}

/// A sign at the start of some words (the longest that fits), and how many words it takes.
#[must_use]
pub fn sign(words: &[&str]) -> Option<(Sign, usize)> {
    (1..=words.len().min(3)).rev().find_map(|n| Some((word("sign", &words[..n].join(" ")).ok()?, n)))
}

/// `boom foot: not reached`, or only the point.
#[must_use]
pub fn skipped(text: &str) -> Skipped {
    match text.split_once(':') {
        Some((point, reason)) if !reason.trim().is_empty() => {
            Skipped { point: point.trim().to_owned(), reason: Some(reason.trim().to_owned()) }
        }
        _ => Skipped { point: text.trim().trim_end_matches(':').to_owned(), reason: None },
    }
}

/// `grease NLGI 2 EP:120 g`, or only the name.
///
/// # Errors
/// `unclear-words` if what stands behind the colon does not start with a number.
pub fn material(text: &str) -> Result<Material, Problem> {
    let Some((name, amount)) = text.rsplit_once(':').filter(|(_, amount)| !amount.trim().is_empty()) else {
        return Ok(Material { name: text.trim().trim_end_matches(':').to_owned(), amount: None, unit: None });
    };
    let amount = amount.trim();
    let end = amount.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ',')).unwrap_or(amount.len());
    let unit = amount[end..].trim();
    Ok(Material {
        name: name.trim().to_owned(),
        amount: Some(self::amount(&amount[..end]).map_err(|why| {
            Problem::new(Code::UnclearWords, format!("{amount:?} does not say how much: {why}"))
                .hint("like \"grease NLGI 2 EP:120 g\"")
        })?),
        unit: Some(unit.to_owned()).filter(|unit| !unit.is_empty()),
    })
}

/// `POINT=WORD`, split.
///
/// # Errors
/// `unclear-words`.
pub fn at_point(text: &str) -> Result<(String, String), Problem> {
    let (point, word) = text.split_once('=').ok_or_else(|| {
        Problem::new(Code::UnclearWords, format!("{text:?} does not say which point")).hint("like \"bucket pin=metal\"")
    })?;
    Ok((point.trim().to_owned(), word.trim().to_owned()))
}

/// A time that was asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct AskedTime {
    /// The moment it means.
    pub at: Moment,
    /// Where the clocks went back and the time came twice: the other one. The first is taken.
    pub again: Option<Moment>,
}

/// A time: `07:10`, `yesterday 17:00`, `2026-05-04 07:10`, `2026-05-04T07:10:00+02:00`, `-2h`, `-1d 3h`, `-20m`.
///
/// # Errors
/// `unclear-time`; also where the clocks went forward and the time never came.
pub fn moment(text: &str, wall: &Wall) -> Result<AskedTime, Problem> {
    let unclear = || {
        Problem::new(Code::UnclearTime, format!("{text:?} is not a time"))
            .hint("like 07:10, \"yesterday 17:00\", \"2026-05-04 07:10\" or -2h")
    };
    let once = |at| Ok(AskedTime { at, again: None });
    if let Ok(moment) = text.parse::<Moment>() {
        return once(moment);
    }
    if let Some(back) = text.strip_prefix('-') {
        let second = ago_s(back).and_then(|s| wall.second.checked_sub(s)).filter(|s| *s >= 0);
        return second.map(|s| wall.moment(s)).ok_or_else(unclear).and_then(once);
    }
    let civil = civil(text, today(wall)).ok_or_else(unclear)?;
    let meant = |offset: Offset| {
        let second = offset.to_timestamp(civil).map_err(|_| unclear())?.as_second();
        Moment::at(second, offset.seconds()).map_err(|_| unclear())
    };
    match wall.zone.to_ambiguous_timestamp(civil).offset() {
        AmbiguousOffset::Unambiguous { offset } => once(meant(offset)?),
        AmbiguousOffset::Fold { before, after } => Ok(AskedTime { at: meant(before)?, again: Some(meant(after)?) }),
        AmbiguousOffset::Gap { before, .. } => {
            // Read by the clock as it stood before, it lies as far behind the change.
            let later = wall.moment(meant(before)?.second());
            let later = later.text().get(..16).unwrap_or_default().replace('T', " ");
            Err(Problem::new(Code::UnclearTime, format!("{text} never came: the clocks went forward"))
                .hint(format!("--at \"{later}\"?")))
        }
    }
}

fn today(wall: &Wall) -> Date {
    let at = jiff::Timestamp::from_second(wall.second).unwrap_or_default();
    wall.zone.to_datetime(at).date()
}

fn civil(text: &str, today: Date) -> Option<DateTime> {
    let text = text.trim();
    let (day, time) = match text.split_once([' ', 'T']) {
        Some((day, time)) => (Some(day), time.trim()),
        None => (None, text),
    };
    let day = match day {
        None | Some("today") => today,
        Some("yesterday") => today.yesterday().ok()?,
        Some(date) => date.parse().ok()?,
    };
    let parts: Vec<i8> =
        time.split(':').map(|p| if p.len() == 2 { p.parse().ok() } else { None }).collect::<Option<_>>()?;
    let time = match parts[..] {
        [hour, minute] => Time::new(hour, minute, 0, 0).ok()?,
        [hour, minute, second] => Time::new(hour, minute, second, 0).ok()?,
        _ => return None,
    };
    Some(day.to_datetime(time))
}

/// Seconds of `2h`, `1d 3h`, `90m`.
fn ago_s(text: &str) -> Option<i64> {
    let mut seconds: i64 = 0;
    let mut number = String::new();
    for c in text.chars().filter(|c| !c.is_whitespace()) {
        let unit_s = match c {
            '0'..='9' => {
                number.push(c);
                continue;
            }
            'd' => 86_400,
            'h' => 3_600,
            'm' => 60,
            's' => 1,
            _ => return None,
        };
        seconds = std::mem::take(&mut number).parse::<i64>().ok()?.checked_mul(unit_s)?.checked_add(seconds)?;
    }
    (number.is_empty() && !text.trim().is_empty()).then_some(seconds)
}

/// A word as it can be typed into a shell.
#[must_use]
pub fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | '+' | ':' | '/' | ',' | '=');
    if !word.is_empty() && word.chars().all(plain) {
        return word.to_owned();
    }
    format!("\"{}\"", word.replace(['\\', '"', '$', '`'], ""))
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::tz::TimeZone;

    fn wall() -> Wall {
        let now: Moment = "2026-05-04T07:12:33+02:00".parse().expect("a moment");
        let zone = TimeZone::fixed(Offset::from_seconds(now.offset_s()).expect("an offset"));
        Wall { second: now.second(), zone }
    }

    #[test]
    fn times_as_people_write_them() {
        for (text, expected) in [
            ("07:10", "2026-05-04T07:10:00+02:00"),
            ("today 06:00:30", "2026-05-04T06:00:30+02:00"),
            ("yesterday 17:00", "2026-05-03T17:00:00+02:00"),
            ("2026-05-01 07:10", "2026-05-01T07:10:00+02:00"),
            ("2026-05-01T07:10", "2026-05-01T07:10:00+02:00"),
            ("2026-05-01T07:10:00Z", "2026-05-01T07:10:00Z"),
            ("-2h", "2026-05-04T05:12:33+02:00"),
            ("-1d 3h", "2026-05-03T04:12:33+02:00"),
            ("-20m", "2026-05-04T06:52:33+02:00"),
        ] {
            assert_eq!(moment(text, &wall()).expect(text).at.text(), expected, "{text}");
        }
        for text in
            ["", "-", "7", "7:10", "25:00", "2026-02-30 07:10", "tomorrow 07:10", "-2", "-2x", "-9999999999d", "é"]
        {
            assert_eq!(moment(text, &wall()).expect_err(text).code, Code::UnclearTime, "{text}");
        }
    }

    #[test]
    fn readings_as_people_write_them() {
        let last = LastReading { reading: "4127".parse().expect("a decimal"), at_s: 0 };
        for (text, expected) in [("4127.5", "4127.5"), ("4127,5", "4127.5"), ("4127.5h", "4127.5"), ("+4.5", "4131.5")]
        {
            assert!(is_reading(text), "{text}");
            assert_eq!(reading(text, "EX3", Some(last)).expect(text).to_string(), expected);
        }
        for text in ["-5", "99999999", "1.2345"] {
            assert!(is_reading(text), "{text} is meant as one");
        }
        for text in ["-5", "-0.1", "99999999", "+99999999", "1.2345", "1,2345"] {
            assert_eq!(reading(text, "EX3", Some(last)).expect_err(text).code, Code::UnclearReading, "{text}");
        }
        for text in ["", "EX3", "4127.5.1", "1e3", "+", "h"] {
            assert!(!is_reading(text), "{text}");
            assert_eq!(reading(text, "EX3", Some(last)).expect_err(text).code, Code::UnclearReading, "{text}");
        }
        assert_eq!(reading("+1", "EX3", None).expect_err("no last").code, Code::NoLastReading);
    }

    #[test]
    fn the_longest_sign_is_taken() {
        assert_eq!(sign(&["missing", "fitting", "boom"]), Some((Sign::MissingFitting, 2)));
        assert_eq!(sign(&["metal-in-grease", "boom"]), Some((Sign::MetalInGrease, 1)));
        assert_eq!(sign(&["Squeak"]), Some((Sign::Squeak, 1)));
        assert_eq!(sign(&["boom", "squeak"]), None);
        assert_eq!(sign(&[]), None);
    }

    #[test]
    fn materials_and_skips() {
        let grease = material("grease NLGI 2 EP:120 g").expect("a material");
        let text = grease.amount.map(|a| a.to_string());
        assert_eq!(
            (grease.name.as_str(), text.as_deref(), grease.unit.as_deref()),
            ("grease NLGI 2 EP", Some("120"), Some("g"))
        );
        assert_eq!(material("filter").expect("a material").amount, None);
        assert_eq!(material("filter:one").expect_err("no number").code, Code::UnclearWords);
        assert_eq!(skipped("boom foot: not reached").reason.as_deref(), Some("not reached"));
        assert_eq!(skipped("boom foot:").point, "boom foot");
    }
}
