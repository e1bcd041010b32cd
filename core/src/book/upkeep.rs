//! How a plan was kept: every clock of every task counted from the first entry to the newest.
//!
//! Promises: a twin counts once; a task that covers others does them all; hard hours weigh where the plan says so. The
//! result depends on entries and plan alone, so it is part of the book; what is due *now* is arithmetic on it. Each piece
//! of work is told with how it stood to its window, so that what the book counts can be shown one by one.

use super::amend::Item;
use super::{Keeping, KeptWork};
use crate::decimal::Decimal;
use crate::due::{Counted, Hard, Kept, Track, count};
use crate::entry::EntryRef;
use crate::fact::{Condition, Fact};
use crate::moment::Moment;
use crate::plan::{Plan, PlanTask};
use std::collections::{BTreeMap, BTreeSet};

/// A fuel fill this many seconds after a greasing belongs to the same stop. Common practice, no source.
pub(crate) const SAME_STOP_S: i64 = 3600;

/// Believed readings per meter: `(second, day, life in thousandths)` in order of time.
pub(super) struct Believed {
    /// Name of the first meter.
    pub first: String,
    /// The readings.
    pub tracks: BTreeMap<String, Vec<(i64, i64, i64)>>,
}

/// A task done as a whole, once, however often it was recorded.
#[derive(Debug, Clone)]
pub(super) struct Work {
    pub task: String,
    pub entry: EntryRef,
    pub second: i64,
    pub day: i64,
}

/// What follows from a plan and the past.
pub(super) struct Upkeep {
    /// The clocks, counted up to the newest entry.
    pub tracks: Vec<Track>,
    /// How each task was kept.
    pub keeping: Vec<Keeping>,
    /// The same, one by one.
    pub works: Vec<KeptWork>,
}

/// The day of a moment at its place, in days since 1970.
pub(crate) fn day(at: &Moment) -> i64 {
    (at.second() + i64::from(at.offset_s())).div_euclid(86_400)
}

/// What the clocks ran by.
pub(super) struct Past {
    believed: Believed,
    works: Vec<Work>,
    fills: Vec<i64>,
    shifts: Vec<i64>,
    hard: Vec<(i64, Condition, i64)>,
    /// What hard hours up to a moment count beyond themselves, under the plan that is being counted.
    extras: Vec<(i64, i64)>,
    first_day: i64,
}

impl Past {
    pub(super) fn of(items: &[Item<'_>], believed: Believed, works: Vec<Work>) -> Self {
        let mut past = Past {
            believed,
            works,
            fills: Vec::new(),
            shifts: Vec::new(),
            hard: Vec::new(),
            extras: Vec::new(),
            first_day: items.first().map_or(0, |item| day(&item.at)),
        };
        for item in items {
            let second = item.at.second();
            match &item.fact {
                Fact::FuelFilled(_) => past.fills.push(second),
                Fact::ShiftEnded(ended) => {
                    past.shifts.push(second);
                    past.hard.extend(ended.conditions.iter().map(|(c, hours)| (second, *c, hours.milli)));
                }
                _ => {}
            }
        }
        past
    }

    /// The tracks of a plan's tasks, and how they were kept.
    pub(super) fn upkeep(mut self, plan: &Plan) -> Upkeep {
        let mut sum = 0;
        self.extras = Vec::with_capacity(self.hard.len());
        for (second, condition, hours) in &self.hard {
            sum = extra(plan, *condition, *hours).saturating_add(sum);
            self.extras.push((*second, sum));
        }
        let mut tracks = Vec::new();
        let mut keeping = Vec::new();
        let mut each = Vec::new();
        let covering: BTreeMap<&str, BTreeSet<&str>> =
            plan.tasks.iter().map(|task| (task.task.as_str(), plan.done_with(&task.task))).collect();
        for task in &plan.tasks {
            let works = self.works.iter().filter(|work| {
                work.task == task.task
                    || covering.get(work.task.as_str()).is_some_and(|done| done.contains(task.task.as_str()))
            });
            let mut clocks = self.clocks(task);
            let mut kept =
                Keeping { task: task.task.clone(), early: 0, on_time: 0, late: 0, never: 0, worst_permille: 0 };
            for work in works {
                each.push(self.one_work(task, work, &mut clocks, &mut kept));
            }
            for track in &mut clocks {
                track.hard = self.hard_since(plan, task, &track.clock, track.done_s.unwrap_or(i64::MIN));
            }
            if kept.early + kept.on_time + kept.late > 0 {
                keeping.push(kept);
            }
            tracks.extend(clocks);
        }
        Upkeep { tracks, keeping, works: each }
    }

    /// The clocks of a task before anything was done.
    fn clocks(&self, task: &PlanTask) -> Vec<Track> {
        let every = &task.every;
        let mut clocks: Vec<(String, i64)> =
            every.meters.iter().map(|(meter, interval)| (meter.clone(), interval.milli)).collect();
        let counted = [("days", every.days), ("fills", every.fills), ("shifts", every.shifts)];
        clocks.extend(counted.into_iter().filter_map(|(name, n)| n.map(|n| (name.to_owned(), i64::from(n) * 1000))));
        clocks
            .into_iter()
            .map(|(clock, interval_milli)| {
                let from_milli = self.value(task, &clock, i64::MIN, self.first_day).unwrap_or(0);
                let now_milli = (clock != "days").then(|| self.value(task, &clock, i64::MAX, 0)).flatten();
                Track {
                    task: task.task.clone(),
                    window_milli: interval_milli * i64::from(task.window_percent) / 100,
                    due_milli: from_milli + interval_milli,
                    hard: BTreeMap::new(),
                    clock,
                    interval_milli,
                    from_milli,
                    now_milli,
                    done: false,
                    done_s: None,
                }
            })
            .collect()
    }

    fn one_work(&self, task: &PlanTask, work: &Work, clocks: &mut [Track], kept: &mut Keeping) -> KeptWork {
        let mut judged: Option<Kept> = None;
        let mut missed = 0;
        let mut worst_permille = 0;
        for track in clocks.iter_mut() {
            let Some(at) = self.value(task, &track.clock, work.second, work.day) else { continue };
            let (interval, window) = (track.interval_milli, track.window_milli);
            let Counted { from_milli, due_milli, kept: how } =
                count(task.counting, interval, window, track.due_milli, at);
            // Whatever clock says late decides; on time beats early. When it was done before the first record nobody knows:
            // the first one cannot be called early.
            if track.done || how != Kept::Early {
                judged = judged.max(Some(how));
            }
            if how == Kept::Late {
                missed = missed.max((at - track.due_milli) / interval);
                worst_permille = worst_permille.max((at - track.due_milli).saturating_mul(1000) / interval);
            }
            (track.from_milli, track.due_milli, track.done) = (from_milli, due_milli, true);
            track.done_s = Some(work.second);
        }
        match judged {
            Some(Kept::Early) => kept.early += 1,
            Some(Kept::OnTime) => kept.on_time += 1,
            Some(Kept::Late) => kept.late += 1,
            None => {}
        }
        let never = u64::try_from(missed).unwrap_or(0);
        kept.never += never;
        kept.worst_permille = kept.worst_permille.max(worst_permille);
        KeptWork { task: task.task.clone(), entry: work.entry, kept: judged, never, worst_permille }
    }

    /// Where a clock stood at a moment.
    fn value(&self, task: &PlanTask, clock: &str, second: i64, day: i64) -> Option<i64> {
        // Entries come in order of time, so their times are sorted.
        let number = |times: &[i64], until: i64| i64::try_from(times.partition_point(|t| *t <= until)).unwrap_or(0);
        match clock {
            "days" => Some(day * 1000),
            "fills" => Some(number(&self.fills, second.saturating_add(SAME_STOP_S)) * 1000),
            "shifts" => Some(number(&self.shifts, second) * 1000),
            meter => {
                let life = life_at(self.believed.tracks.get(meter)?, second)?;
                let weighed = task.weighed && meter == self.believed.first;
                let before = self.extras.partition_point(|(at, _)| *at <= second);
                let hard = before.checked_sub(1).filter(|_| weighed).map_or(0, |last| self.extras[last].1);
                Some(life.saturating_add(hard))
            }
        }
    }

    fn hard_since(&self, plan: &Plan, task: &PlanTask, clock: &str, second: i64) -> BTreeMap<Condition, Hard> {
        let mut hard: BTreeMap<Condition, Hard> = BTreeMap::new();
        if !task.weighed || clock != self.believed.first {
            return hard;
        }
        for (_, condition, hours) in self.hard.iter().filter(|(at, _, _)| *at > second) {
            let more = extra(plan, *condition, *hours);
            if more > 0 {
                let one = hard.entry(*condition).or_default();
                one.hours = Decimal::from_milli(one.hours.milli + hours);
                one.counts = Decimal::from_milli(one.counts.milli + hours + more);
            }
        }
        hard
    }
}

/// What hours in a condition count beyond themselves.
pub(crate) fn extra(plan: &Plan, condition: Condition, hours_milli: i64) -> i64 {
    let weight = plan.weights.get(&condition).map_or(1000, |w| w.milli);
    hours_milli.saturating_mul(weight - 1000) / 1000
}

/// Life of a meter at a moment: between two readings in proportion, before the first and after the last as they were.
fn life_at(track: &[(i64, i64, i64)], second: i64) -> Option<i64> {
    let after = track.partition_point(|(at, _, _)| *at <= second);
    let Some(&(t0, _, life0)) = after.checked_sub(1).map(|i| &track[i]) else {
        return track.first().map(|(_, _, life)| *life);
    };
    match track.get(after) {
        Some(&(t1, _, life1)) if t1 > t0 => {
            let part = i128::from(life1 - life0) * i128::from(second - t0) / i128::from(t1 - t0);
            Some(life0 + i64::try_from(part).unwrap_or(0))
        }
        _ => Some(life0),
    }
}
