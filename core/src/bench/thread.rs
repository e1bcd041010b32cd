//! Threads of grease fittings and small bolts: ISO metric, unified inch, and the taper pipe thread of fittings.
//!
//! Promises: basic sizes only, computed from the standards' own formulas. "Clear drill" is the largest drill that stays
//! inside the minor diameter of the internal thread, so that a broken stub can be drilled for an extractor without
//! touching the thread; it is smaller than the tap drill, which cuts into it on purpose.
//!
//! Sources: ISO 68-1 and ISO 724 (D1 = D − 1.082532 P), ASME B1.1 (D1 = D − 1.08253175/n), ASME B1.20.1 (taper pipe:
//! E0 = D − (0.05 D + 1.1)/n, height 0.8/n; the dimensions D of its table 2 are from memory). Tap drills: ISO 2306 for
//! metric, the common 75 % table for unified.

use super::drill::{Drill, INCH_NM, Set, drills, largest_clear_of};
use crate::fault::{Fault, code};

/// A thread.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Thread {
    /// Its designation: `M10x1`, `1/4-28`, `1/8-27 NPT`.
    pub name: String,
    /// Major diameter.
    pub major_nm: i64,
    /// Pitch.
    pub pitch_nm: i64,
    /// Minor diameter of the internal thread; of a taper thread the small end.
    pub minor_nm: i64,
    /// Whether it tapers.
    pub taper: bool,
    /// The drill before tapping, where the table has it.
    pub tap_drill: Option<Drill>,
    /// What of this is from memory of the standard, not confirmed: say so wherever it is shown.
    pub from_memory: Option<&'static str>,
}

/// Coarse pitches of ISO 261 in micrometres, by major diameter in millimetres.
const COARSE_UM: [(i64, i64); 11] = [
    (3, 500),
    (4, 700),
    (5, 800),
    (6, 1000),
    (7, 1000),
    (8, 1250),
    (10, 1500),
    (12, 1750),
    (14, 2000),
    (16, 2000),
    (18, 2500),
];

/// Tap drills of ISO 2306, in hundredths of a millimetre, by major diameter (mm) and pitch (µm).
const TAP_METRIC: [(i64, i64, i64); 14] = [
    (4, 700, 330),
    (5, 800, 420),
    (6, 1000, 500),
    (6, 750, 525),
    (7, 1000, 600),
    (8, 1250, 680),
    (8, 1000, 700),
    (10, 1500, 850),
    (10, 1250, 875),
    (10, 1000, 900),
    (12, 1750, 1020),
    (12, 1500, 1050),
    (12, 1250, 1075),
    (18, 2500, 1550),
];

/// Tap drills for about 75 % of thread, unified, by designation.
const TAP_UNIFIED: [(&str, &str); 12] = [
    ("No10-24", "No25"),
    ("No10-32", "No21"),
    ("1/4-20", "No7"),
    ("1/4-28", "No3"),
    ("5/16-18", "F"),
    ("5/16-24", "I"),
    ("3/8-16", "5/16"),
    ("3/8-24", "Q"),
    ("1/2-13", "27/64"),
    ("1/2-20", "29/64"),
    ("5/8-11", "17/32"),
    ("5/8-18", "37/64"),
];

/// Taper pipe sizes: outside diameter in ten-thousandths of an inch, from memory of ASME B1.20.1 table 2.
const PIPE: [(&str, i64, i64); 5] =
    [("1/16", 3125, 27), ("1/8", 4050, 27), ("1/4", 5400, 18), ("3/8", 6750, 18), ("1/2", 8400, 14)];

/// Reads a designation as people write it: `M10x1`, `m10`, `1/4-28`, `No10-32`, `#10-32`, `1/8 npt`, `1/8-27`.
///
/// # Errors
/// `out-of-range`, with what can be read.
pub fn read(text: &str) -> Result<Thread, Fault> {
    let plain = text.trim().to_ascii_lowercase().replace(' ', "").replace('×', "x").replace('#', "no");
    let thread = match plain.strip_prefix('m') {
        Some(metric) => read_metric(metric),
        None => read_pipe(&plain).or_else(|| read_unified(&plain)),
    };
    let detail = "a thread is written like M10x1, M8, 1/4-28, No10-32 or 1/8-27 NPT";
    thread.ok_or_else(|| Fault::new(code::OUT_OF_RANGE, "", detail))
}

fn number_um(text: &str) -> Option<i64> {
    let decimal: crate::decimal::Decimal = text.parse().ok()?;
    (decimal.milli > 0).then_some(decimal.milli)
}

fn read_metric(text: &str) -> Option<Thread> {
    let (major, pitch) = text.split_once('x').map_or((text, None), |(major, pitch)| (major, Some(pitch)));
    let major_um = number_um(major)?;
    let pitch_um = match pitch {
        Some(pitch) => number_um(pitch)?,
        None => COARSE_UM.iter().find(|(d, _)| d * 1000 == major_um)?.1,
    };
    if !(1000..=100_000).contains(&major_um) || pitch_um > 6000 || pitch_um * 2 > major_um {
        return None;
    }
    let (major_nm, pitch_nm) = (major_um * 1000, pitch_um * 1000);
    let tap = TAP_METRIC.iter().find(|(d, p, _)| d * 1000 == major_um && *p == pitch_um);
    let tap_drill = tap.map(|(_, _, hundredths)| {
        let nm = hundredths * 10_000;
        Drill { name: format!("{} mm", super::drill::millimetres(nm)), nm }
    });
    Some(Thread {
        name: format!(
            "M{}x{}",
            crate::decimal::Decimal::from_milli(major_um),
            crate::decimal::Decimal::from_milli(pitch_um)
        ),
        major_nm,
        pitch_nm,
        minor_nm: major_nm - pitch_nm * 1_082_532 / 1_000_000,
        taper: false,
        tap_drill,
        from_memory: None,
    })
}

/// Inch sizes: `1/4`, `1-1/8` are not needed here, `No10`.
fn inch_nm(text: &str) -> Option<i64> {
    if let Some(number) = text.strip_prefix("no") {
        // Numbered screws: 0.060 inch and 0.013 more for each number (ASME B1.1).
        let n: i64 = number.parse().ok().filter(|n| (0..=12).contains(n))?;
        return Some((60 + 13 * n) * (INCH_NM / 1000));
    }
    let (over, under) = text.split_once('/').unwrap_or((text, "1"));
    let (over, under): (i64, i64) = (over.parse().ok()?, under.parse().ok()?);
    let sane = (1..=64).contains(&over) && matches!(under, 1 | 2 | 4 | 8 | 16 | 32 | 64) && over <= 2 * under;
    sane.then(|| over * INCH_NM / under)
}

fn read_unified(text: &str) -> Option<Thread> {
    let (size, tpi) = text.split_once('-')?;
    let tpi: i64 = tpi.parse().ok().filter(|n| (4..=80).contains(n))?;
    let major_nm = inch_nm(size)?;
    let name = format!("{}-{tpi}", size.replace("no", "No"));
    let tap = TAP_UNIFIED.iter().find(|(thread, _)| *thread == name).map(|(_, drill)| *drill);
    Some(Thread {
        major_nm,
        pitch_nm: INCH_NM / tpi,
        minor_nm: major_nm - INCH_NM * 108_253_175 / 100_000_000 / tpi,
        taper: false,
        from_memory: None,
        tap_drill: tap.and_then(|name| Set::ALL.iter().flat_map(|s| drills(*s)).find(|d| d.name == name)),
        name,
    })
}

fn read_pipe(text: &str) -> Option<Thread> {
    let bare = text.strip_suffix("npt").map(|t| t.trim_end_matches('-'));
    let (size, tpi) = match bare.unwrap_or(text).split_once('-') {
        Some((size, tpi)) => (size, Some(tpi.parse::<i64>().ok()?)),
        None => (bare?, None),
    };
    let &(size, d, n) = PIPE.iter().find(|(s, _, n)| *s == size && tpi.is_none_or(|t| t == *n))?;
    // In millionths of an inch: E0 = D − (0.05 D + 1.1)/n, K0 = E0 − 0.8/n.
    let (major, e0) = (d * 100, d * 100 - (5 * d + 1_100_000) / n);
    let k0 = e0 - 800_000 / n;
    let nm = |millionths: i64| millionths * INCH_NM / 1_000_000;
    Some(Thread {
        name: format!("{size}-{n} NPT"),
        major_nm: nm(major),
        pitch_nm: INCH_NM / n,
        minor_nm: nm(k0),
        taper: true,
        tap_drill: None,
        from_memory: Some("the outside diameter and threads an inch"),
    })
}

impl Thread {
    /// The largest drill of these sets that stays clear of the internal thread when the hole is off centre by
    /// `off_centre_nm`: at most D1 − 2e.
    #[must_use]
    pub fn clear_drill(&self, sets: &[Set], off_centre_nm: i64) -> Option<Drill> {
        largest_clear_of(sets, self.minor_nm - 2 * off_centre_nm.max(0))
    }
}
