//! Greases: consistency, designations, and amounts.
//!
//! Promises: NLGI grades by worked penetration (ASTM D217, ISO 2137); a value between two bands is no grade.
//! Designations are read as DIN 51825 (with DIN 51502) and ISO 6743-9 write them; what was only known from memory is
//! marked so beside it.

use crate::fault::{Fault, code};

/// NLGI grades with their worked penetration at 25 °C in tenths of a millimetre (ASTM D217 / ISO 2137).
pub const NLGI: [(&str, u32, u32); 9] = [
    ("000", 445, 475),
    ("00", 400, 430),
    ("0", 355, 385),
    ("1", 310, 340),
    ("2", 265, 295),
    ("3", 220, 250),
    ("4", 175, 205),
    ("5", 130, 160),
    ("6", 85, 115),
];

/// The NLGI grade of a worked penetration, if it lies in a band.
#[must_use]
pub fn nlgi(penetration: u32) -> Option<&'static str> {
    NLGI.iter().find(|(_, low, high)| (*low..=*high).contains(&penetration)).map(|(grade, _, _)| *grade)
}

/// What a designation says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Designation {
    /// What it is for: `bearings`, `gears`, `open gears`, `seals and fittings`.
    pub purpose: &'static str,
    /// Whether it has additives against extreme pressure.
    pub extreme_pressure: bool,
    /// Whether it has solid lubricants.
    pub solids: bool,
    /// NLGI grade.
    pub nlgi: &'static str,
    /// Lowest temperature, in °C.
    pub from_c: Option<i32>,
    /// Highest temperature, in °C.
    pub to_c: Option<i32>,
    /// How it stands water and rust, where it says so.
    pub water: Option<&'static str>,
    /// What of this is from memory of the standard, not confirmed: say so wherever it is shown.
    pub from_memory: Option<&'static str>,
}

fn odd(detail: &str) -> Fault {
    Fault::new(code::OUT_OF_RANGE, "", detail)
}

/// What is from memory of DIN 51825, said with every designation that rests on it.
const UPPER_FROM_MEMORY: &str = "the upper temperature";
/// What is from memory of ISO 6743-9.
const WATER_FROM_MEMORY: &str = "water and rust";

/// Upper temperature of a DIN 51825 letter, none where it is open above, and whether that is from memory.
fn upper_c(letter: char) -> Option<(Option<i32>, Option<&'static str>)> {
    let (to_c, from_memory) = match letter {
        'C' | 'D' => (60, None),
        'E' | 'F' => (80, None),
        'G' | 'H' => (100, None),
        'K' | 'M' => (120, None),
        'N' => (140, Some(UPPER_FROM_MEMORY)),
        'P' => (160, Some(UPPER_FROM_MEMORY)),
        'R' => (180, Some(UPPER_FROM_MEMORY)),
        'S' => (200, Some(UPPER_FROM_MEMORY)),
        'T' => (220, Some(UPPER_FROM_MEMORY)),
        // More than T: no figure.
        'U' => return Some((None, Some(UPPER_FROM_MEMORY))),
        _ => return None,
    };
    Some((Some(to_c), from_memory))
}

/// Water and rust of an ISO 6743-9 letter, from memory: three waters times three protections.
fn water(letter: char) -> Option<&'static str> {
    Some(match letter {
        'A' => "dry, no rust protection",
        'B' => "dry, rust protection in fresh water",
        'C' => "dry, rust protection in salt water",
        'D' => "damp, no rust protection",
        'E' => "damp, rust protection in fresh water",
        'F' => "damp, rust protection in salt water",
        'G' => "washing, no rust protection",
        'H' => "washing, rust protection in fresh water",
        'I' => "washing, rust protection in salt water",
        _ => return None,
    })
}

/// Reads a designation such as `KP2K-20` (DIN 51825) or `ISO-L-XBCHB 2` (ISO 6743-9).
///
/// # Errors
/// `out-of-range`, saying which part cannot be.
pub fn read(text: &str) -> Result<Designation, Fault> {
    let plain: String = text.trim().to_ascii_uppercase().chars().filter(|c| !c.is_whitespace()).collect();
    match plain.strip_prefix("ISO-L-X").or_else(|| plain.strip_prefix("L-X")) {
        Some(rest) => read_iso(rest),
        None => read_din(&plain),
    }
}

fn read_din(text: &str) -> Result<Designation, Fault> {
    let letters: String = text.chars().take_while(char::is_ascii_alphabetic).collect();
    let rest = &text[letters.len()..];
    // OG before G, KP before K: the longest name first.
    let purposes = [("OG", "open gears"), ("K", "bearings"), ("G", "gears"), ("M", "seals and fittings")];
    let (prefix, purpose) = purposes
        .into_iter()
        .find(|(p, _)| letters.starts_with(p))
        .ok_or_else(|| odd("it starts with K, G, OG or M"))?;
    let mut marks = &letters[prefix.len()..];
    for oil in ["HC", "PG", "SI", "FK", "E", "X"] {
        marks = marks.strip_suffix(oil).unwrap_or(marks);
    }
    if !marks.chars().all(|c| "PF".contains(c)) || marks.len() > 2 {
        return Err(odd("after the first letter stand P (extreme pressure), F (solids) and the oil"));
    }
    let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
    let grade = NLGI.iter().map(|(g, _, _)| *g).find(|g| *g == digits);
    let grade = grade.ok_or_else(|| odd("the NLGI grade is 000, 00, 0, 1 to 6"))?;
    let after: Vec<char> = rest[digits.len()..].chars().collect();
    let [letter, '-', cold @ ..] = after.as_slice() else {
        return Err(odd("after the grade stand one letter for the upper temperature and - with the lower one"));
    };
    let (to_c, from_memory) =
        upper_c(*letter).ok_or_else(|| odd("the upper temperature is one of C D E F G H K M N P R S T U"))?;
    let cold: String = cold.iter().collect();
    let from_c = match cold.parse::<i32>() {
        Ok(c @ (10 | 20 | 30 | 40 | 50 | 60)) => -c,
        _ => return Err(odd("the lower temperature is -10 to -60 in tens")),
    };
    Ok(Designation {
        purpose,
        extreme_pressure: marks.contains('P'),
        solids: marks.contains('F'),
        nlgi: grade,
        from_c: Some(from_c),
        to_c,
        water: None,
        from_memory,
    })
}

fn read_iso(text: &str) -> Result<Designation, Fault> {
    let symbols: Vec<char> = text.chars().take(4).collect();
    let &[low, high, wet, load] = symbols.as_slice() else {
        return Err(odd("after ISO-L-X stand four letters and the NLGI grade"));
    };
    let from_c = match low {
        'A' => Some(0),
        'B' => Some(-20),
        'C' => Some(-30),
        'D' => Some(-40),
        'E' => None,
        _ => return Err(odd("the first letter, lowest temperature, is A to E")),
    };
    let to_c = match high {
        'A' => Some(60),
        'B' => Some(90),
        'C' => Some(120),
        'D' => Some(140),
        'E' => Some(160),
        'F' => Some(180),
        'G' => None,
        _ => return Err(odd("the second letter, highest temperature, is A to G")),
    };
    let water = water(wet).ok_or_else(|| odd("the third letter, water and rust, is A to I"))?;
    let extreme_pressure = match load {
        'A' => false,
        'B' => true,
        _ => return Err(odd("the fourth letter, load, is A or B")),
    };
    let grade: String = text.chars().skip(4).collect();
    let grade = NLGI.iter().map(|(g, _, _)| *g).find(|g| *g == grade);
    let nlgi = grade.ok_or_else(|| odd("the NLGI grade is 000, 00, 0, 1 to 6"))?;
    Ok(Designation {
        purpose: "any",
        extreme_pressure,
        solids: false,
        nlgi,
        from_c,
        to_c,
        water: Some(water),
        from_memory: Some(WATER_FROM_MEMORY),
    })
}

/// Grams for a bearing of outer diameter and width in tenths of a millimetre: 0.005·D·B, in thousandths of a gram.
/// The printed imperial rule 0.1·D·B (ounces, inches) gives 12 % more; this is the metric one.
#[must_use]
pub fn regrease_milligrams(outer_tenths: i64, width_tenths: i64) -> Option<i64> {
    let sane = |t: i64| (1..=20_000).contains(&t);
    (sane(outer_tenths) && sane(width_tenths)).then(|| outer_tenths * width_tenths * 5 / 100)
}

/// Thousandths of a gram a stroke of a gun that was weighed before and after so many strokes.
#[must_use]
pub fn stroke_milligrams(before_milligrams: i64, after_milligrams: i64, strokes: i64) -> Option<i64> {
    let used = before_milligrams.checked_sub(after_milligrams).filter(|used| *used > 0)?;
    (1..=1000).contains(&strokes).then(|| used / strokes)
}

/// Strokes for an amount with a weighed gun, rounded up: a joint is rather pumped once more.
#[must_use]
pub fn strokes(amount_milligrams: i64, stroke_milligrams: i64) -> Option<i64> {
    (amount_milligrams > 0 && stroke_milligrams > 0)
        .then(|| (amount_milligrams + stroke_milligrams - 1) / stroke_milligrams)
}
