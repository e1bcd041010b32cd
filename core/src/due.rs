//! What is due on a machine, and why.
//!
//! Promises: pure; the same book and the same moment give the same answer. Each clock of a task counts for itself; the
//! one that comes first rules, and once one is due the furthest. What cannot be known is `unknown`, never guessed. The
//! reason is one sentence a crew understands.
//!
//! The count of each clock is made once per fold ([`Track`], part of the book); asking at another moment costs nothing
//! but arithmetic.

use crate::book::{Book, SkippedPoint};
use crate::decimal::{self, Decimal};
use crate::entry::EntryRef;
use crate::fact::Condition;
use crate::outlook::Outlook;
use crate::plan::Counting;
use serde::{Deserialize, Serialize};
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// One clock of one task, counted up to the newest entry.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Track {
    /// The task.
    pub task: String,
    /// The clock: a meter's name, `days`, `fills` or `shifts`.
    pub clock: String,
    /// The interval, in thousandths (days: whole days times 1000).
    pub interval_milli: i64,
    /// Where the running interval began, on the clock's own scale.
    pub from_milli: i64,
    /// Where it is due.
    pub due_milli: i64,
    /// Half the window.
    pub window_milli: i64,
    /// Where the clock stands; for days this is left out, since they run by themselves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub now_milli: Option<i64>,
    /// Whether the task was ever done; if not, it counts from when the machine was first recorded.
    pub done: bool,
    /// When it was done last, in seconds since 1970.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub done_s: Option<i64>,
    /// Hard hours in the running interval, by condition, and what they count.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    #[cfg_attr(feature = "schema", schema(value_type = std::collections::HashMap<String, Object>))]
    pub hard: BTreeMap<Condition, Hard>,
}

/// Hours in a condition and what they count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Hard {
    /// Hours.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub hours: Decimal,
    /// What they count as.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub counts: Decimal,
}

/// One thing done, on one clock's scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    /// Where the next interval begins.
    pub from_milli: i64,
    /// Where it is due.
    pub due_milli: i64,
    /// How this one stood to its window.
    pub kept: Kept,
}

/// How a past interval was kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kept {
    /// Before the window opened.
    Early,
    /// In the window, edges included.
    OnTime,
    /// After it closed.
    Late,
}

/// Counts one thing done at `at` against an interval that was due at `due`.
///
/// Sources: DA PAM 750-8 (window, edges included), 14 CFR 91.409(b) (earlier of the two).
#[must_use]
pub fn count(counting: Counting, interval: i64, window: i64, due: i64, at: i64) -> Counted {
    let kept = if at < due - window {
        Kept::Early
    } else if at <= due + window {
        Kept::OnTime
    } else {
        Kept::Late
    };
    let next = match counting {
        Counting::Done => at + interval,
        Counting::Window if kept == Kept::OnTime => due + interval,
        Counting::Window => at + interval,
        Counting::Earlier => due.min(at) + interval,
        // On the grid an early one leaves the due where it is, a late one skips what has passed.
        Counting::Due if kept == Kept::Early => due,
        Counting::Due => due + interval * ((at - due).max(0) / interval + 1),
    };
    Counted { from_milli: next - interval, due_milli: next, kept }
}

/// How a task stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum State {
    /// The window has closed.
    #[serde(rename = "past window")]
    PastWindow,
    /// The window is open.
    #[serde(rename = "in window")]
    InWindow,
    /// The window has not opened.
    #[serde(rename = "ahead")]
    Ahead,
    /// No reading tells.
    #[serde(rename = "unknown")]
    Unknown,
}

impl State {
    /// As it is written.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            State::PastWindow => "past window",
            State::InWindow => "in window",
            State::Ahead => "ahead",
            State::Unknown => "unknown",
        }
    }
}

/// What is due, or will be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Due {
    /// The task.
    pub task: String,
    /// How it stands.
    pub state: State,
    /// The clock that rules.
    pub clock: String,
    /// How much of the interval is used, in thousandths; over 1000 is past due.
    pub used_permille: i64,
    /// What is left on that clock; negative when past due.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub left: Decimal,
    /// When that will be.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when: Option<When>,
    /// Why, in words.
    pub why: String,
    /// Points that were skipped and are due by themselves.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub skipped: Vec<SkippedPoint>,
    /// Findings of a squeak because of which it is past due.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub squeaks: Vec<EntryRef>,
    /// What is needed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub needs: Vec<String>,
    /// What to watch out for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
}

/// A day, and the earliest and latest it may well be. Seconds since 1970.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct When {
    /// Most likely.
    pub second: i64,
    /// Earliest.
    pub earliest_s: i64,
    /// Latest; none if it may never be at that rate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub latest_s: Option<i64>,
    /// Whether the use per day is the plan's, not measured.
    pub assumed: bool,
}

/// What sorts things to do, the first one first.
pub type Order = (State, i64, Reverse<i64>);

impl Due {
    /// What sorts a list, the first thing to do first: what is due by how far its interval is used, what is ahead by when
    /// it comes. Fuel fills and shifts are taken as one a day: common practice, no source; it only sorts.
    #[must_use]
    pub fn order(&self, now_s: i64) -> Order {
        order(self.state, &self.clock, self.used_permille, self.left.milli, self.when, now_s)
    }
}

pub(crate) fn order(
    state: State,
    clock: &str,
    used_permille: i64,
    left_milli: i64,
    when: Option<When>,
    now_s: i64,
) -> Order {
    let in_days = || now_s.saturating_add(in_days_s(left_milli));
    let first = match (state, clock, when) {
        (State::PastWindow | State::InWindow, _, _) => -used_permille,
        (State::Unknown, _, _) => 0,
        (State::Ahead, "fills" | "shifts", _) => in_days(),
        (State::Ahead, _, when) => when.map_or(i64::MAX, |when| when.second),
    };
    (state, first, Reverse(used_permille))
}

/// After how many seconds so many fills or shifts are taken to come: one a day.
pub(crate) fn in_days_s(left_milli: i64) -> i64 {
    left_milli.saturating_mul(86_400) / 1000
}

/// What is due on a machine at a moment (seconds since 1970, and the place's offset for whole days), the first thing
/// to do first.
#[must_use]
pub fn due(book: &Book, now_s: i64, offset_s: i32) -> Vec<Due> {
    Outlook::of(book).due(now_s, offset_s)
}

pub(crate) fn why(track: &Track, now: i64) -> String {
    let used = tenths((now - track.from_milli).max(0));
    let interval = Decimal::from_milli(track.interval_milli);
    let one = matches!(track.clock.as_str(), "days" | "fills" | "shifts") && used == Decimal::from_milli(1000);
    let unit = if one { unit(&track.clock).trim_end_matches('s') } else { unit(&track.clock) };
    let since = if track.done { "since last" } else { "since the first record, never done" };
    let mut why = format!("{used} {unit} {since}, every {interval}");
    for (condition, hard) in &track.hard {
        why.push_str(&format!("; {} h {condition} counts {}", hard.hours, hard.counts));
    }
    why
}

/// To tenths, as meters show them.
#[must_use]
pub fn tenths(milli: i64) -> Decimal {
    Decimal::from_milli((milli + milli.signum() * 50) / 100 * 100)
}

/// The unit people say for a clock.
#[must_use]
pub fn unit(clock: &str) -> &str {
    match clock {
        "hours" => "h",
        other => other,
    }
}
