//! A moment as a person's device wrote it: RFC 3339 to the second, with the offset of the place.
//!
//! Promises: the text as made is kept and is what is hashed; order is by instant. Accepts 1970 to 9998 only, no
//! fractions, no leap seconds (a device that shows :60 writes :59), offsets of at most 14 hours.
//! Never a clock: nothing here knows what time it is.

use crate::fault::{Fault, code};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::fmt;
use std::str::FromStr;

/// A moment: the text as made, and the instant it means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Moment {
    text: String,
    second: i64,
    offset_s: i32,
}

impl Moment {
    /// Seconds since 1970-01-01T00:00:00Z.
    #[must_use]
    pub fn second(&self) -> i64 {
        self.second
    }

    /// Seconds east of Greenwich, as the device had it.
    #[must_use]
    pub fn offset_s(&self) -> i32 {
        self.offset_s
    }

    /// The text as made.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The moment of a Unix second, written with an offset.
    ///
    /// # Errors
    /// `bad-time` outside 1970 to 9998.
    pub fn at(second: i64, offset_s: i32) -> Result<Self, Fault> {
        let offset_s = offset_s / 60 * 60;
        let local = jiff::Timestamp::from_second(second.saturating_add(i64::from(offset_s)))
            .map_err(|_| bad("the time lies outside the calendar"))?;
        let civil = jiff::tz::Offset::UTC.to_datetime(local);
        let sign = if offset_s < 0 { '-' } else { '+' };
        let minutes = offset_s.abs() / 60;
        format!("{}{sign}{:02}:{:02}", civil.strftime("%Y-%m-%dT%H:%M:%S"), minutes / 60, minutes % 60).parse()
    }
}

fn bad(detail: &str) -> Fault {
    Fault::new(code::BAD_TIME, "", detail)
}

impl FromStr for Moment {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let shape = || bad("a time is written like 2026-05-04T07:12:33+02:00");
        let b = text.as_bytes();
        if !text.is_ascii() || !(b.len() == 20 || b.len() == 25) {
            return Err(shape());
        }
        let number = |from: usize, to: usize| -> Result<i16, Fault> {
            let digits = &text[from..to];
            if digits.bytes().all(|c| c.is_ascii_digit()) { digits.parse().map_err(|_| shape()) } else { Err(shape()) }
        };
        let marks = [(4, b'-'), (7, b'-'), (10, b'T'), (13, b':'), (16, b':')];
        if marks.iter().any(|&(i, c)| b[i] != c) {
            return Err(shape());
        }
        let narrow = |v: i16| i8::try_from(v).map_err(|_| shape());
        let civil = jiff::civil::DateTime::new(
            number(0, 4)?,
            narrow(number(5, 7)?)?,
            narrow(number(8, 10)?)?,
            narrow(number(11, 13)?)?,
            narrow(number(14, 16)?)?,
            narrow(number(17, 19)?)?,
            0,
        )
        .map_err(|_| bad("there is no such day or time"))?;
        let offset_s = if b.len() == 20 {
            if b[19] != b'Z' {
                return Err(shape());
            }
            0
        } else {
            let (hours, minutes) = (i32::from(number(20, 22)?), i32::from(number(23, 25)?));
            let sign = match (b[19], b[22]) {
                (b'+', b':') => 1,
                (b'-', b':') => -1,
                _ => return Err(shape()),
            };
            if minutes > 59 || hours * 60 + minutes > 14 * 60 {
                return Err(bad("no place is more than 14 hours from Greenwich"));
            }
            sign * (hours * 3600 + minutes * 60)
        };
        let utc = jiff::tz::Offset::UTC.to_timestamp(civil).map_err(|_| bad("the time lies outside the calendar"))?;
        let second = utc.as_second() - i64::from(offset_s);
        if civil.year() > 9998 {
            return Err(bad("a time after 9998"));
        }
        if civil.year() < 1970 || second < 0 {
            return Err(bad("a time before 1970"));
        }
        Ok(Self { text: text.to_owned(), second, offset_s })
    }
}

impl fmt::Display for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl Serialize for Moment {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&self.text)
    }
}

impl<'de> Deserialize<'de> for Moment {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        text.parse().map_err(|fault: Fault| de::Error::custom(fault.detail))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3339 section 5.8: two spellings of one instant.
    #[test]
    fn two_spellings_of_one_instant() {
        let west: Moment = "1996-12-19T16:39:57-08:00".parse().expect("RFC 3339 sample");
        let zulu: Moment = "1996-12-20T00:39:57Z".parse().expect("RFC 3339 sample");
        assert_eq!(west.second(), zulu.second());
        assert_eq!(west.second(), 851_042_397);
        assert_eq!(Moment::at(851_042_397, -8 * 3600).expect("in range").text(), "1996-12-19T16:39:57-08:00");
    }

    #[test]
    fn refuses_times_that_are_none() {
        for text in [
            "",
            "2026-05-04",
            "2026-05-04T07:12:33",
            "2026-05-04T07:12:33.1Z",
            "2026-05-04t07:12:33Z",
            "2026-05-04T07:12:60Z",
            "2026-02-29T07:12:33Z",
            "2026-05-04T24:00:00Z",
            "10000-01-01T00:00:00Z",
            "2026-05-04T07:12:33+99:99",
            "2026-05-04T07:12:33+14:01",
            "1969-12-31T23:59:59Z",
            "1970-01-01T00:00:00+02:00",
            "+026-05-04T07:12:33Z",
            "2026-05-04T07:12:33é ",
            "２026-05-04T07:12:3Z",
        ] {
            assert_eq!(text.parse::<Moment>().expect_err(text).code, code::BAD_TIME, "{text}");
        }
        for text in ["1970-01-01T00:00:00Z", "9998-12-31T23:59:59Z", "2024-02-29T00:00:00+14:00"] {
            assert!(text.parse::<Moment>().is_ok(), "{text}");
        }
    }
}
