//! Drill sizes in the sets a truck may carry.
//!
//! Promises: the largest drill of a set that stays at or under a bore is found exactly. Number and letter sizes are
//! those of ASME B94.11M, fractions are n/64 inch, metric drills come in 0.1 mm steps to 14 mm and 0.25 mm beyond.

/// Nanometres of an inch, exact by definition.
pub const INCH_NM: i64 = 25_400_000;

/// A set of drills.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Set {
    /// 0.5 to 14 mm by 0.1 mm, to 25 mm by 0.25 mm.
    Metric,
    /// 1/64 to 1 inch by 1/64.
    Fractional,
    /// No80 to No1.
    Number,
    /// A to Z.
    Letter,
}

impl Set {
    /// All sets.
    pub const ALL: [Set; 4] = [Set::Metric, Set::Fractional, Set::Number, Set::Letter];

    /// Its name.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Set::Metric => "metric",
            Set::Fractional => "fractional",
            Set::Number => "number",
            Set::Letter => "letter",
        }
    }
}

/// One drill.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drill {
    /// What is stamped on it: `8.3 mm`, `21/64`, `No4`, `H`.
    pub name: String,
    /// Its diameter in nanometres.
    pub nm: i64,
}

/// Number sizes No1, No2 … in ten-thousandths of an inch (ASME B94.11M).
const NUMBERS: [i64; 80] = [
    2280, 2210, 2130, 2090, 2050, 2040, 2010, 1990, 1960, 1930, 1910, 1890, 1850, 1820, 1800, 1770, 1730, 1700, 1660,
    1610, 1590, 1570, 1540, 1520, 1500, 1470, 1440, 1400, 1360, 1285, 1200, 1160, 1130, 1110, 1100, 1065, 1040, 1015,
    995, 980, 960, 935, 890, 860, 820, 810, 785, 760, 730, 700, 670, 635, 595, 550, 520, 465, 430, 420, 410, 400, 390,
    380, 370, 360, 350, 330, 320, 310, 292, 280, 260, 250, 240, 225, 210, 200, 180, 160, 145, 135,
];

/// Letter sizes A to Z in ten-thousandths of an inch (ASME B94.11M).
const LETTERS: [i64; 26] = [
    2340, 2380, 2420, 2460, 2500, 2570, 2610, 2660, 2720, 2770, 2810, 2900, 2950, 3020, 3160, 3230, 3320, 3390, 3480,
    3580, 3680, 3770, 3860, 3970, 4040, 4130,
];

/// The drills of a set, smallest first.
#[must_use]
pub fn drills(set: Set) -> Vec<Drill> {
    let ten_thousandths = |n: i64| n * (INCH_NM / 10_000);
    let mut drills: Vec<Drill> = match set {
        Set::Metric => {
            let fine = (5..=140).map(|tenths| tenths * 100_000);
            let coarse = (1425..=2500).step_by(25).map(|hundredths| hundredths * 10_000);
            fine.chain(coarse).map(|nm| Drill { name: format!("{} mm", millimetres(nm)), nm }).collect()
        }
        Set::Fractional => (1..=64).map(|n| Drill { name: fraction(n), nm: n * INCH_NM / 64 }).collect(),
        Set::Number => {
            let numbered = NUMBERS.iter().enumerate();
            numbered.map(|(i, n)| Drill { name: format!("No{}", i + 1), nm: ten_thousandths(*n) }).collect()
        }
        Set::Letter => {
            let lettered = LETTERS.iter().zip('A'..='Z');
            lettered.map(|(n, letter)| Drill { name: letter.to_string(), nm: ten_thousandths(*n) }).collect()
        }
    };
    drills.sort_by_key(|drill| drill.nm);
    drills
}

/// The largest drill of a set that is not larger than a bore.
#[must_use]
pub fn largest_clear(set: Set, bore_nm: i64) -> Option<Drill> {
    drills(set).into_iter().rev().find(|drill| drill.nm <= bore_nm)
}

/// The largest drill of several sets that is not larger than a bore; of equal ones the first set's.
#[must_use]
pub fn largest_clear_of(sets: &[Set], bore_nm: i64) -> Option<Drill> {
    let mut best: Option<Drill> = None;
    for drill in sets.iter().filter_map(|set| largest_clear(*set, bore_nm)) {
        if best.as_ref().is_none_or(|b| drill.nm > b.nm) {
            best = Some(drill);
        }
    }
    best
}

/// `n` sixty-fourths, reduced.
fn fraction(n: i64) -> String {
    let (mut over, mut under) = (n, 64);
    while over % 2 == 0 && under > 1 {
        (over, under) = (over / 2, under / 2);
    }
    if under == 1 { over.to_string() } else { format!("{over}/{under}") }
}

/// Nanometres as millimetres with as many places as needed, at most three.
#[must_use]
pub fn millimetres(nm: i64) -> String {
    let micrometres = (nm + nm.signum() * 500) / 1000;
    let text = format!("{}.{:03}", micrometres / 1000, micrometres % 1000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
