//! Exact decimals of money: prices, quantities, percentages, amounts.
//!
//! Promises: six places, never a float; every operation is checked in 128 bits and what does not fit is the fault
//! `amount-overflow`, never a wrapped number. A product is rounded once, at its end, half away from zero unless the rate
//! card says half to even.
//!
//! Never: a rounding that is not asked for by name.

use crate::fault::{Fault, code};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::fmt;
use std::str::FromStr;

/// Millionths in one.
const ONE: i128 = 1_000_000;
/// Places after the point.
pub const PLACES: u32 = 6;
/// Largest amount, in millionths either side of zero: twelve digits before the point, the yearly budget of a state.
pub const AMOUNT_MAX_MICRO: i64 = 999_999_999_999_999_999;

/// How a product that lies exactly between two amounts is rounded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Rounding {
    /// 0.125 is 0.13, −0.125 is −0.13.
    #[default]
    HalfAway,
    /// 0.125 is 0.12, 0.135 is 0.14.
    HalfEven,
}

/// A decimal of at most six places, counted in millionths.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Amount {
    micro: i64,
}

/// What is too large, or has no answer at all.
#[must_use]
pub fn overflow() -> Fault {
    Fault::new(code::AMOUNT_OVERFLOW, "", "the amount has more digits than any bill")
}

impl Amount {
    /// Nothing.
    pub const ZERO: Amount = Amount { micro: 0 };
    /// One.
    pub const ONE: Amount = Amount { micro: 1_000_000 };

    /// So many whole units.
    ///
    /// # Errors
    /// `amount-overflow`.
    pub fn whole(units: i64) -> Result<Self, Fault> {
        Self::from_micro(i128::from(units) * ONE)
    }

    /// From thousandths, as readings and litres are recorded.
    ///
    /// # Errors
    /// `amount-overflow`.
    pub fn from_milli(milli: i64) -> Result<Self, Fault> {
        Self::from_micro(i128::from(milli) * 1000)
    }

    fn from_micro(micro: i128) -> Result<Self, Fault> {
        let fits = i64::try_from(micro).ok().filter(|m| m.unsigned_abs() <= AMOUNT_MAX_MICRO.unsigned_abs());
        fits.map(|micro| Self { micro }).ok_or_else(overflow)
    }

    /// In millionths.
    #[must_use]
    pub fn micro(self) -> i64 {
        self.micro
    }

    /// Whether it is below zero.
    #[must_use]
    pub fn is_negative(self) -> bool {
        self.micro < 0
    }

    /// Whether it is nothing.
    #[must_use]
    pub fn is_zero(self) -> bool {
        self.micro == 0
    }

    /// The sum.
    ///
    /// # Errors
    /// `amount-overflow`.
    pub fn plus(self, other: Amount) -> Result<Self, Fault> {
        Self::from_micro(i128::from(self.micro) + i128::from(other.micro))
    }

    /// The difference.
    ///
    /// # Errors
    /// `amount-overflow`.
    pub fn minus(self, other: Amount) -> Result<Self, Fault> {
        Self::from_micro(i128::from(self.micro) - i128::from(other.micro))
    }

    /// The other side of zero.
    #[must_use]
    pub fn negated(self) -> Self {
        // The range is symmetric, so this cannot overflow.
        Self { micro: -self.micro }
    }

    /// The sum of many.
    ///
    /// # Errors
    /// `amount-overflow`.
    pub fn sum(amounts: impl IntoIterator<Item = Amount>) -> Result<Self, Fault> {
        amounts.into_iter().try_fold(Self::ZERO, Self::plus)
    }

    /// `self × quantity ÷ base`, rounded once to so many places.
    ///
    /// # Errors
    /// `amount-overflow`; `out-of-range` for a base that is not above zero.
    pub fn times(self, quantity: Amount, base: Amount, digits: u32, rounding: Rounding) -> Result<Self, Fault> {
        if base.micro <= 0 {
            return Err(Fault::new(code::OUT_OF_RANGE, "/base", "a price is for more than nothing"));
        }
        // At most 10^36: 128 bits hold 10^38.
        let product = i128::from(self.micro) * i128::from(quantity.micro);
        rounded(product, i128::from(base.micro), digits, rounding)
    }

    /// So many percent of it, rounded once to so many places.
    ///
    /// # Errors
    /// `amount-overflow`.
    pub fn percent(self, percent: Amount, digits: u32, rounding: Rounding) -> Result<Self, Fault> {
        rounded(i128::from(self.micro) * i128::from(percent.micro), 100 * ONE, digits, rounding)
    }

    /// It, rounded to so many places.
    ///
    /// # Errors
    /// `amount-overflow`.
    pub fn rounded(self, digits: u32, rounding: Rounding) -> Result<Self, Fault> {
        rounded(i128::from(self.micro), 1, digits, rounding)
    }

    /// Written with exactly so many places. What has more keeps them: nothing is rounded by being written.
    #[must_use]
    pub fn fixed(self, digits: u32) -> String {
        let text = self.to_string();
        let digits = digits as usize;
        let have = text.split_once('.').map_or(0, |(_, places)| places.len());
        match (have, digits.saturating_sub(have)) {
            (_, 0) => text,
            (0, missing) => format!("{text}.{}", "0".repeat(missing)),
            (_, missing) => format!("{text}{}", "0".repeat(missing)),
        }
    }
}

/// `numerator ÷ denominator` in millionths, to the nearest multiple that so many places can show.
fn rounded(numerator: i128, denominator: i128, digits: u32, rounding: Rounding) -> Result<Amount, Fault> {
    let step = 10_i128.pow(PLACES.saturating_sub(digits));
    let divisor = denominator.checked_mul(step).ok_or_else(overflow)?;
    let (whole, rest) = (numerator / divisor, (numerator % divisor).abs());
    let twice = rest.checked_mul(2).ok_or_else(overflow)?;
    let away = match twice.cmp(&divisor) {
        std::cmp::Ordering::Less => false,
        std::cmp::Ordering::Greater => true,
        std::cmp::Ordering::Equal => rounding == Rounding::HalfAway || whole % 2 != 0,
    };
    let sign = if numerator < 0 { -1 } else { 1 };
    let steps = if away { whole + sign } else { whole };
    Amount::from_micro(steps.checked_mul(step).ok_or_else(overflow)?)
}

impl FromStr for Amount {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let shape = || {
            let detail = "an amount is written like 1234.50: at most 12 digits, a point, at most 6 places";
            Fault::new(code::OUT_OF_RANGE, "", detail)
        };
        let (negative, size) = text.strip_prefix('-').map_or((false, text), |size| (true, size));
        let (whole, places) = size.split_once('.').unwrap_or((size, "0"));
        let digits = |s: &str| !s.is_empty() && s.bytes().all(|c| c.is_ascii_digit());
        if !digits(whole) || !digits(places) || whole.len() > 12 || places.len() > PLACES as usize {
            return Err(shape());
        }
        let whole: i128 = whole.parse().map_err(|_| shape())?;
        let places: i128 = format!("{places:0<6}").parse().map_err(|_| shape())?;
        let micro = whole * ONE + places;
        Self::from_micro(if negative { -micro } else { micro })
    }
}

impl fmt::Display for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.micro < 0 { "-" } else { "" };
        let size = i128::from(self.micro).abs();
        let (whole, places) = (size / ONE, size % ONE);
        if places == 0 {
            return write!(f, "{sign}{whole}");
        }
        let text = format!("{places:06}");
        write!(f, "{sign}{whole}.{}", text.trim_end_matches('0'))
    }
}

impl Serialize for Amount {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Amount {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        text.parse().map_err(|fault: Fault| de::Error::custom(fault.detail))
    }
}

#[cfg(feature = "schema")]
impl utoipa::PartialSchema for Amount {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .description(Some("An exact decimal as a text, at most six places"))
            .pattern(Some(r"^-?[0-9]{1,12}(\.[0-9]{1,6})?$"))
            .into()
    }
}

#[cfg(feature = "schema")]
impl utoipa::ToSchema for Amount {
    // A measured amount of a transmitter has the name already.
    fn name() -> std::borrow::Cow<'static, str> {
        "BillAmount".into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn a(text: &str) -> Amount {
        text.parse().expect(text)
    }

    #[test]
    fn reads_and_prints_one_spelling() {
        for (text, out, two) in [
            ("85.00", "85", "85.00"),
            ("-0.5", "-0.5", "-0.50"),
            ("0", "0", "0.00"),
            ("0.000001", "0.000001", "0.000001"),
            ("999999999999.999999", "999999999999.999999", "999999999999.999999"),
        ] {
            assert_eq!((a(text).to_string().as_str(), a(text).fixed(2).as_str()), (out, two));
            assert_eq!(a(&a(text).to_string()), a(text));
        }
        for bad in ["", "-", "+1", "1.", ".5", "1e3", "NaN", "Infinity", "1,5", "0.0000001", "1000000000000", "٣", " 1"]
        {
            assert_eq!(bad.parse::<Amount>().expect_err(bad).code, code::OUT_OF_RANGE, "{bad}");
        }
    }

    /// Half away from zero: 365.125 is printed as 365.13 and 156435.885 as 156435.89 in the example invoices of the
    /// EN 16931 validation artefacts; 0.125 and 7 minutes at 85.00 an hour are worked by hand.
    #[test]
    fn halves_go_away_from_zero_unless_the_card_says_to_even() {
        let round = |text: &str, rounding| a(text).rounded(2, rounding).expect("it fits").fixed(2);
        for (exact, away, even) in [
            ("365.125", "365.13", "365.12"),
            ("156435.885", "156435.89", "156435.88"),
            ("-156435.885", "-156435.89", "-156435.88"),
            ("0.125", "0.13", "0.12"),
            ("-0.125", "-0.13", "-0.12"),
            ("0.135", "0.14", "0.14"),
            ("0.124999", "0.12", "0.12"),
            ("0.005", "0.01", "0.00"),
            ("0.000001", "0.00", "0.00"),
        ] {
            assert_eq!(
                (round(exact, Rounding::HalfAway), round(exact, Rounding::HalfEven)),
                (away.into(), even.into())
            );
        }
        let labour = a("85.00").times(a("7"), a("60"), 2, Rounding::HalfAway).expect("it fits");
        assert_eq!(labour.fixed(2), "9.92");
        let labour = a("85.00").times(a("2.35"), a("1"), 2, Rounding::HalfAway).expect("it fits");
        assert_eq!(labour.fixed(2), "199.75");
    }

    #[test]
    fn what_does_not_fit_is_a_fault_and_never_wraps() {
        let most = a("999999999999.999999");
        for result in [
            most.plus(a("0.000001")),
            most.negated().minus(a("0.000001")),
            most.times(most, Amount::ONE, 2, Rounding::HalfAway),
            most.times(Amount::ONE, a("0.000001"), 0, Rounding::HalfAway),
            most.percent(most, 2, Rounding::HalfAway),
            Amount::sum([most, most]),
            Amount::whole(i64::MAX),
            Amount::from_milli(i64::MIN),
        ] {
            assert_eq!(result.expect_err("too large").code, code::AMOUNT_OVERFLOW);
        }
        for base in ["0", "-1"] {
            let fault = Amount::ONE.times(Amount::ONE, a(base), 2, Rounding::HalfAway).expect_err("no base");
            assert_eq!(fault.code, code::OUT_OF_RANGE);
        }
        // One in a billion is a smaller price than there is: it is refused when it is read, not lost by rounding.
        assert!("0.000000001".parse::<Amount>().is_err());
    }
}
