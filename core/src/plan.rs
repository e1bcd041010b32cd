//! Service plans: what is to be done on a machine, how often, and how strictly.
//!
//! Promises: a plan is a plain value, the body of a `plan_set` entry; [`read`] says for every broken rule where it
//! stands. Values that ship with the program are common practice, marked so, and give way to the maker's manual.
//!
//! Never computes what is due: see [`crate::due`].

use crate::decimal::Decimal;
use crate::fact::{Condition, check_free_text, check_name};
use crate::fault::{Fault, code};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use std::collections::{BTreeMap, BTreeSet};

/// Most tasks a plan may have: a large machine's book has some sixty.
pub const TASKS_MAX: usize = 200;
/// Most points a task may have: a large excavator has some forty.
pub const POINTS_MAX: usize = 200;

/// The task that greasing is recorded as, and that a squeak asks for where no other has its point.
pub const GREASING: &str = "grease";

/// A service plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// What it is for: `tracked excavator`.
    pub name: String,
    /// Where its values come from: the maker's manual by title, or `common practice, no source`.
    pub source: String,
    /// Use per day to reckon with until readings tell, on the first meter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub use_per_day: Option<Decimal>,
    /// How much an hour in a condition counts, for tasks that weigh use.
    #[serde(default = "common_weights")]
    pub weights: BTreeMap<Condition, Decimal>,
    /// The tasks.
    pub tasks: Vec<PlanTask>,
}

/// One task of a plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanTask {
    /// Its name, as in `task_done`.
    pub task: String,
    /// The points it has; none for a task as a whole.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub points: Vec<String>,
    /// How often; whichever comes first.
    pub every: Every,
    /// Tolerance either side of due, in percent of the interval, edges included.
    #[serde(default = "window_percent")]
    pub window_percent: u32,
    /// From where the next one counts.
    #[serde(default)]
    pub counting: Counting,
    /// Tasks that are done with this one: the 500 h service covers the 250 h one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub covers: Vec<String>,
    /// Whether hard hours count more on the hour meter.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub weighed: bool,
    /// What is needed: `grease NLGI 2 EP, 40 g`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub needs: Vec<String>,
    /// What to watch out for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
}

/// The clocks of a task. Every name that is not `days`, `fills` or `shifts` is a meter's.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Every {
    /// Units of meters, by the meter's name: `{"hours": "250"}`.
    #[serde(default, flatten, skip_serializing_if = "BTreeMap::is_empty")]
    pub meters: BTreeMap<String, Decimal>,
    /// Calendar days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub days: Option<u32>,
    /// Fuel fills.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fills: Option<u32>,
    /// Shifts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shifts: Option<u32>,
}

/// From where the next due is counted once a task is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Counting {
    /// In the window: from due. Outside: from done. The Army's rule (DA PAM 750-8).
    #[default]
    Window,
    /// Always from done.
    Done,
    /// Always on the grid of the interval, late or not.
    Due,
    /// From due or from done, whichever is earlier: an overrun comes off the next interval (14 CFR 91.409(b)).
    Earlier,
}

fn window_percent() -> u32 {
    10
}

/// Weights where a plan gives none. Common practice, no source: in water grease four times as often, in heavy dust
/// three times.
#[must_use]
pub fn common_weights() -> BTreeMap<Condition, Decimal> {
    [
        (Condition::Submerged, Decimal::from_milli(4000)),
        (Condition::Dusty, Decimal::from_milli(3000)),
        (Condition::Muddy, Decimal::from_milli(2000)),
    ]
    .into()
}

/// The plan a machine goes by until one is set. Common practice, no source: grease at every fuel fill and at least
/// every 10 hours.
#[must_use]
pub fn common() -> Plan {
    Plan {
        name: "any machine".into(),
        source: "common practice, no source".into(),
        use_per_day: Some(Decimal::from_milli(8000)),
        weights: common_weights(),
        tasks: vec![PlanTask {
            task: GREASING.into(),
            points: Vec::new(),
            every: Every {
                meters: [("hours".to_owned(), Decimal::from_milli(10_000))].into(),
                days: None,
                fills: Some(1),
                shifts: None,
            },
            window_percent: 10,
            counting: Counting::Done,
            covers: Vec::new(),
            weighed: true,
            needs: Vec::new(),
            cautions: Vec::new(),
        }],
    }
}

/// Reads the body of a `plan_set` entry.
///
/// # Errors
/// The first broken rule, with its place.
pub fn read(body: &Map<String, Value>) -> Result<Plan, Fault> {
    let plan: Plan = serde_json::from_value(Value::Object(body.clone()))
        .map_err(|error| Fault::new(code::MALFORMED_ENTRY, "", error.to_string()))?;
    check(&plan)?;
    Ok(plan)
}

/// The rules that types cannot say.
///
/// # Errors
/// The first broken rule, with its place.
pub fn check(plan: &Plan) -> Result<(), Fault> {
    check_name(&plan.name).map_err(|f| f.under("/name"))?;
    check_name(&plan.source).map_err(|f| f.under("/source"))?;
    if plan.tasks.is_empty() || plan.tasks.len() > TASKS_MAX {
        return Err(Fault::new(code::OUT_OF_RANGE, "/tasks", format!("a plan has 1 to {TASKS_MAX} tasks")));
    }
    if plan.use_per_day.is_some_and(|u| u.milli == 0) {
        return Err(Fault::new(code::OUT_OF_RANGE, "/use_per_day", "a use of nothing tells no date; leave it out"));
    }
    for (condition, weight) in &plan.weights {
        if !(1000..=100_000).contains(&weight.milli) {
            let place = format!("/weights/{condition}");
            return Err(Fault::new(code::OUT_OF_RANGE, place, "an hour counts 1 to 100 hours"));
        }
    }
    let mut names = BTreeSet::new();
    for (index, task) in plan.tasks.iter().enumerate() {
        check_task(task).map_err(|f| f.under(&format!("/tasks/{index}")))?;
        if !names.insert(task.task.as_str()) {
            return Err(Fault::new(code::OUT_OF_RANGE, format!("/tasks/{index}/task"), "two tasks have this name"));
        }
    }
    for (index, task) in plan.tasks.iter().enumerate() {
        if let Some(missing) = task.covers.iter().find(|c| !names.contains(c.as_str()) || **c == task.task) {
            let detail = format!("it covers {missing:?}, which is no other task of the plan");
            return Err(Fault::new(code::BAD_TARGET, format!("/tasks/{index}/covers"), detail));
        }
    }
    Ok(())
}

fn check_task(task: &PlanTask) -> Result<(), Fault> {
    check_name(&task.task).map_err(|f| f.under("/task"))?;
    let every = &task.every;
    if every.meters.is_empty() && every.days.is_none() && every.fills.is_none() && every.shifts.is_none() {
        return Err(Fault::new(code::MALFORMED_ENTRY, "/every", "a task has at least one clock: hours, days, fills"));
    }
    for (meter, interval) in &every.meters {
        check_name(meter).map_err(|f| f.under("/every"))?;
        if interval.milli == 0 {
            return Err(Fault::new(code::OUT_OF_RANGE, format!("/every/{meter}"), "an interval is more than nothing"));
        }
    }
    for (name, interval) in [("days", every.days), ("fills", every.fills), ("shifts", every.shifts)] {
        if interval.is_some_and(|i| i == 0 || i > 36_500) {
            return Err(Fault::new(code::OUT_OF_RANGE, format!("/every/{name}"), "an interval is 1 to 36500"));
        }
    }
    if task.window_percent > 50 {
        return Err(Fault::new(code::OUT_OF_RANGE, "/window_percent", "a window is 0 to 50 percent"));
    }
    if task.points.len() > POINTS_MAX {
        return Err(Fault::new(code::OUT_OF_RANGE, "/points", format!("at most {POINTS_MAX} points")));
    }
    for (list, items) in [("points", &task.points), ("covers", &task.covers)] {
        for (index, item) in items.iter().enumerate() {
            check_name(item).map_err(|f| f.under(&format!("/{list}/{index}")))?;
        }
    }
    for (list, items) in [("needs", &task.needs), ("cautions", &task.cautions)] {
        for (index, item) in items.iter().enumerate() {
            check_free_text(item).map_err(|f| f.under(&format!("/{list}/{index}")))?;
        }
    }
    Ok(())
}

impl Plan {
    /// The task of this name.
    #[must_use]
    pub fn task(&self, name: &str) -> Option<&PlanTask> {
        self.tasks.iter().find(|task| task.task == name)
    }

    /// All tasks that are done when `name` is done: itself and what it covers, through any number of steps.
    #[must_use]
    pub fn done_with<'a>(&'a self, name: &'a str) -> BTreeSet<&'a str> {
        let mut done = BTreeSet::from([name]);
        let mut waiting = vec![name];
        while let Some(task) = waiting.pop().and_then(|name| self.task(name)) {
            for covered in &task.covers {
                if done.insert(covered) {
                    waiting.push(covered);
                }
            }
        }
        done
    }
}
