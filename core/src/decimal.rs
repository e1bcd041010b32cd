//! Decimals of the field (meter readings, litres, hours): fixed point with three places, never a float.
//!
//! In an entry a decimal is a text such as `"4127.5"`, so that every language keeps its digits.

use crate::fault::{Fault, code};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::fmt;
use std::str::FromStr;

/// A decimal of at most three places, counted in thousandths, 0 to 9,999,999.999.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Decimal {
    /// Thousandths of the unit.
    pub milli: i64,
}

/// Largest decimal, in thousandths: no hour meter or odometer shows more than seven digits.
pub const DECIMAL_MAX_MILLI: i64 = 9_999_999_999;

impl Decimal {
    /// From thousandths.
    #[must_use]
    pub const fn from_milli(milli: i64) -> Self {
        Self { milli }
    }
}

impl FromStr for Decimal {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let shape =
            || Fault::new(code::OUT_OF_RANGE, "", "a decimal is written like 4127.5, with at most three places");
        let (whole, places) = text.split_once('.').unwrap_or((text, "0"));
        let digits = |s: &str| !s.is_empty() && s.bytes().all(|c| c.is_ascii_digit());
        if !digits(whole) || !digits(places) || whole.len() > 7 || places.len() > 3 {
            return Err(shape());
        }
        let whole: i64 = whole.parse().map_err(|_| shape())?;
        let thousandths: i64 = format!("{places:0<3}").parse().map_err(|_| shape())?;
        Ok(Self { milli: whole * 1000 + thousandths })
    }
}

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.milli < 0 { "-" } else { "" };
        let milli = self.milli.unsigned_abs();
        let (whole, places) = (milli / 1000, milli % 1000);
        if places == 0 {
            return write!(f, "{sign}{whole}");
        }
        let text = format!("{places:03}");
        write!(f, "{sign}{whole}.{}", text.trim_end_matches('0'))
    }
}

impl Serialize for Decimal {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Decimal {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        text.parse().map_err(|fault: Fault| de::Error::custom(fault.detail))
    }
}

/// Reads a decimal that was reckoned, not recorded: what is left may be negative, a sum may have more digits than any
/// meter shows. For `#[serde(deserialize_with)]` where such a value is kept or sent.
///
/// # Errors
/// If it is not a decimal of at most three places that fits.
pub fn reckoned<'de, D: Deserializer<'de>>(d: D) -> Result<Decimal, D::Error> {
    let text = String::deserialize(d)?;
    reckoned_milli(&text).map(Decimal::from_milli).ok_or_else(|| de::Error::custom("expected a decimal like -4127.5"))
}

fn reckoned_milli(text: &str) -> Option<i64> {
    let (negative, size) = text.strip_prefix('-').map_or((false, text), |size| (true, size));
    let (whole, places) = size.split_once('.').unwrap_or((size, "0"));
    let digits = |s: &str| !s.is_empty() && s.bytes().all(|c| c.is_ascii_digit());
    if !digits(whole) || !digits(places) || whole.len() > 16 || places.len() > 3 {
        return None;
    }
    let milli = i128::from(whole.parse::<i64>().ok()?) * 1000 + format!("{places:0<3}").parse::<i128>().ok()?;
    i64::try_from(if negative { -milli } else { milli }).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_and_prints() {
        for (text, milli, out) in [
            ("4127.5", 4_127_500, "4127.5"),
            ("0", 0, "0"),
            ("0.050", 50, "0.05"),
            ("9999999.999", DECIMAL_MAX_MILLI, "9999999.999"),
        ] {
            let decimal: Decimal = text.parse().expect(text);
            assert_eq!((decimal.milli, decimal.to_string().as_str()), (milli, out));
        }
        for bad in
            ["", "-1", "+1", "1.", ".5", "1,5", "1e3", "NaN", "inf", "1.2345", "10000000", " 1", "1 ", "0x1", "٣"]
        {
            assert_eq!(bad.parse::<Decimal>().expect_err(bad).code, code::OUT_OF_RANGE, "{bad}");
        }
    }

    #[test]
    fn what_was_reckoned_reads_back() {
        for milli in [0, 50, -50, -1_000, 4_127_500, DECIMAL_MAX_MILLI * 900, i64::MAX, i64::MIN] {
            assert_eq!(reckoned_milli(&Decimal::from_milli(milli).to_string()), Some(milli));
        }
        for bad in ["", "-", "--1", "+1", "1.", ".5", "1e3", "NaN", "1.2345", "99999999999999999", "9300000000000000"] {
            assert_eq!(reckoned_milli(bad), None, "{bad}");
        }
    }
}
