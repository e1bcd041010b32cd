//! Bench cards: what was asked and what is known, as values that are shown, sent and kept alike.
//!
//! Promises: one form wherever a card is given; lengths are texts in millimetres, amounts in grams; what cannot be
//! reckoned is a fault that says how it is written. Every card goes with its cautions.

use super::drill::{Drill, Set, millimetres};
use super::{CARD_RULE, DRILLING_CAUTIONS, GREASING_CAUTIONS, grease, thread};
use crate::decimal::{self, Decimal};
use crate::fault::{Fault, code};
use serde::{Deserialize, Deserializer, Serialize};

/// A card with what to mind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Card<T> {
    /// What was asked and what is known.
    pub card: T,
    /// What to mind.
    pub cautions: Vec<String>,
    /// What comes before all cards.
    pub rule: String,
}

impl<T> Card<T> {
    fn with(card: T, cautions: &[&str]) -> Self {
        let cautions = cautions.iter().map(|caution| (*caution).to_owned()).collect();
        Self { card, cautions, rule: CARD_RULE.to_owned() }
    }
}

/// A thread and its drills.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ThreadCard {
    /// The thread.
    pub thread: String,
    /// Major diameter, in mm.
    pub major_mm: String,
    /// Pitch, in mm.
    pub pitch_mm: String,
    /// Basic minor diameter of the internal thread, in mm; of a taper at its small end.
    pub minor_mm: String,
    /// Whether it is a taper.
    pub taper: bool,
    /// How far the hole is off its middle, in mm.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub off_centre_mm: Decimal,
    /// The largest drill that stays clear of the thread, of each set.
    pub clear: Vec<ClearDrill>,
    /// The drill before tapping anew; none where only the tap's maker can say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub tap: Option<DrillSize>,
    /// What of it is from memory of the standard, not confirmed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub from_memory: Option<String>,
}

/// The largest drill of a set that stays clear of a thread.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ClearDrill {
    /// The set: `metric`, `fractional`, `number`, `letter`, or `inch` for the last three together.
    pub set: String,
    /// The drill; null if none of the set is small enough.
    pub drill: Option<DrillSize>,
}

/// A drill.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct DrillSize {
    /// Its name.
    pub name: String,
    /// Its diameter, in mm.
    pub mm: String,
}

impl From<&Drill> for DrillSize {
    fn from(drill: &Drill) -> Self {
        Self { name: drill.name.clone(), mm: millimetres(drill.nm) }
    }
}

/// What a grease is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum GreaseCard {
    /// What its designation says.
    Designation(DesignationCard),
    /// Its grade by its worked penetration.
    Penetration(PenetrationCard),
}

/// What the designation of a grease says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct DesignationCard {
    /// As it stands on the cartridge.
    pub grease: String,
    /// What it is for; `any` if that is not named.
    pub purpose: String,
    /// Whether it bears extreme pressure.
    pub extreme_pressure: bool,
    /// Whether it holds a solid lubricant.
    pub solids: bool,
    /// NLGI grade.
    pub nlgi: String,
    /// Coldest use, in degrees Celsius; null if colder than is named.
    pub from_c: Option<i32>,
    /// Hottest use, in degrees Celsius; null if hotter than is named.
    pub to_c: Option<i32>,
    /// What it withstands of water and how it keeps off rust, where that is named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub water: Option<String>,
    /// What of it is from memory of the standard, not confirmed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub from_memory: Option<String>,
}

/// A grease by its worked penetration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PenetrationCard {
    /// Worked penetration, in tenths of a millimetre.
    pub penetration: u32,
    /// NLGI grade; null between two grades and beyond them.
    pub nlgi: Option<String>,
}

/// What a grease gun gives.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct GunCard {
    /// Grams a stroke.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub stroke_g: Decimal,
    /// An amount of which the strokes are told, in grams.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, nullable = false))]
    pub need_g: Option<Decimal>,
    /// Whole strokes that give at least it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub strokes: Option<i64>,
}

/// Grease for a rolling bearing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct BearingCard {
    /// Outer diameter, in mm.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub outer_mm: Decimal,
    /// Width, in mm.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub width_mm: Decimal,
    /// Grams to regrease, 0.005 × D × B; the maker's amount comes first.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub amount_g: Decimal,
    /// An amount of which the strokes are told, in grams.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, nullable = false))]
    pub need_g: Option<Decimal>,
    /// Whole strokes that give at least it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub strokes: Option<i64>,
}

fn reckoned<'de, D: Deserializer<'de>>(d: D) -> Result<Option<Decimal>, D::Error> {
    decimal::reckoned(d).map(Some)
}

fn out_of_range(place: &str, detail: impl Into<String>) -> Fault {
    Fault::new(code::OUT_OF_RANGE, format!("/{place}"), detail)
}

/// Sets of drills by the name people give them; `inch` stands for all three of inches.
///
/// # Errors
/// `out-of-range` for a name that is none.
pub fn sets(named: &str) -> Result<Vec<Set>, Fault> {
    let sets = match named {
        "inch" => vec![Set::Fractional, Set::Number, Set::Letter],
        other => Set::ALL.into_iter().filter(|set| set.as_str() == other).collect(),
    };
    if sets.is_empty() {
        return Err(out_of_range("sets", "one of: metric, inch, fractional, number, letter"));
    }
    Ok(sets)
}

/// The card of a thread: which drill of each named set stays clear of it when the hole is so far off its middle.
///
/// # Errors
/// `out-of-range` with the place `/thread`, `/off_centre` or `/sets`.
pub fn thread(text: &str, off_centre: Decimal, named: &[String]) -> Result<Card<ThreadCard>, Fault> {
    let thread = thread::read(text).map_err(|fault| fault.under("/thread"))?;
    let off_nm = off_centre.milli.saturating_mul(1000);
    if off_nm.saturating_mul(2) >= thread.minor_nm {
        let detail = format!("{off_centre} mm off its middle, the hole is not in the {} at all", thread.name);
        return Err(out_of_range("off_centre", detail));
    }
    let clear = named.iter().map(|set| {
        let drill = thread.clear_drill(&sets(set)?, off_nm);
        Ok(ClearDrill { set: set.clone(), drill: drill.as_ref().map(DrillSize::from) })
    });
    let card = ThreadCard {
        clear: clear.collect::<Result<_, Fault>>()?,
        major_mm: millimetres(thread.major_nm),
        pitch_mm: millimetres(thread.pitch_nm),
        minor_mm: millimetres(thread.minor_nm),
        taper: thread.taper,
        off_centre_mm: off_centre,
        tap: thread.tap_drill.as_ref().map(DrillSize::from),
        from_memory: thread.from_memory.map(str::to_owned),
        thread: thread.name,
    };
    Ok(Card::with(card, &DRILLING_CAUTIONS))
}

/// The card of a grease, by its designation or its worked penetration.
///
/// # Errors
/// `out-of-range` with the place `/grease`.
pub fn grease(text: &str) -> Result<Card<GreaseCard>, Fault> {
    if let Ok(penetration) = text.trim().parse::<u32>() {
        let nlgi = grease::nlgi(penetration).map(str::to_owned);
        let card = GreaseCard::Penetration(PenetrationCard { penetration, nlgi });
        return Ok(Card::with(card, &GREASING_CAUTIONS));
    }
    let said = grease::read(text).map_err(|fault| fault.under("/grease"))?;
    let card = GreaseCard::Designation(DesignationCard {
        grease: text.trim().to_owned(),
        purpose: said.purpose.to_owned(),
        extreme_pressure: said.extreme_pressure,
        solids: said.solids,
        nlgi: said.nlgi.to_owned(),
        from_c: said.from_c,
        to_c: said.to_c,
        water: said.water.map(str::to_owned),
        from_memory: said.from_memory.map(str::to_owned),
    });
    Ok(Card::with(card, &GREASING_CAUTIONS))
}

/// The card of a gun that was weighed before and after some strokes, all in grams.
///
/// # Errors
/// `out-of-range` with the place `/after` or `/need`.
pub fn gun(before: Decimal, after: Decimal, strokes: i64, need: Option<Decimal>) -> Result<Card<GunCard>, Fault> {
    let stroke = grease::stroke_milligrams(before.milli, after.milli, strokes).filter(|stroke| *stroke > 0);
    let stroke =
        stroke.ok_or_else(|| out_of_range("after", "a gun weighs more before than after 1 to 1000 strokes"))?;
    let strokes = need.map(|need| strokes_for(need.milli, stroke, "need")).transpose()?;
    Ok(Card::with(GunCard { stroke_g: Decimal::from_milli(stroke), need_g: need, strokes }, &GREASING_CAUTIONS))
}

/// The card of a rolling bearing by its size in mm, and of a gun by its grams a stroke.
///
/// # Errors
/// `out-of-range` with the place `/outer` or `/stroke`.
pub fn bearing(outer: Decimal, width: Decimal, stroke: Option<Decimal>) -> Result<Card<BearingCard>, Fault> {
    let tenths = |d: Decimal| (d.milli + 50) / 100;
    let amount = grease::regrease_milligrams(tenths(outer), tenths(width)).filter(|amount| *amount > 0);
    let amount = amount.ok_or_else(|| out_of_range("outer", "a bearing measures 0.1 to 2000 mm"))?;
    let strokes = stroke.map(|stroke| strokes_for(amount, stroke.milli, "stroke")).transpose()?;
    let amount_g = Decimal::from_milli(amount);
    let need_g = strokes.map(|_| amount_g);
    Ok(Card::with(BearingCard { outer_mm: outer, width_mm: width, amount_g, need_g, strokes }, &GREASING_CAUTIONS))
}

fn strokes_for(need: i64, stroke: i64, place: &str) -> Result<i64, Fault> {
    grease::strokes(need, stroke).ok_or_else(|| out_of_range(place, "an amount is more than nothing"))
}
