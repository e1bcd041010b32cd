//! Reading a plan from TOML, with the place of everything that is wrong.
//!
//! Promises: whatever the file holds, the answer is a plan or a problem that names line and column; the rules of the
//! domain (`pintle_core::plan::check`) are told with the place they are broken at. Numbers are taken as they are
//! written, never through a float. Never a guess: a name the file format does not have is refused.

use crate::problem::{Code, Problem};
use pintle_core::decimal::Decimal;
use pintle_core::fact::Condition;
use pintle_core::plan::{Counting, Every, Plan, PlanTask, check, common_weights};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Names in a plan.
const OF_PLAN: &[&str] = &["name", "source", "use_per_day", "weights", "tasks"];
/// Names in a task.
const OF_TASK: &[&str] =
    &["task", "points", "every", "window_percent", "counting", "covers", "weighed", "needs", "cautions"];
/// Names in `every` that are not a meter's.
const OF_CLOCKS: [&str; 3] = ["days", "fills", "shifts"];
/// Names somebody may take for a clock; a meter of that name would never run.
const NEARLY_CLOCKS: &[(&str, &str)] = &[
    ("h", "hours"),
    ("hour", "hours"),
    ("day", "days"),
    ("fill", "fills"),
    ("shift", "shifts"),
    ("kilometres", "km"),
    ("cycle", "cycles"),
    ("weeks", "days"),
    ("months", "days"),
    ("years", "days"),
];

/// Reads a plan. `file` is how problems call it.
///
/// # Errors
/// `unclear-plan`, with line and column.
pub fn read(text: &str, file: &str) -> Result<Plan, Problem> {
    let reader = Reader { text, file, places: RefCell::default() };
    let table = DeTable::parse(text)
        .map_err(|error| reader.problem(&error.span().unwrap_or(text.len()..text.len()), error.message()))?;
    let plan = reader.plan(&table)?;
    check(&plan).map_err(|fault| reader.problem(&reader.place(&fault.pointer), &fault.detail))?;
    Ok(plan)
}

struct Reader<'a> {
    text: &'a str,
    file: &'a str,
    /// Where each value stands, by JSON pointer, for rules that are checked later.
    places: RefCell<BTreeMap<String, Range<usize>>>,
}

/// A table of the file.
struct Node<'t> {
    pointer: String,
    what: &'static str,
    table: &'t DeTable<'t>,
    span: Range<usize>,
}

type Value<'t> = Spanned<DeValue<'t>>;

impl Reader<'_> {
    fn plan(&self, table: &Spanned<DeTable<'_>>) -> Result<Plan, Problem> {
        let node = Node { pointer: String::new(), what: "a plan", table: table.get_ref(), span: 0..0 };
        self.only(&node, OF_PLAN)?;
        let weights = match self.value(&node, "weights") {
            Some((value, pointer)) => self.weights(value, pointer)?,
            None => common_weights(),
        };
        let tasks = match self.value(&node, "tasks") {
            Some((value, pointer)) => self.list(value, &pointer, |value, pointer| self.task(value, pointer))?,
            None => return Err(self.lacks(&node, "tasks", "[[tasks]]")),
        };
        Ok(Plan {
            name: self.text(&node, "name")?.ok_or_else(|| self.lacks(&node, "name", "name = \"wheel loader\""))?,
            source: self.text(&node, "source")?.ok_or_else(|| {
                self.lacks(&node, "source", "source = \"common practice, no source\", or the manual's title")
            })?,
            use_per_day: match self.value(&node, "use_per_day") {
                Some((value, _)) => Some(self.amount(value)?),
                None => None,
            },
            weights,
            tasks,
        })
    }

    fn task(&self, value: &Value<'_>, pointer: String) -> Result<PlanTask, Problem> {
        let node = self.table(value, pointer, "a task")?;
        self.only(&node, OF_TASK)?;
        let (every, pointer) = self
            .value(&node, "every")
            .ok_or_else(|| self.lacks(&node, "every", "every = { hours = 250, days = 365 }"))?;
        let every = self.every(every, pointer)?;
        Ok(PlanTask {
            task: self.text(&node, "task")?.ok_or_else(|| self.lacks(&node, "task", "task = \"grease\""))?,
            points: self.texts(&node, "points")?,
            every,
            window_percent: match self.value(&node, "window_percent") {
                Some((value, _)) => self.whole(value)?,
                None => 10,
            },
            counting: match self.value(&node, "counting") {
                Some((value, _)) => self.counting(value)?,
                None => Counting::default(),
            },
            covers: self.texts(&node, "covers")?,
            weighed: match self.value(&node, "weighed") {
                Some((value, _)) => self.yes_or_no(value)?,
                None => false,
            },
            needs: self.texts(&node, "needs")?,
            cautions: self.texts(&node, "cautions")?,
        })
    }

    fn every(&self, value: &Value<'_>, pointer: String) -> Result<Every, Problem> {
        let node = self.table(value, pointer, "every")?;
        let mut every = Every::default();
        for (key, value) in node.table.iter() {
            self.note(format!("{}/{}", node.pointer, key.get_ref()), value.span());
            if let Some((_, clock)) = NEARLY_CLOCKS.iter().find(|(nearly, _)| nearly == key.get_ref()) {
                let detail = format!("there is no clock {:?}; write {clock}", key.get_ref());
                return Err(self.problem(&key.span(), &detail));
            }
            match key.get_ref().as_ref() {
                "days" => every.days = Some(self.whole(value)?),
                "fills" => every.fills = Some(self.whole(value)?),
                "shifts" => every.shifts = Some(self.whole(value)?),
                meter => {
                    every.meters.insert(meter.to_owned(), self.amount(value)?);
                }
            }
        }
        debug_assert!(OF_CLOCKS.iter().all(|clock| !every.meters.contains_key(*clock)));
        Ok(every)
    }

    fn weights(&self, value: &Value<'_>, pointer: String) -> Result<BTreeMap<Condition, Decimal>, Problem> {
        let node = self.table(value, pointer, "weights")?;
        let mut weights = BTreeMap::new();
        for (key, value) in node.table.iter() {
            self.note(format!("{}/{}", node.pointer, key.get_ref()), value.span());
            let condition: Condition = key.get_ref().parse().map_err(|all: String| {
                self.problem(&key.span(), &format!("{:?} is no condition; {all}", key.get_ref()))
            })?;
            weights.insert(condition, self.amount(value)?);
        }
        Ok(weights)
    }

    fn counting(&self, value: &Value<'_>) -> Result<Counting, Problem> {
        match value.get_ref().as_str() {
            Some("window") => Ok(Counting::Window),
            Some("done") => Ok(Counting::Done),
            Some("due") => Ok(Counting::Due),
            Some("earlier") => Ok(Counting::Earlier),
            _ => Err(self.problem(&value.span(), "counting is \"window\", \"done\", \"due\" or \"earlier\"")),
        }
    }

    fn table<'t>(&self, value: &'t Value<'_>, pointer: String, what: &'static str) -> Result<Node<'t>, Problem> {
        match value.get_ref() {
            DeValue::Table(table) => Ok(Node { pointer, what, table, span: value.span() }),
            _ => Err(self.problem(&value.span(), &format!("{what} is a table, like {{ hours = 250 }}"))),
        }
    }

    /// A value of a table, its place noted.
    fn value<'t>(&self, node: &Node<'t>, key: &str) -> Option<(&'t Value<'t>, String)> {
        let value = node.table.get(key)?;
        let pointer = format!("{}/{key}", node.pointer);
        self.note(pointer.clone(), value.span());
        Some((value, pointer))
    }

    fn list<T>(
        &self,
        value: &Value<'_>,
        pointer: &str,
        one: impl Fn(&Value<'_>, String) -> Result<T, Problem>,
    ) -> Result<Vec<T>, Problem> {
        let DeValue::Array(items) = value.get_ref() else {
            return Err(self.problem(&value.span(), "here stands a list: [\"…\", \"…\"], of tasks [[tasks]]"));
        };
        let items = items.iter().enumerate().map(|(index, item)| {
            let pointer = format!("{pointer}/{index}");
            self.note(pointer.clone(), item.span());
            one(item, pointer)
        });
        items.collect()
    }

    fn texts(&self, node: &Node<'_>, key: &str) -> Result<Vec<String>, Problem> {
        match self.value(node, key) {
            Some((value, pointer)) => self.list(value, &pointer, |value, _| self.string(value)),
            None => Ok(Vec::new()),
        }
    }

    fn text(&self, node: &Node<'_>, key: &str) -> Result<Option<String>, Problem> {
        self.value(node, key).map(|(value, _)| self.string(value)).transpose()
    }

    fn string(&self, value: &Value<'_>) -> Result<String, Problem> {
        let text = value.get_ref().as_str().map(str::to_owned);
        text.ok_or_else(|| self.problem(&value.span(), "here stands a text in quotes"))
    }

    fn yes_or_no(&self, value: &Value<'_>) -> Result<bool, Problem> {
        value.get_ref().as_bool().ok_or_else(|| self.problem(&value.span(), "here stands true or false"))
    }

    fn whole(&self, value: &Value<'_>) -> Result<u32, Problem> {
        let number = value.get_ref().as_integer().filter(|n| n.radix() == 10);
        let number = number.and_then(|n| n.as_str().parse().ok());
        number.ok_or_else(|| self.problem(&value.span(), "here stands a whole number, like 30"))
    }

    /// A decimal, by its digits.
    fn amount(&self, value: &Value<'_>) -> Result<Decimal, Problem> {
        let digits = match value.get_ref() {
            DeValue::Integer(number) if number.radix() == 10 => number.as_str(),
            DeValue::Float(number) => number.as_str(),
            DeValue::String(text) => text.as_ref(),
            _ => "",
        };
        digits.parse().map_err(|_| {
            self.problem(&value.span(), "here stands a number like 250 or 0.5, up to 9999999, three places")
        })
    }

    fn only(&self, node: &Node<'_>, known: &[&str]) -> Result<(), Problem> {
        for (key, _) in node.table.iter() {
            if !known.contains(&key.get_ref().as_ref()) {
                let detail = format!("{} has no {:?}; it has {}", node.what, key.get_ref(), known.join(", "));
                return Err(self.problem(&key.span(), &detail));
            }
        }
        Ok(())
    }

    fn lacks(&self, node: &Node<'_>, key: &str, like: &str) -> Problem {
        let problem = self.problem(&node.span, &format!("{} lacks {key:?}", node.what));
        problem.hint(format!("write {like}"))
    }

    fn note(&self, pointer: String, span: Range<usize>) {
        self.places.borrow_mut().insert(pointer, span);
    }

    /// Where a pointer leads, or its nearest holder that stands in the file.
    fn place(&self, pointer: &str) -> Range<usize> {
        let places = self.places.borrow();
        let mut pointer = pointer;
        loop {
            if let Some(span) = places.get(pointer) {
                return span.clone();
            }
            match pointer.rsplit_once('/') {
                Some((holder, _)) => pointer = holder,
                None => return 0..0,
            }
        }
    }

    fn problem(&self, span: &Range<usize>, detail: &str) -> Problem {
        let start = (0..=span.start.min(self.text.len())).rev().find(|at| self.text.is_char_boundary(*at)).unwrap_or(0);
        let before = &self.text[..start];
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        let (line, column) = (before.matches('\n').count() + 1, self.text[line_start..start].chars().count() + 1);
        let sentence = format!("{}, line {line}, column {column}: {detail}", self.file);
        let problem = Problem::new(Code::UnclearPlan, sentence);
        let there = self.text[line_start..].lines().next().unwrap_or_default().trim();
        if there.is_empty() { problem } else { problem.hint(format!("there: {there}")) }
    }
}
