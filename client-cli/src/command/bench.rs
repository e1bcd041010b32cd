//! `pintle bench`: the card for the small repair at the machine: threads, drills, grease, amounts.
//!
//! Promises: works without a log and without signal; every card ends with its cautions and with the rule that the
//! maker's manual and local rules come first. What cannot be reckoned is said, with how it is written. Never records
//! anything, and never gives a number that `pintle_core::bench` has no source for.

use super::Here;
use crate::asked;
use crate::problem::{Code, Problem};
use crate::ui::{Answer, Line, Tone};
use clap::Subcommand;
use pintle_core::Fault;
use pintle_core::bench::card::{self, PenetrationCard};
use pintle_core::bench::drill::{Drill, Set, millimetres};
use pintle_core::bench::grease::{self, NLGI};
use pintle_core::bench::{CARD_RULE, DRILLING_CAUTIONS, GREASING_CAUTIONS, thread};
use pintle_core::decimal::Decimal;
use serde::Serialize;
use serde_json::{Value, json};

/// For the small repair: drills, grease, amounts
#[derive(Debug, clap::Args)]
pub struct Bench {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// A thread: which drill stays clear of it, which one before tapping
    Thread {
        /// Like M10x1, M8, 1/4-28, "1/8 NPT"
        thread: String,
        /// How far the hole in the broken stub is off its middle, in mm
        #[arg(long, value_name = "MM", allow_negative_numbers = true)]
        off_centre: Option<String>,
        /// Which drills you have: metric, inch, fractional, number, letter
        #[arg(long, value_delimiter = ',', value_name = "SET", default_value = "metric,inch")]
        sets: Vec<String>,
    },
    /// What a grease's designation says: KP2K-20, "ISO-L-XBCHB 2", or a worked penetration: 280
    Grease {
        /// As it stands on the cartridge
        #[arg(required = true)]
        designation: Vec<String>,
    },
    /// What a grease gun gives a stroke, by weighing it before and after
    Gun {
        /// Grams before
        #[arg(long, value_name = "GRAMS", allow_negative_numbers = true)]
        before: String,
        /// Grams after
        #[arg(long, value_name = "GRAMS", allow_negative_numbers = true)]
        after: String,
        /// How many strokes between
        #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
        strokes: i64,
        /// Grams that a joint needs: tells the strokes for it
        #[arg(long, value_name = "GRAMS", allow_negative_numbers = true)]
        need: Option<String>,
    },
    /// Grease for a rolling bearing, by its size
    Bearing {
        /// Outer diameter in mm
        #[arg(allow_negative_numbers = true)]
        outer: String,
        /// Width in mm
        #[arg(allow_negative_numbers = true)]
        width: String,
        /// Grams a stroke of your gun: tells the strokes too
        #[arg(long, value_name = "GRAMS", allow_negative_numbers = true)]
        stroke: Option<String>,
    },
}

/// A card: what was asked, what is known, what to mind.
struct Card {
    heading: String,
    lines: Vec<Line>,
    card: Value,
    cautions: &'static [&'static str],
}

/// Shows it.
pub(super) fn run(args: &Bench, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let card = match &args.what {
        What::Thread { thread, off_centre, sets } => thread_card(thread, off_centre.as_deref(), sets)?,
        What::Grease { designation } => grease_card(&designation.join(" "))?,
        What::Gun { before, after, strokes, need } => gun_card(before, after, *strokes, need.as_deref())?,
        What::Bearing { outer, width, stroke } => bearing_card(outer, width, stroke.as_deref())?,
    };
    here.ui.show(&card)
}

fn unclear(what: &str, fault: &Fault) -> Problem {
    Problem::new(Code::UnclearWords, format!("{what:?} is not understood")).hint(fault.detail.clone())
}

/// The named sets; `inch` stands for all three of them.
fn drill_sets(names: &[String]) -> Result<Vec<(String, Vec<Set>)>, Problem> {
    let one = |name: &String| {
        let plain = name.trim().to_lowercase();
        let sets = match plain.as_str() {
            "inch" => vec![Set::Fractional, Set::Number, Set::Letter],
            other => Set::ALL.into_iter().filter(|set| set.as_str() == other).collect(),
        };
        if sets.is_empty() {
            return Err(Problem::new(Code::UnclearWords, format!("{name:?} is no set of drills"))
                .hint("one of: metric, inch, fractional, number, letter"));
        }
        Ok((plain, sets))
    };
    names.iter().map(one).collect()
}

fn thread_card(text: &str, off_centre: Option<&str>, sets: &[String]) -> Result<Card, Problem> {
    let thread = thread::read(text).map_err(|fault| unclear(text, &fault))?;
    let sets = drill_sets(sets)?;
    let off = off_centre.map(|mm| asked::decimal("millimetres", mm)).transpose()?.unwrap_or_default();
    let off_nm = off.milli * 1000;
    if off_nm * 2 >= thread.minor_nm {
        let sentence = format!("{off} mm off its middle, the hole is not in the {} at all", thread.name);
        return Err(Problem::new(Code::UnclearWords, sentence).hint("like --off-centre 0.3"));
    }
    let (major, pitch, minor) =
        (millimetres(thread.major_nm), millimetres(thread.pitch_nm), millimetres(thread.minor_nm));
    let small_end = if thread.taper { " at the small end" } else { "" };
    let mut lines =
        vec![Line::of(format!("major {major} mm, pitch {pitch} mm, minor {minor} mm{small_end}")).indented(2)];
    let bore = if off_nm > 0 { format!(" with the hole {off} mm off") } else { String::new() };
    lines.push(Line::of(format!("largest drill clear of the thread{bore}:")).indented(2));
    for (name, sets) in &sets {
        let drill = thread.clear_drill(sets, off_nm);
        let line = match &drill {
            Some(drill) => Line::toned(Tone::Strong, named(drill)).plain(format!(" ({name})")),
            None => Line::toned(Tone::Odd, format!("none of the {name} set is small enough")),
        };
        lines.push(line.indented(4));
    }
    if let Some(tap) = &thread.tap_drill {
        lines.push(
            Line::of("before tapping anew: ")
                .with(Tone::Strong, named(tap))
                .plain(", which cuts into the thread")
                .indented(2),
        );
    } else {
        lines.push(Line::of("before tapping anew: as the tap's maker says").indented(2));
    }
    let set_names: Vec<String> = sets.iter().map(|(name, _)| name.clone()).collect();
    let card = json(card::thread(text, off, &set_names).map_err(|fault| unclear(text, &fault))?.card);
    lines.extend(unconfirmed(thread.from_memory));
    Ok(Card { heading: thread.name, lines, card, cautions: &DRILLING_CAUTIONS })
}

/// Marks what nobody has looked up again: a person is to measure, or to ask, before relying on it.
fn unconfirmed(from_memory: Option<&str>) -> Option<Line> {
    from_memory.map(|what| Line::toned(Tone::Odd, format!("From memory, not confirmed: {what}.")).indented(2))
}

/// The card as it is given to programs, here as over the network.
fn json(card: impl Serialize) -> Value {
    // Cards are texts, numbers and lists: they always serialise.
    serde_json::to_value(card).unwrap_or_default()
}

/// A drill with its size, where its name does not say it.
fn named(drill: &Drill) -> String {
    let size = format!("{} mm", millimetres(drill.nm));
    if drill.name == size { size } else { format!("{}, {size}", drill.name) }
}

fn grease_card(text: &str) -> Result<Card, Problem> {
    if let Ok(penetration) = text.trim().parse::<u32>() {
        return Ok(penetration_card(penetration));
    }
    let said = grease::read(text).map_err(|fault| unclear(text, &fault))?;
    let purpose = if said.purpose == "any" { "no purpose named".to_owned() } else { format!("for {}", said.purpose) };
    let mut parts = vec![purpose];
    parts.push(if said.extreme_pressure { "extreme pressure (EP)" } else { "no extreme pressure" }.to_owned());
    if said.solids {
        parts.push("solid lubricant".to_owned());
    }
    let degrees = |c: Option<i32>, open: &str| c.map_or_else(|| open.to_owned(), |c| format!("{c} °C"));
    let mut lines = vec![
        Line::of(parts.join(", ")).indented(2),
        Line::of("NLGI ").with(Tone::Strong, said.nlgi).plain(band(said.nlgi)).indented(2),
        Line::of(format!(
            "{} to {}",
            degrees(said.from_c, "colder than named"),
            degrees(said.to_c, "hotter than named")
        ))
        .indented(2),
    ];
    if let Some(water) = said.water {
        lines.push(Line::of(format!("water and rust: {water}")).indented(2));
    }
    lines.extend(unconfirmed(said.from_memory));
    let card = json(card::grease(text).map_err(|fault| unclear(text, &fault))?.card);
    Ok(Card { heading: text.trim().to_uppercase(), lines, card, cautions: &GREASING_CAUTIONS })
}

fn band(grade: &str) -> String {
    let found = NLGI.iter().find(|(g, _, _)| *g == grade);
    found.map(|(_, low, high)| format!(", worked penetration {low} to {high}")).unwrap_or_default()
}

fn penetration_card(penetration: u32) -> Card {
    let grade = grease::nlgi(penetration);
    let line = match grade {
        Some(grade) => Line::of("NLGI ").with(Tone::Strong, grade).plain(band(grade)),
        None => Line::toned(Tone::Odd, "between two grades, or beyond them: no NLGI grade"),
    };
    Card {
        heading: format!("Worked penetration {penetration}"),
        lines: vec![line.indented(2)],
        card: json(PenetrationCard { penetration, nlgi: grade.map(str::to_owned) }),
        cautions: &GREASING_CAUTIONS,
    }
}

fn gun_card(before: &str, after: &str, strokes: i64, need: Option<&str>) -> Result<Card, Problem> {
    let grams = |text: &str| asked::decimal("grams", text);
    let (before, after, need) = (grams(before)?, grams(after)?, need.map(grams).transpose()?);
    let known = card::gun(before, after, strokes, need).map_err(|fault| match fault.pointer.as_str() {
        "/need" => no_amount(&fault),
        _ => asked_wrong(&fault, "pintle bench gun --before 512 --after 497 --strokes 10"),
    })?;
    let stroke = Line::toned(Tone::Strong, format!("{} g", known.card.stroke_g)).plain(" a stroke").indented(2);
    let lines = [stroke].into_iter().chain(strokes_line(known.card.need_g, known.card.strokes)).collect();
    Ok(Card { heading: "Grease gun".into(), lines, card: json(known.card), cautions: &GREASING_CAUTIONS })
}

fn asked_wrong(fault: &Fault, hint: &str) -> Problem {
    Problem::new(Code::UnclearWords, fault.detail.clone()).hint(hint)
}

fn no_amount(fault: &Fault) -> Problem {
    asked_wrong(fault, "like 9, or 1.5")
}

fn strokes_line(need: Option<Decimal>, strokes: Option<i64>) -> Option<Line> {
    let (need, strokes) = need.zip(strokes)?;
    let word = if strokes == 1 { "stroke" } else { "strokes" };
    let line = Line::of(format!("{need} g: ")).with(Tone::Strong, format!("{strokes} {word}"));
    Some(line.plain(", or until the purge is clean").indented(2))
}

fn bearing_card(outer: &str, width: &str, stroke: Option<&str>) -> Result<Card, Problem> {
    let (outer, width) = (asked::decimal("millimetres", outer)?, asked::decimal("millimetres", width)?);
    let stroke = stroke.map(|stroke| asked::decimal("grams", stroke)).transpose()?;
    let known = card::bearing(outer, width, stroke).map_err(|fault| match fault.pointer.as_str() {
        "/stroke" => no_amount(&fault),
        _ => asked_wrong(&fault, "pintle bench bearing 90 20"),
    })?;
    let amount = Line::toned(Tone::Strong, format!("{} g", known.card.amount_g));
    let lines = [amount.plain(" to regrease: 0.005 × D × B").indented(2)].into_iter();
    let lines = lines.chain(strokes_line(known.card.need_g, known.card.strokes));
    let lines = lines.chain([Line::of("The maker's amount comes first.").indented(2)]).collect();
    let heading = format!("Bearing {outer} × {width} mm");
    Ok(Card { heading, lines, card: json(known.card), cautions: &GREASING_CAUTIONS })
}

impl Answer for Card {
    fn lines(&self) -> Vec<Line> {
        let mut lines = vec![Line::toned(Tone::Strong, &self.heading)];
        lines.extend(self.lines.iter().cloned());
        lines.extend(self.warnings());
        lines
    }

    fn json(&self) -> Value {
        json!({"card": self.card, "cautions": self.cautions, "rule": CARD_RULE})
    }

    /// Whoever reads only what must not be missed reads these.
    fn warnings(&self) -> Vec<Line> {
        let cautions = self.cautions.iter().map(|caution| Line::toned(Tone::Odd, "! ").plain(caution));
        cautions.chain([Line::toned(Tone::Odd, "! ").plain(CARD_RULE)]).collect()
    }
}
