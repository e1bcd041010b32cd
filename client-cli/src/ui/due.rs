//! What is due, in the words of the crew: how far, when, why, and a bar that fits a phone.
//!
//! Promises: what is past its window is told as how much it is over, never as a date that has gone by; a date that
//! rests on an assumed use says so, and a band says how sure it is. Pure: the moment and the place are arguments.

use super::{Line, NO_BREAK, Tone};
use crate::ambient::Wall;
use jiff::civil::Date;
use pintle_core::decimal::Decimal;
use pintle_core::due::{Due, State, When, tenths, unit};
use pintle_core::plan::Plan;

/// Cells of a bar: with its number it fits 40 columns, moved in by four.
const CELLS: i64 = 28;
/// Years after which a date says nothing: most machines do not last as long.
const FAR_YEARS: i16 = 10;

/// Cells of a bar that shares its line with words.
const CELLS_SHORT: i64 = 8;
/// Columns that a gauge takes, with the space behind it.
const GAUGE_COLUMNS: usize = 9;

/// A share as a bar, its number behind it: `███████▌░░░░ 64 %`. More than the whole runs over its end.
#[must_use]
pub fn bar(permille: i64) -> String {
    let over = if permille > 1000 { "▶" } else { "" };
    format!("{}{over} {}", cells(permille, CELLS), percent(permille))
}

/// A share as a bar of eight cells, for a list: always as wide, so that what stands behind it is in one column. More
/// than the whole points over its end.
#[must_use]
pub fn gauge(permille: i64) -> String {
    match permille {
        ..=1000 => cells(permille, CELLS_SHORT),
        _ => format!("{}▶", cells(1000, CELLS_SHORT - 1)),
    }
}

/// A line of a list behind its gauge. What goes on stands under the text, not under the bar.
#[must_use]
pub fn gauged(permille: i64, tone: Tone, text: &str) -> Line {
    Line::toned(tone, gauge(permille)).plain(" ").with(tone, text).indented(2).hanging(GAUGE_COLUMNS)
}

/// A line that goes on with the one before it, which has a gauge.
#[must_use]
pub fn beside_gauge(tone: Tone, text: &str) -> Line {
    Line::toned(tone, text).indented(2 + GAUGE_COLUMNS).hanging(0)
}

fn cells(permille: i64, cells: i64) -> String {
    const PARTS: [&str; 8] = ["", "▏", "▎", "▍", "▌", "▋", "▊", "▉"];
    let eighths = permille.clamp(0, 1000) * cells * 8 / 1000;
    let full = usize::try_from(eighths / 8).unwrap_or_default();
    let part = PARTS[usize::try_from(eighths % 8).unwrap_or_default()];
    let used = full + usize::from(!part.is_empty());
    let rest = usize::try_from(cells).unwrap_or_default().saturating_sub(used);
    format!("{}{part}{}", "█".repeat(full), "░".repeat(rest))
}

/// A part of a whole, in thousandths; nothing of nothing is nothing.
#[must_use]
pub fn permille(part: u64, whole: u64) -> i64 {
    let share = u128::from(part) * 1000 / u128::from(whole.max(1));
    i64::try_from(share).unwrap_or(i64::MAX)
}

/// A decimal to tenths.
#[must_use]
pub fn short(decimal: Decimal) -> Decimal {
    tenths(decimal.milli)
}

/// A share in percent, to the nearest, but never 100 before it is and never 0 where there is some.
#[must_use]
pub fn percent(permille: i64) -> String {
    match permille {
        1..5 => "under 1 %".to_owned(),
        995..1000 => "99 %".to_owned(),
        10_000.. => "over 1000 %".to_owned(),
        other => format!("{}{NO_BREAK}%", (other + 5) / 10),
    }
}

/// An amount on a clock: `12.5 h`, `1 day`, `2 fills`.
#[must_use]
pub fn amount(milli: i64, clock: &str) -> String {
    let shown = tenths(milli.abs());
    let one = matches!(clock, "days" | "fills" | "shifts") && shown == Decimal::from_milli(1000);
    let unit = if one { unit(clock).trim_end_matches('s') } else { unit(clock) };
    format!("{shown}{NO_BREAK}{unit}")
}

/// How far off it is: `in 12.5 h`, `at the next fill`, `3 days over`, `now`.
#[must_use]
pub fn left(due: &Due) -> String {
    let milli = due.left.milli;
    if due.state == State::Unknown {
        return due.why.clone();
    }
    if !due.squeaks.is_empty() {
        return format!("now: {}", due.why.split(';').next().unwrap_or_default());
    }
    if !due.skipped.is_empty() && milli > 0 {
        let points: Vec<&str> = due.skipped.iter().map(|skip| skip.point.as_str()).collect();
        return format!("{} still to do", points.join(" + "));
    }
    match (due.clock.as_str(), milli) {
        (_, -49..=49) => "now".to_owned(),
        ("fills" | "shifts", 1..=1000) => format!("at the next {}", due.clock.trim_end_matches('s')),
        ("days", 1..=1000) => "tomorrow".to_owned(),
        (clock, 50..) => format!("in {}", amount(milli, clock)),
        (clock, _) => format!("{} over", amount(milli, clock)),
    }
}

/// A task and how far off it is: `oil 250 h in 12.5 h`, `grease, 16.9 h over`.
#[must_use]
pub fn sentence(due: &Due) -> String {
    let left = left(due);
    let between = if left.starts_with("in ") || left.starts_with("at ") || left.starts_with("now") || left == "tomorrow"
    {
        " "
    } else if due.state == State::Unknown {
        ": "
    } else {
        ", "
    };
    format!("{}{between}{left}", due.task)
}

/// When, with the band in which it may well be: `about Tue 5 May (Mon 4 to Thu 7 May)`.
#[must_use]
pub fn when(due: &Due, now: &Wall) -> Option<String> {
    let When { second, earliest_s, latest_s, assumed } = due.when?;
    let calendar = due.clock == "days";
    if !due.skipped.is_empty() && due.left.milli > 0 {
        return None;
    }
    if due.left.milli <= 0 {
        let since = date(second, now).filter(|day| calendar && *day < today(now));
        return since.map(|day| format!("due since {}", date_words(day, now)));
    }
    if calendar {
        return date(second, now).map(|day| date_words(day, now));
    }
    let reckoned = if assumed { ", use assumed" } else { "" };
    if second < now.second {
        return Some(format!("by now, if it ran as usual{reckoned}"));
    }
    let far = || format!("not within {FAR_YEARS} years{reckoned}");
    let Some(day) = date(second, now).filter(|day| day.year() < today(now).year() + FAR_YEARS) else {
        return Some(far());
    };
    let earliest = date(earliest_s.max(now.second), now)?;
    let latest = latest_s.and_then(|second| date(second, now));
    let band = match latest {
        Some(latest) if latest == earliest => String::new(),
        Some(latest) => format!(" ({} to {})", date_words(earliest, now), date_words(latest, now)),
        None => format!(" ({} or later)", date_words(earliest, now)),
    };
    Some(format!("about {}{band}{reckoned}", date_words(day, now)))
}

fn date(second: i64, now: &Wall) -> Option<Date> {
    let at = jiff::Timestamp::from_second(second).ok()?;
    Some(now.zone.to_datetime(at).date())
}

fn today(now: &Wall) -> Date {
    date(now.second, now).unwrap_or_default()
}

/// A day: `today`, `Tue 5 May`, and the year where it is another.
fn date_words(day: Date, now: &Wall) -> String {
    let today = today(now);
    if day == today {
        return "today".to_owned();
    }
    let form = if day.year() == today.year() { "%a %-d %b" } else { "%a %-d %b %Y" };
    day.strftime(form).to_string()
}

/// How urgent a line about it looks.
#[must_use]
pub fn tone(state: State) -> Tone {
    match state {
        State::PastWindow => Tone::Danger,
        State::InWindow => Tone::Odd,
        State::Ahead | State::Unknown => Tone::Plain,
    }
}

/// A thing that is due, in one line behind its gauge.
#[must_use]
pub fn short_line(due: &Due) -> Line {
    match due.state {
        State::Unknown => Line::of(sentence(due)).indented(2),
        state => gauged(due.used_permille, tone(state), &sentence(due)),
    }
}

/// A thing that is due: what and how far, the bar, when, why.
#[must_use]
pub fn lines(machine: Option<&str>, due: &Due, now: &Wall) -> Vec<Line> {
    let mut head = Line::new();
    if let Some(machine) = machine {
        head = head.with(Tone::Strong, machine).plain(" ");
    }
    let mut lines = vec![head.with(tone(due.state), sentence(due))];
    if due.state == State::Unknown {
        return lines;
    }
    lines.push(Line::toned(tone(due.state), bar(due.used_permille)).indented(2));
    lines.extend(when(due, now).map(|when| Line::of(when).indented(2)));
    lines.push(Line::toned(Tone::Faint, &due.why).indented(2));
    lines
}

/// What to bring and to mind.
#[must_use]
pub fn details(due: &Due) -> Vec<Line> {
    let needs = due.needs.iter().map(|need| Line::of(format!("needs {need}")).indented(2));
    let skipped = due.skipped.iter().map(|skip| {
        let why = skip.reason.as_ref().map(|why| format!(": {why}")).unwrap_or_default();
        Line::of(format!("still to do: {}{why}", skip.point)).indented(2)
    });
    let cautions = due.cautions.iter().map(|caution| Line::toned(Tone::Odd, "! ").plain(caution).indented(2));
    skipped.chain(needs).chain(cautions).collect()
}

/// What the plan is, where it is not the crew's own.
#[must_use]
pub fn plan_line(plan: &Plan) -> Line {
    Line::toned(Tone::Faint, format!("By the plan {}: {}", plan.name, plan.source))
}
