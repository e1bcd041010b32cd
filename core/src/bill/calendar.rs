//! Days, times of day, and currencies, as billing writes them.
//!
//! Promises: a day is `2026-05-04`, a time of day `17:30`, a currency its ISO 4217 code with the places that standard
//! gives it; nothing else is read. Order is the calendar's.
//!
//! Never: what day it is; that is an argument.

use crate::fault::{Fault, code};
use crate::moment::Moment;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::fmt;
use std::str::FromStr;

/// A day of the calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Day(jiff::civil::Date);

impl Day {
    /// The first day that is read.
    pub const FIRST: Self = Self(jiff::civil::date(1970, 1, 1));
    /// The last.
    pub const LAST: Self = Self(jiff::civil::date(9998, 12, 31));

    /// The day of a moment, at the place where it was written.
    #[must_use]
    pub fn of(moment: &Moment) -> Self {
        // What a moment writes first is its day, checked when it was read.
        moment.text().get(..10).and_then(|day| day.parse().ok()).unwrap_or(Self(jiff::civil::Date::MIN))
    }

    /// So many days later.
    #[must_use]
    pub fn after(self, days: u32) -> Self {
        Self(self.0.saturating_add(jiff::Span::new().days(i64::from(days))))
    }

    /// As people write it in a text: `4 May 2026`.
    #[must_use]
    pub fn in_words(self) -> String {
        self.0.strftime("%-d %b %Y").to_string()
    }
}

impl FromStr for Day {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let bad = || Fault::new(code::BAD_TIME, "", "a day is written like 2026-05-04, from 1970 to 9998");
        let parts: Vec<&str> = text.split('-').collect();
        let [year, month, day] = parts.as_slice() else { return Err(bad()) };
        let shaped = (year.len(), month.len(), day.len()) == (4, 2, 2);
        if !shaped || !text.bytes().all(|c| c.is_ascii_digit() || c == b'-') {
            return Err(bad());
        }
        let year: i16 = year.parse().map_err(|_| bad())?;
        let date = jiff::civil::Date::new(year, month.parse().map_err(|_| bad())?, day.parse().map_err(|_| bad())?);
        date.ok().filter(|_| (1970..=9998).contains(&year)).map(Self).ok_or_else(bad)
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

/// A time of day, in minutes from midnight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TimeOfDay {
    /// Minutes from midnight, 0 to 1440.
    pub minute: u16,
}

/// Minutes of a day.
pub const DAY_MINUTES: u16 = 24 * 60;

impl FromStr for TimeOfDay {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let bad = || Fault::new(code::BAD_TIME, "", "a time of day is written like 17:30, 24:00 at most");
        let (hours, minutes) = text.split_once(':').ok_or_else(bad)?;
        let number = |part: &str| -> Option<u16> {
            (part.len() == 2 && part.bytes().all(|c| c.is_ascii_digit())).then(|| part.parse().ok()).flatten()
        };
        let (hours, minutes) = number(hours).zip(number(minutes)).ok_or_else(bad)?;
        let minute = hours * 60 + minutes;
        if minutes > 59 || minute > DAY_MINUTES { Err(bad()) } else { Ok(Self { minute }) }
    }
}

impl fmt::Display for TimeOfDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}:{:02}", self.minute / 60, self.minute % 60)
    }
}

/// A currency of ISO 4217 that has a minor unit or is used without one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Currency {
    listed: iso_currency::Currency,
    digits: u32,
}

impl Currency {
    /// Its three letters.
    #[must_use]
    pub fn code(self) -> &'static str {
        self.listed.code()
    }

    /// Places of its amounts.
    #[must_use]
    pub fn digits(self) -> u32 {
        self.digits
    }
}

impl FromStr for Currency {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let bad = || Fault::new(code::OUT_OF_RANGE, "", "a currency is its ISO 4217 code, like EUR");
        let listed = iso_currency::Currency::from_code(text).filter(|found| found.code() == text).ok_or_else(bad)?;
        // Precious metals and test codes have no places: nobody is billed in them.
        let digits = listed.exponent().map(u32::from).ok_or_else(bad)?;
        Ok(Self { listed, digits })
    }
}

impl fmt::Display for Currency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

macro_rules! as_text {
    ($name:ident, $what:literal, $pattern:literal) => {
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                let text = String::deserialize(d)?;
                text.parse().map_err(|fault: Fault| de::Error::custom(fault.detail))
            }
        }

        #[cfg(feature = "schema")]
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                utoipa::openapi::ObjectBuilder::new()
                    .schema_type(utoipa::openapi::schema::Type::String)
                    .description(Some($what))
                    .pattern(Some($pattern))
                    .into()
            }
        }

        #[cfg(feature = "schema")]
        impl utoipa::ToSchema for $name {}
    };
}

as_text!(Day, "A day, like 2026-05-04", "^[0-9]{4}-[0-9]{2}-[0-9]{2}$");
as_text!(TimeOfDay, "A time of day, like 17:30", "^[0-9]{2}:[0-9]{2}$");
as_text!(Currency, "A currency, by its ISO 4217 code", "^[A-Z]{3}$");

#[cfg(test)]
mod tests {
    use super::*;

    /// Places as ISO 4217 gives them.
    #[test]
    fn currencies_have_the_places_of_the_standard() {
        for (code, digits) in [("EUR", 2), ("USD", 2), ("JPY", 0), ("KRW", 0), ("BHD", 3), ("KWD", 3), ("CLF", 4)] {
            let currency: Currency = code.parse().expect(code);
            assert_eq!((currency.code(), currency.digits()), (code, digits));
        }
        for bad in ["", "eur", "EU", "EURO", "XAU", "XXX", "ABC", "€"] {
            assert!(bad.parse::<Currency>().is_err(), "{bad}");
        }
    }

    #[test]
    fn days_and_times_have_one_spelling() {
        for text in ["2026-05-04", "2024-02-29", "1970-01-01", "9998-12-31"] {
            assert_eq!(text.parse::<Day>().expect(text).to_string(), text);
        }
        for bad in ["", "2026-5-4", "2026-02-29", "1969-12-31", "9999-01-01", "26-05-04", "2026-05-04T", "+026-05-04"] {
            assert!(bad.parse::<Day>().is_err(), "{bad}");
        }
        for text in ["00:00", "17:30", "24:00"] {
            assert_eq!(text.parse::<TimeOfDay>().expect(text).to_string(), text);
        }
        for bad in ["", "7:30", "24:01", "17:60", "17.30", "ab:cd", "-1:00"] {
            assert!(bad.parse::<TimeOfDay>().is_err(), "{bad}");
        }
        let day: Day = "2026-01-31".parse().expect("a day");
        assert_eq!((day.after(30).to_string(), day.in_words()), ("2026-03-02".into(), "31 Jan 2026".into()));
        let moment: Moment = "2026-05-04T23:30:00-05:00".parse().expect("a moment");
        assert_eq!(Day::of(&moment).to_string(), "2026-05-04", "the day of the place, not of Greenwich");
    }
}
