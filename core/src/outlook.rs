//! What a device keeps of a machine's book so that it can say at once what is due next.
//!
//! Promises: [`Outlook::of`] a book and [`Outlook::due`] give exactly what the book gives. [`Outlook::advance`] takes in
//! one newest entry without any other, good for the answer to a person who has just recorded it; where that would be
//! a guess it says so. The book itself is folded later, when nobody waits.
//!
//! Never the truth: whoever shows a list of what is due folds first what has been advanced.

use crate::book::upkeep::{SAME_STOP_S, day, extra};
use crate::book::{Book, SkippedPoint, Stamp};
use crate::decimal::{self, Decimal};
use crate::due::{Due, Order, State, Track, When, count, in_days_s, order, why};
use crate::entry::{EntryRef, Held};
use crate::fact::{Fact, FindingRaised, MeterKind, Sign, TaskDone};
use crate::meter::{self, Rate, Shown};
use crate::plan::{Counting, GREASING, Plan, PlanTask};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Seconds of a day.
const DAY_S: i64 = 86_400;

/// The part of a book that what is due is reckoned from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outlook {
    /// The plan in force; many machines may share one.
    #[serde(serialize_with = "plan_text", deserialize_with = "shared_plan")]
    pub plan: Arc<Plan>,
    /// The clocks of its tasks.
    pub tracks: Vec<Track>,
    /// The meters, the first one first.
    pub meters: Vec<Dial>,
    /// Points skipped and not done since, by task.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub skipped: BTreeMap<String, Vec<SkippedPoint>>,
    /// Open findings of a squeak, in order of their entries.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub squeaks: Vec<Squeak>,
    /// Time and name of the newest entry taken in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub newest: Option<(i64, EntryRef)>,
}

fn plan_text<S: Serializer>(plan: &Arc<Plan>, s: S) -> Result<S::Ok, S::Error> {
    plan.as_ref().serialize(s)
}

fn shared_plan<'de, D: Deserializer<'de>>(d: D) -> Result<Arc<Plan>, D::Error> {
    Plan::deserialize(d).map(Arc::new)
}

/// An open finding of a squeak: the place asks for grease, whatever the clocks say.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Squeak {
    /// The finding.
    pub entry: EntryRef,
    /// Where; none if that was not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<String>,
    /// Tasks done there since.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub done_since: BTreeSet<String>,
}

/// What a meter shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Dial {
    /// Its name.
    pub meter: String,
    /// What it counts.
    pub kind: MeterKind,
    /// The last believed reading: what it showed, the machine's life then, when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<DialReading>,
    /// Use per day, where readings tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate: Option<Rate>,
}

/// A reading of a [`Dial`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct DialReading {
    /// What it showed.
    pub shown: Decimal,
    /// What the machine had run in its life.
    #[serde(deserialize_with = "decimal::reckoned")]
    pub life: Decimal,
    /// When, in seconds since 1970.
    pub second: i64,
}

/// Whether an entry could be taken in without the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[must_use]
pub enum Advanced {
    /// It was; what is due is right but for the use per day, which one more reading may change a little.
    TakenIn,
    /// It changes what stands, or is not the newest: fold the machine.
    Fold,
}

impl Outlook {
    /// The part of a book that matters for what is due.
    #[must_use]
    pub fn of(book: &Book) -> Self {
        let dial = |meter: &crate::book::Meter| Dial {
            meter: meter.meter.clone(),
            kind: meter.kind,
            reading: meter.reading.as_ref().map(|r| DialReading {
                shown: r.shown,
                life: r.life,
                second: r.stamp.at.second(),
            }),
            rate: meter.rate,
        };
        let skipped = book.tasks.iter().filter(|task| !task.skipped.is_empty());
        let squeaks = book.findings.iter().filter(|finding| finding.sign == Sign::Squeak).map(|finding| Squeak {
            entry: finding.stamp.entry,
            point: finding.point.clone(),
            done_since: finding.done_since.clone(),
        });
        let mut squeaks: Vec<Squeak> = squeaks.collect();
        squeaks.sort_by_key(|squeak| squeak.entry);
        Self {
            squeaks,
            plan: Arc::new(book.plan_in_force()),
            tracks: book.tracks.clone(),
            meters: book.meters.iter().map(dial).collect(),
            skipped: skipped.map(|task| (task.task.clone(), task.skipped.clone())).collect(),
            newest: book.last.as_ref().map(|stamp| (stamp.at.second(), stamp.entry)),
        }
    }

    /// Takes in an entry that is newer than all others of the machine.
    pub fn advance(&mut self, held: &Held, fact: &Fact) -> Advanced {
        let Ok(head) = held.entry.head() else { return Advanced::Fold };
        let now = (head.at.second(), held.name());
        if self.newest.is_some_and(|newest| newest >= now) || held.aside.is_some() {
            return Advanced::Fold;
        }
        let changes_what_stands = matches!(
            fact,
            Fact::MachineAdded(_)
                | Fact::MeterChanged(_)
                | Fact::PlanSet(_)
                | Fact::Corrected(_)
                | Fact::Struck(_)
                | Fact::Released(_)
                | Fact::Settled(_)
        );
        let fills_a_stop = matches!(fact, Fact::FuelFilled(_)) && !self.may_fill(now.0);
        if changes_what_stands || fills_a_stop || !self.read(now, fact) {
            return Advanced::Fold;
        }
        match fact {
            Fact::FuelFilled(_) => self.filled(now.0),
            Fact::ShiftEnded(ended) => {
                self.step("shifts", 1000);
                let hard = ended.conditions.iter().map(|(c, hours)| extra(&self.plan, *c, hours.milli)).sum();
                self.run(None, hard);
            }
            Fact::TaskDone(done) => self.done(done, held, now.0, day(&head.at)),
            Fact::FindingRaised(raised) if raised.sign == Sign::Squeak => self.squeaks(held.name(), raised),
            Fact::RepairDone(repair) => self.squeaks.retain(|squeak| !repair.closes.contains(&squeak.entry)),
            Fact::FindingCleared(cleared) => self.squeaks.retain(|squeak| squeak.entry != cleared.finding),
            _ => {}
        }
        self.newest = Some(now);
        Advanced::TakenIn
    }

    /// Takes in the reading of an entry, if it has one and it can be believed.
    fn read(&mut self, (second, entry): (i64, EntryRef), fact: &Fact) -> bool {
        let Some((reading, meter)) = fact.reading().and_then(|r| Some((r.reading?, r.meter.as_deref()))) else {
            return true;
        };
        let found = self.meters.iter().position(|dial| meter.is_none_or(|name| name == dial.meter));
        let Some(dial) = found.map(|index| &mut self.meters[index]) else { return false };
        let Some(last) = dial.reading else { return false };
        let carried_milli = last.life.milli - last.shown.milli;
        let earlier = Shown { entry, second: last.second, reading: last.shown, carried_milli };
        let later = Shown { entry, second, reading, carried_milli };
        if !meter::can_both_be_true(dial.kind, &earlier, &later) {
            return false;
        }
        let run = later.life_milli() - last.life.milli;
        dial.reading = Some(DialReading { shown: reading, life: Decimal::from_milli(later.life_milli()), second });
        let name = dial.meter.clone();
        self.run(Some(&name), run);
        true
    }

    /// Moves the clocks of a meter on; without a name the weighed ones of the first meter.
    fn run(&mut self, meter: Option<&str>, milli: i64) {
        let first = self.meters.first().map(|dial| dial.meter.clone()).unwrap_or_default();
        for track in &mut self.tracks {
            let weighed = self.plan.task(&track.task).is_some_and(|task| task.weighed);
            if meter.map_or(weighed && track.clock == first, |meter| track.clock == meter) {
                track.now_milli = track.now_milli.map(|now| now + milli);
            }
        }
    }

    fn step(&mut self, clock: &str, milli: i64) {
        for track in self.tracks.iter_mut().filter(|track| track.clock == clock) {
            track.now_milli = track.now_milli.map(|now| now + milli);
        }
    }

    /// Whether a fill now can be counted without folding: where one belongs to a greasing just done, only counting
    /// from done moves on by the fill alone.
    fn may_fill(&self, second: i64) -> bool {
        let fills = self.tracks.iter().filter(|track| track.clock == "fills" && same_stop(track, second));
        fills.into_iter().all(|track| self.plan.task(&track.task).is_some_and(|t| t.counting == Counting::Done))
    }

    fn filled(&mut self, second: i64) {
        for track in self.tracks.iter_mut().filter(|track| track.clock == "fills") {
            track.now_milli = track.now_milli.map(|now| now + 1000);
            if same_stop(track, second) {
                // Greased first, fuelled then: the fill belongs to the greasing.
                track.from_milli += 1000;
                track.due_milli += 1000;
            }
        }
    }

    fn squeaks(&mut self, entry: EntryRef, raised: &FindingRaised) {
        self.squeaks.push(Squeak { entry, point: raised.point.clone(), done_since: BTreeSet::new() });
        self.squeaks.sort_by_key(|squeak| squeak.entry);
    }

    fn done(&mut self, done: &TaskDone, held: &Held, second: i64, day: i64) {
        self.skip(done, held);
        for squeak in self.squeaks.iter_mut().filter(|squeak| done.reached(squeak.point.as_deref())) {
            squeak.done_since.insert(done.task.clone());
        }
        if !done.points.is_empty() {
            return;
        }
        let with: Vec<String> = self.plan.done_with(&done.task).into_iter().map(str::to_owned).collect();
        for track in self.tracks.iter_mut().filter(|track| with.contains(&track.task)) {
            let at = if track.clock == "days" { Some(day * 1000) } else { track.now_milli };
            let Some((at, task)) = at.zip(self.plan.task(&track.task)) else { continue };
            let counted = count(task.counting, track.interval_milli, track.window_milli, track.due_milli, at);
            (track.from_milli, track.due_milli, track.done) = (counted.from_milli, counted.due_milli, true);
            track.done_s = Some(second);
            track.hard.clear();
        }
    }

    fn skip(&mut self, done: &TaskDone, held: &Held) {
        let Ok(head) = held.entry.head() else { return };
        let open = self.skipped.entry(done.task.clone()).or_default();
        let skipped_again = |point: &str| done.skipped.iter().any(|skip| skip.point == point);
        open.retain(|skip| {
            if done.points.is_empty() { skipped_again(&skip.point) } else { !done.points.contains(&skip.point) }
        });
        for skip in done.skipped.iter().filter(|skip| !done.points.contains(&skip.point)) {
            // Since when it is open is told by the first who skipped it.
            if open.iter().all(|known| known.point != skip.point) {
                open.push(SkippedPoint {
                    point: skip.point.clone(),
                    reason: skip.reason.clone(),
                    stamp: Stamp { entry: held.name(), at: head.at.clone(), by: head.by },
                });
            }
        }
        open.sort_by(|a, b| a.point.cmp(&b.point));
        if open.is_empty() {
            self.skipped.remove(&done.task);
        }
    }

    /// What is due at a moment (seconds since 1970, and the place's offset for whole days), the first thing to do first.
    #[must_use]
    pub fn due(&self, now_s: i64, offset_s: i32) -> Vec<Due> {
        let mut list: Vec<Due> = self.stands(now_s, offset_s).map(|stand| stand.told()).collect();
        list.sort_by(|a, b| a.order(now_s).cmp(&b.order(now_s)).then_with(|| a.task.cmp(&b.task)));
        list
    }

    /// The first thing to do at any moment of the day a moment lies in, as [`Outlook::due`] would give it, without
    /// writing any of it out: for lists of many machines of which a page is shown.
    #[must_use]
    pub fn firsts(&self, now_s: i64, offset_s: i32) -> Firsts {
        let mut firsts = Firsts { day: day_of(now_s, offset_s), offset_s, still: None, moving: None };
        for stand in self.stands(now_s, offset_s) {
            if stand.state == State::Ahead && matches!(&*stand.track.clock, "fills" | "shifts") {
                let moving = (in_days_s(stand.left_milli()), Reverse(stand.used_permille()));
                firsts.moving = Some(firsts.moving.map_or(moving, |first| first.min(moving)));
            } else {
                let still = stand.order(now_s);
                firsts.still = Some(firsts.still.map_or(still, |first| first.min(still)));
            }
        }
        firsts
    }

    /// The first thing to do at a moment.
    #[must_use]
    pub fn first(&self, now_s: i64, offset_s: i32) -> Option<Order> {
        self.firsts(now_s, offset_s).at(now_s, offset_s).flatten()
    }

    fn stands(&self, now_s: i64, offset_s: i32) -> impl Iterator<Item = Stand<'_>> {
        self.plan.tasks.iter().filter_map(move |task| self.stand(task, now_s, offset_s))
    }

    fn stand<'a>(&'a self, task: &'a PlanTask, now_s: i64, offset_s: i32) -> Option<Stand<'a>> {
        let (track, now) = self.ruling(task, now_s, offset_s)?;
        let skipped = self.skipped.get(&task.task).into_iter().flatten();
        let skipped: Vec<&SkippedPoint> =
            skipped.filter(|s| task.points.is_empty() || task.points.contains(&s.point)).collect();
        let squeaks: Vec<&Squeak> = self.squeaks.iter().filter(|squeak| self.asks(squeak, task)).collect();
        let when = now.and_then(|now| self.when(track, now, offset_s));
        let state = match now {
            // Common practice, no source: what squeaks is past due.
            _ if !squeaks.is_empty() => State::PastWindow,
            None => State::Unknown,
            Some(now) if now > track.due_milli + track.window_milli => State::PastWindow,
            Some(now) if now >= track.due_milli - track.window_milli => State::InWindow,
            // A point that was not reached is due now, whatever the rest says.
            Some(_) if !skipped.is_empty() => State::InWindow,
            Some(_) => State::Ahead,
        };
        Some(Stand { task, track, now, state, when, skipped, squeaks })
    }

    /// Whether a squeak asks for a task: for one whose use water and dust weigh and that has its point; where there is none,
    /// for the greasing.
    fn asks(&self, squeak: &Squeak, task: &PlanTask) -> bool {
        let has =
            |task: &PlanTask| task.weighed && squeak.point.as_ref().is_some_and(|point| task.points.contains(point));
        let asks = has(task) || (task.task == GREASING && !self.plan.tasks.iter().any(has));
        asks && !squeak.done_since.iter().any(|done| self.plan.done_with(done).contains(task.task.as_str()))
    }

    /// The clock that comes first, and where it stands. Once a window is open it is the one that is used furthest; and so
    /// it is beside a clock of which nobody can say when it comes: the next fill of fuel, a meter without a use per day.
    fn ruling(&self, task: &PlanTask, now_s: i64, offset_s: i32) -> Option<(&Track, Option<i64>)> {
        let today = day_of(now_s, offset_s) * 1000;
        let tracks = self.tracks.iter().filter(|track| track.task == task.task);
        let standing: Vec<(&Track, Option<i64>)> =
            tracks.map(|track| (track, if track.clock == "days" { Some(today) } else { track.now_milli })).collect();
        let share = |(track, now): &(&Track, Option<i64>)| now.map_or(-1, |now| used(track, now));
        let furthest = standing.iter().copied().max_by_key(share)?;
        let comes = |(track, now): &(&Track, Option<i64>)| Some(self.when(track, (*now)?, offset_s)?.second);
        let ahead =
            |(track, now): &(&Track, Option<i64>)| now.is_none_or(|now| now < track.due_milli - track.window_milli);
        let first = standing.iter().filter(|one| comes(one).is_some()).min_by_key(|one| comes(one));
        let Some(first) = first.filter(|_| standing.iter().all(ahead)) else { return Some(furthest) };
        let unsaid = standing.iter().filter(|one| comes(one).is_none() && share(one) > share(first));
        unsaid.max_by_key(|one| share(one)).or(Some(first)).copied()
    }

    fn when(&self, track: &Track, now: i64, offset_s: i32) -> Option<When> {
        if track.clock == "days" {
            let second = track.due_milli / 1000 * DAY_S - i64::from(offset_s);
            return Some(When { second, earliest_s: second, latest_s: Some(second), assumed: false });
        }
        let dial = self.meters.iter().find(|dial| dial.meter == track.clock)?;
        let read_s = dial.reading?.second;
        let first = self.meters.first().is_some_and(|m| m.meter == dial.meter);
        let (rate, assumed) = match (dial.rate, self.plan.use_per_day.filter(|_| first)) {
            (Some(rate), _) => (rate, false),
            (None, Some(day)) => (Rate { per_day: day, low: day, high: day, readings: 0 }, true),
            (None, None) => return None,
        };
        let left = (track.due_milli - now).max(0);
        let after = |per_day: Decimal| {
            (per_day.milli > 0).then(|| read_s.saturating_add(left.saturating_mul(DAY_S) / per_day.milli))
        };
        Some(When { second: after(rate.per_day)?, earliest_s: after(rate.high)?, latest_s: after(rate.low), assumed })
    }
}

/// The day of a moment at a place, in days since 1970.
fn day_of(now_s: i64, offset_s: i32) -> i64 {
    now_s.saturating_add(i64::from(offset_s)).div_euclid(DAY_S)
}

/// What is first to do on a machine, at any moment of one day at one place.
///
/// Within a day nothing changes but how far off fuel fills and shifts are, and those all alike.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Firsts {
    day: i64,
    offset_s: i32,
    /// Of what does not move with the moment.
    still: Option<Order>,
    /// Of what comes a time after the moment: that time in seconds, and how far it is used.
    moving: Option<(i64, Reverse<i64>)>,
}

impl Firsts {
    /// The order of the first thing to do at a moment; none if it lies on another day or at another place than they were
    /// made for.
    #[must_use]
    pub fn at(&self, now_s: i64, offset_s: i32) -> Option<Option<Order>> {
        let made_for = (self.day, self.offset_s) == (day_of(now_s, offset_s), offset_s);
        let moving = self.moving.map(|(after_s, used)| (State::Ahead, now_s.saturating_add(after_s), used));
        made_for.then(|| self.still.into_iter().chain(moving).min())
    }
}

/// How a task stands, before it is put in words.
struct Stand<'a> {
    task: &'a PlanTask,
    /// The clock that rules.
    track: &'a Track,
    /// Where it stands.
    now: Option<i64>,
    state: State,
    when: Option<When>,
    skipped: Vec<&'a SkippedPoint>,
    squeaks: Vec<&'a Squeak>,
}

impl Stand<'_> {
    fn used_permille(&self) -> i64 {
        self.now.map_or(0, |now| used(self.track, now))
    }

    fn left_milli(&self) -> i64 {
        self.now.map_or(self.track.interval_milli, |now| self.track.due_milli - now)
    }

    fn order(&self, now_s: i64) -> Order {
        order(self.state, &self.track.clock, self.used_permille(), self.left_milli(), self.when, now_s)
    }

    /// Why it is due, where it squeaks.
    fn squeaking(&self) -> String {
        let places: BTreeSet<&str> = self.squeaks.iter().filter_map(|squeak| squeak.point.as_deref()).collect();
        let places = places.into_iter().collect::<Vec<_>>().join(", ");
        let place = if places.is_empty() { String::new() } else { format!(" at {places}") };
        let clock = self.now.map(|now| format!("; {}", why(self.track, now))).unwrap_or_default();
        format!("it squeaks{place}{clock}")
    }

    fn told(&self) -> Due {
        let (task, track) = (self.task, self.track);
        let before_window = self.now.is_some_and(|now| now < track.due_milli - track.window_milli);
        let why = match self.now {
            _ if !self.squeaks.is_empty() => self.squeaking(),
            None => format!("no reading of the {} yet", track.clock),
            Some(_) if before_window && !self.skipped.is_empty() => {
                let points: Vec<&str> = self.skipped.iter().map(|s| s.point.as_str()).collect();
                format!("skipped last time: {}", points.join(", "))
            }
            Some(now) => why(track, now),
        };
        Due {
            task: task.task.clone(),
            state: self.state,
            clock: track.clock.clone(),
            used_permille: self.used_permille(),
            left: Decimal::from_milli(self.left_milli()),
            when: self.when,
            why,
            skipped: self.skipped.iter().map(|s| (*s).clone()).collect(),
            squeaks: self.squeaks.iter().map(|squeak| squeak.entry).collect(),
            needs: task.needs.clone(),
            cautions: task.cautions.clone(),
        }
    }
}

/// How much of the running interval is used, in thousandths.
fn used(track: &Track, now: i64) -> i64 {
    let used = i128::from(now - track.from_milli).max(0) * 1000 / i128::from(track.interval_milli.max(1));
    i64::try_from(used).unwrap_or(i64::MAX)
}

/// Whether a fill belongs to the stop at which the task was done.
fn same_stop(track: &Track, second: i64) -> bool {
    track.done_s.is_some_and(|done_s| second <= done_s.saturating_add(SAME_STOP_S))
}
