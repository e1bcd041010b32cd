//! Numbers, durations, times and units as feeds write them.
//!
//! Promises: fixed point throughout; whatever is no number, or lies outside what a machine can have run, is an error with
//! a sentence. A time of the year 1 is unknown, as the standard has it.

use crate::decimal::{DECIMAL_MAX_MILLI, Decimal};
use crate::moment::Moment;

/// Litres of a US liquid gallon (231 cubic inches, NIST Handbook 44, appendix C), in billionths.
const US_GALLON_NANO: i128 = 3_785_411_784;
/// Litres of an imperial gallon (UK Weights and Measures Act 1985), in billionths.
const IMPERIAL_GALLON_NANO: i128 = 4_546_090_000;
/// Kilometres of an international mile, in billionths.
const MILE_NANO: i128 = 1_609_344_000;
/// One, in billionths.
const ONE_NANO: i128 = 1_000_000_000;

type Told<T> = Result<T, &'static str>;

/// Thousandths of a plain decimal such as `233.7`, `+233`, `.5`, rounded half up.
fn milli(text: &str) -> Told<i64> {
    let digits = text.strip_prefix('+').unwrap_or(text);
    fixed(digits, 3)?.try_into().ok().filter(|m| *m <= DECIMAL_MAX_MILLI).ok_or("the number is too large")
}

/// A decimal without sign, times ten to the power of `places`, rounded half up.
fn fixed(text: &str, places: usize) -> Told<i128> {
    let odd = "a number is written like 233.7";
    let (whole, part) = text.split_once('.').unwrap_or((text, ""));
    let digits = |s: &str| s.bytes().all(|c| c.is_ascii_digit());
    if (whole.is_empty() && part.is_empty()) || !digits(whole) || !digits(part) {
        return Err(odd);
    }
    let whole = whole.trim_start_matches('0');
    if whole.len() > 12 || part.len() > 40 {
        return Err("the number is too large");
    }
    let kept: String = part.chars().chain(std::iter::repeat('0')).take(places).collect();
    let up = part.as_bytes().get(places).is_some_and(|next| *next >= b'5');
    format!("0{whole}{kept}").parse::<i128>().map(|value| value + i128::from(up)).map_err(|_| odd)
}

/// Hours: a decimal, or a duration of ISO 8601 such as `PT233H42M`.
pub(super) fn hours(text: &str) -> Told<Decimal> {
    match text.strip_prefix('P') {
        Some(duration) => duration_milli(duration).map(Decimal::from_milli),
        None => milli(text).map(Decimal::from_milli),
    }
}

/// Thousandths of an hour of a duration after its `P`. Years and months have no fixed length and are refused.
fn duration_milli(text: &str) -> Told<i64> {
    let odd = "a duration is written like PT233H42M";
    let (days, time) = text.split_once('T').unwrap_or((text, ""));
    let mut total_ms: i128 = 0;
    let mut some = false;
    for (part, units) in [(days, &[('D', 86_400)][..]), (time, &[('H', 3600), ('M', 60), ('S', 1)][..])] {
        let mut rest = part;
        for (letter, seconds) in units {
            let Some((number, after)) = rest.split_once(*letter) else { continue };
            total_ms += fixed(number, 3)? * i128::from(*seconds);
            (rest, some) = (after, true);
        }
        if !rest.is_empty() {
            return Err(odd);
        }
    }
    if !some || (text.contains('T') && time.is_empty()) {
        return Err(odd);
    }
    // A thousandth of an hour is 3,600 milliseconds.
    let milli = i64::try_from((total_ms + 1800) / 3600).ok();
    milli.filter(|m| *m <= DECIMAL_MAX_MILLI).ok_or("the duration is too long")
}

/// Kilometres of a distance in the unit named; kilometres where none is.
pub(super) fn kilometres(text: &str, unit: Option<&str>) -> Told<Decimal> {
    let factor = match unit.map(plain).as_deref() {
        None | Some("kilometre" | "kilometres" | "kilometer" | "kilometers" | "km" | "kms" | "kmt") => ONE_NANO,
        Some("mile" | "miles" | "mi" | "smi") => MILE_NANO,
        Some(_) => return Err("a distance is in kilometres or miles"),
    };
    times(milli(text)?, factor)
}

/// Litres of an amount of fuel in the unit named; litres where none is. A bare gallon is two measures and is refused.
pub(super) fn litres(text: &str, unit: Option<&str>) -> Told<Decimal> {
    let factor = match unit.map(plain).as_deref() {
        None | Some("litre" | "litres" | "liter" | "liters" | "l" | "ltr") => ONE_NANO,
        Some("usgallon" | "usgallons" | "gallonus" | "gallonsus" | "usgal" | "gll") => US_GALLON_NANO,
        Some(
            "imperialgallon" | "imperialgallons" | "gallonimperial" | "ukgallon" | "ukgallons" | "gallonuk" | "impgal"
            | "gli",
        ) => IMPERIAL_GALLON_NANO,
        Some("gallon" | "gallons" | "gal") => {
            return Err("a gallon is two measures: write us gallon or imperial gallon");
        }
        Some(_) => return Err("fuel is in litres, us gallons or imperial gallons"),
    };
    times(milli(text)?, factor)
}

fn plain(unit: &str) -> String {
    unit.chars().filter(char::is_ascii_alphabetic).collect::<String>().to_ascii_lowercase()
}

fn times(milli: i64, factor_nano: i128) -> Told<Decimal> {
    let product = (i128::from(milli) * factor_nano + ONE_NANO / 2) / ONE_NANO;
    let milli = i64::try_from(product).ok().filter(|m| *m <= DECIMAL_MAX_MILLI);
    milli.map(Decimal::from_milli).ok_or("the number is too large")
}

/// Millionths of a degree, at most `degrees_max` either way.
pub(super) fn microdegrees(text: &str, degrees_max: i64) -> Told<i64> {
    let (sign, digits) = match text.strip_prefix('-') {
        Some(digits) => (-1, digits),
        None => (1, text.strip_prefix('+').unwrap_or(text)),
    };
    let value = i64::try_from(fixed(digits, 6)?).ok().filter(|v| *v <= degrees_max * 1_000_000);
    value.map(|v| sign * v).ok_or("no place on Earth lies there")
}

/// A time of XML Schema: to the second or finer, with an offset or, as the standard has it, in UTC. None if unknown.
pub(super) fn moment(text: &str) -> Told<Option<Moment>> {
    if text.starts_with("0001-01-01") {
        return Ok(None);
    }
    let odd = "a time is written like 2026-05-04T07:12:33Z";
    let (second, rest) = text.split_at_checked(19).ok_or(odd)?;
    let offset = match rest.strip_prefix('.') {
        Some(fraction) => {
            let digits = fraction.bytes().take_while(u8::is_ascii_digit).count();
            if digits == 0 {
                return Err(odd);
            }
            &fraction[digits..]
        }
        None => rest,
    };
    let offset = if offset.is_empty() { "Z" } else { offset };
    format!("{second}{offset}").parse().map(Some).map_err(|_| odd)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_in_every_spelling() {
        for (text, milli) in [
            ("233.70", 233_700),
            ("233", 233_000),
            ("+233.", 233_000),
            (".5", 500),
            ("0000000000000233.7", 233_700),
            ("233.69950", 233_700),
            ("233.6994999", 233_699),
            ("PT233H42M", 233_700),
            ("P9DT17H42M", 233_700),
            ("PT841320S", 233_700),
            ("PT233.7H", 233_700),
            ("PT0S", 0),
            ("P1D", 24_000),
            ("9999999.999", DECIMAL_MAX_MILLI),
        ] {
            assert_eq!(hours(text).map(|h| h.milli), Ok(milli), "{text}");
        }
        let nines = "9".repeat(400);
        for text in [
            "",
            ".",
            "-1",
            "1e3",
            "NaN",
            "INF",
            "-INF",
            "0x10",
            "1,5",
            "1 5",
            "٣",
            "10000000",
            "P",
            "PT",
            "P1DT",
            "P1Y",
            "P1M",
            "PT1",
            "PT1X",
            "PT1M1H",
            "PT-1H",
            "-PT1H",
            "PT999999999999H",
            &nines,
            "T1H",
            "PTH",
        ] {
            assert!(hours(text).is_err(), "{text}");
        }
    }

    #[test]
    fn units_in_every_spelling() {
        for (amount, unit, milli) in [
            ("100", None, 100_000),
            ("100", Some("litre"), 100_000),
            ("100", Some("Liters"), 100_000),
            ("100", Some("L"), 100_000),
            ("100", Some("US gallon"), 378_541),
            ("100", Some("GLL"), 378_541),
            ("100", Some("imperial gallon"), 454_609),
        ] {
            assert_eq!(litres(amount, unit).map(|l| l.milli), Ok(milli), "{unit:?}");
        }
        assert!(litres("100", Some("gallon")).is_err() && litres("100", Some("kg")).is_err());
        assert_eq!(kilometres("100", Some("mile")).map(|k| k.milli), Ok(160_934));
        assert_eq!(kilometres("100", Some("kilometer")).map(|k| k.milli), Ok(100_000));
        assert!(kilometres("9999999", Some("mile")).is_err() && kilometres("1", Some("furlong")).is_err());
    }

    #[test]
    fn times_in_every_spelling() {
        let text = |t: &str| moment(t).map(|m| m.map(|m| m.text().to_owned()));
        assert_eq!(text("2026-05-04T07:12:33Z"), Ok(Some("2026-05-04T07:12:33Z".into())));
        assert_eq!(text("2026-05-04T07:12:33.666Z"), Ok(Some("2026-05-04T07:12:33Z".into())));
        assert_eq!(text("2026-05-04T07:12:33"), Ok(Some("2026-05-04T07:12:33Z".into())));
        assert_eq!(text("2026-05-04T07:12:33.1+02:00"), Ok(Some("2026-05-04T07:12:33+02:00".into())));
        assert_eq!(text("0001-01-01T00:00:00Z"), Ok(None));
        assert_eq!(text("0001-01-01T00:00:00"), Ok(None));
        for bad in [
            "",
            "2026-05-04",
            "12026-05-04T07:12:33Z",
            "2026-02-29T00:00:00Z",
            "1604042795000",
            "2026-05-04T07:12:33.Z",
            "2026-05-04T07:12:33ZZ",
            "1969-12-31T23:59:59Z",
            "2026-05-04T07:12:3éZ",
            "2026-05-04T07:12:33.5+99:00",
        ] {
            assert!(moment(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn places_on_earth() {
        assert_eq!(microdegrees("49.237090", 90), Ok(49_237_090));
        assert_eq!(microdegrees("-180", 180), Ok(-180_000_000));
        for bad in ["90.000001", "NaN", "--1", "1e1", ""] {
            assert!(microdegrees(bad, 90).is_err(), "{bad}");
        }
    }
}
