//! `pintle keeping`: how the plan of a machine was kept, and what a public rule would miss in its records.
//!
//! Promises: every past interval counts once, by the counting of the plan or by one that is asked for; a report against a
//! rule names each record that lacks something, what it lacks, and until when records are to be kept; what of a rule is
//! from memory says so. Never deletes anything, and never says what the law is: local rules come first.

use super::Here;
use super::answer::hazards;
use super::telling;
use crate::asked::quoted;
use crate::glance;
use crate::names::{self, Names};
use crate::problem::{Code, Problem};
use crate::store::{Glance, Tx};
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::book::{Keeping as Kept, book, keeping_by};
use pintle_core::plan::Counting;
use pintle_core::rules::{self, Field, KeepUntil, RULES, Record, Records, Report, Rule, Source};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// Records named for each thing that is missing, the newest; the others are counted.
const NAMED_MAX: usize = 5;
/// Said with every report.
const NO_ADVICE: &str =
    "A help to the memory, no legal advice: read the rule; local rules and licensed practice come first.";

/// How a plan was kept; what a rule would miss
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Kept:  pintle keeping EX3
       pintle keeping EX3 --counting done
Rules: pintle keeping --rules
       pintle keeping EX3 --rule \"30 CFR 56.14100\"")]
pub struct Keeping {
    /// Which machine
    machine: Option<String>,
    /// Count all tasks this way: window, done, due, earlier [else as the plan says]
    #[arg(long, value_name = "HOW", conflicts_with = "rule")]
    counting: Option<String>,
    /// What this public rule would miss: "30 CFR 56.14100"
    #[arg(long, value_name = "RULE")]
    rule: Option<String>,
    /// A task that is an inspection, for rules about those
    #[arg(long = "inspection", value_name = "TASK", requires = "rule")]
    inspections: Vec<String>,
    /// The rules there are
    #[arg(long, conflicts_with_all = ["machine", "counting", "rule"])]
    rules: bool,
}

/// Shows it.
pub(super) fn run(args: &Keeping, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    if args.rules {
        return here.ui.show(&Rules);
    }
    match &args.rule {
        Some(cited) => {
            let rule = rules::find(cited).ok_or_else(|| {
                Problem::new(Code::UnclearWords, format!("no rule {cited} here")).hint("pintle keeping --rules")
            })?;
            here.answer(|tx| against(args, tx, rule))
        }
        None => {
            let counting = args.counting.as_deref().map(counting).transpose()?;
            here.answer(|tx| kept(args, tx, counting))
        }
    }
}

fn counting(word: &str) -> Result<Counting, Problem> {
    match word.to_lowercase().as_str() {
        "window" => Ok(Counting::Window),
        "done" => Ok(Counting::Done),
        "due" | "grid" => Ok(Counting::Due),
        "earlier" => Ok(Counting::Earlier),
        _ => Err(Problem::new(Code::UnclearWords, format!("{word:?} is no way of counting"))
            .hint("one of: window, done, due, earlier")),
    }
}

/// A way of counting, in words.
fn counted(counting: Option<Counting>) -> &'static str {
    match counting {
        None => "as the plan says",
        Some(Counting::Window) => "from due if on time, else from done",
        Some(Counting::Done) => "from done",
        Some(Counting::Due) => "on the grid",
        Some(Counting::Earlier) => "from due or done, the earlier",
    }
}

fn machine(args: &Keeping, tx: &Tx<'_>) -> Result<Glance, Problem> {
    match &args.machine {
        Some(name) => names::machine(tx, name),
        None => names::last_machine(tx, &tx.own()?),
    }
}

/// How the plan was kept.
struct Page {
    machine: Glance,
    plan: String,
    counting: Option<Counting>,
    keeping: Vec<Kept>,
    names: Names,
}

fn kept(args: &Keeping, tx: &Tx<'_>, counting: Option<Counting>) -> Result<Page, Problem> {
    let machine = machine(args, tx)?;
    let (chief, entries) = glance::entries(tx, machine.id)?;
    let book = book(chief, &entries);
    let plan = book.plan_in_force().name;
    let keeping = counting.map_or(book.keeping, |counting| keeping_by(&entries, counting));
    Ok(Page { machine, plan, counting, keeping, names: Names::load(tx)? })
}

impl Answer for Page {
    fn lines(&self) -> Vec<Line> {
        let mut lines = self.warnings();
        lines.push(Line::toned(Tone::Strong, &self.machine.name).plain(format!(" kept on time, by {}", self.plan)));
        lines.push(Line::toned(Tone::Faint, format!("counted {}", counted(self.counting))).indented(2));
        lines.extend(telling::kept(&self.keeping));
        if self.keeping.is_empty() {
            lines.push(Line::of("No task of the plan has been done yet."));
        }
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        hazards(&self.machine, &self.names)
    }

    fn json(&self) -> Value {
        json!({
            "machine": {"id": self.machine.id, "name": self.machine.name}, "plan": self.plan,
            "counting": self.counting, "keeping": self.keeping,
        })
    }
}

/// What a rule would miss.
struct Against {
    machine: Glance,
    rule: &'static Rule,
    report: Report,
    names: Names,
}

fn against(args: &Keeping, tx: &Tx<'_>, rule: &'static Rule) -> Result<Against, Problem> {
    let machine = machine(args, tx)?;
    let (chief, entries) = glance::entries(tx, machine.id)?;
    let book = book(chief, &entries);
    let inspections: BTreeSet<String> = args.inspections.iter().cloned().collect();
    let mut tasks: BTreeSet<String> = book.plan_in_force().tasks.into_iter().map(|task| task.task).collect();
    tasks.extend(book.tasks.iter().map(|task| task.task.clone()));
    let unknown = inspections.iter().find(|task| !tasks.contains(*task));
    if rule.records == Records::Inspections && (inspections.is_empty() || unknown.is_some()) {
        let sentence = match unknown {
            Some(task) => format!("{} has no task {task}", machine.name),
            None => format!("{} is about inspections: which tasks are those?", rule.id),
        };
        let known: Vec<String> = tasks.iter().map(|task| quoted(task)).collect();
        return Err(Problem::new(Code::UnclearWords, sentence).hint(format!("--inspection {}", known.join(" or "))));
    }
    let report = rules::report(&book, &entries, rule, &inspections);
    Ok(Against { machine, rule, report, names: Names::load(tx)? })
}

impl Against {
    fn lacking(&self) -> impl Iterator<Item = &Record> {
        self.report.records.iter().filter(|record| !record.missing.is_empty())
    }

    /// Each thing that is missing, with the newest records that miss it.
    fn missing(&self) -> Vec<Line> {
        let mut by_field: BTreeMap<Field, Vec<&Record>> = BTreeMap::new();
        for record in self.lacking() {
            record.missing.iter().for_each(|field| by_field.entry(*field).or_default().push(record));
        }
        let one = |(field, records): (Field, Vec<&Record>)| {
            let all =
                if records.len() == self.report.records.len() { "all".to_owned() } else { records.len().to_string() };
            let newest: Vec<String> =
                records.iter().rev().take(NAMED_MAX).map(|r| self.names.entry(r.stamp.entry)).collect();
            let more = if records.len() > NAMED_MAX { " …" } else { "" };
            Line::toned(Tone::Odd, format!("{}: {all}", field.missing()))
                .with(Tone::Faint, format!(" ({}{more})", newest.join(", ")))
                .indented(2)
        };
        by_field.into_iter().map(one).collect()
    }

    /// Until when the newest of its records is to be kept: the older ones may go no later.
    fn keep(&self) -> Option<Line> {
        let day = |day: &rules::Date| day.strftime("%-d %b %Y").to_string();
        let text = self.report.records.iter().map(|record| match &record.keep {
            KeepUntil::Corrected => (3, None, "until what they tell of is corrected".to_owned()),
            KeepUntil::AtLeast(date) => {
                (2, Some(*date), format!("at least through {}, and six months after the machine leaves", day(date)))
            }
            KeepUntil::Through(date) => (1, Some(*date), format!("through {}", day(date))),
            KeepUntil::NotSaid => (0, None, "as long as you like: the rule says nothing".to_owned()),
        });
        text.max_by_key(|(rank, date, _)| (*rank, *date))
            .map(|(_, _, text)| Line::of(format!("Keep the newest {text}")))
    }
}

impl Answer for Against {
    fn lines(&self) -> Vec<Line> {
        let mut lines = self.warnings();
        lines.push(Line::toned(Tone::Strong, &self.machine.name).plain(format!(" against {}", self.rule.id)));
        lines.push(Line::of(self.rule.about).indented(2));
        let (all, lacking) = (self.report.records.len() as u64, self.lacking().count() as u64);
        let records = words::counted(all, "record", "records");
        lines.push(match (all, lacking) {
            (0, _) => Line::of("No record that it is about."),
            (_, 0) => Line::of(format!("{records}, nothing missing")),
            (_, some) => Line::toned(Tone::Odd, format!("{records}, {some} with something missing")),
        });
        lines.extend(self.missing());
        lines.extend(self.keep());
        for (what, source) in
            [("What it asks for", self.rule.fields_source), ("How long to keep", self.rule.keep_source)]
        {
            match source {
                Source::Text => {}
                Source::Memory => lines.push(Line::toned(Tone::Odd, format!("{what} is from memory: look it up."))),
                Source::Practice => lines.push(Line::of(format!("{what} is common practice, no rule."))),
            }
        }
        lines.push(Line::toned(Tone::Faint, NO_ADVICE));
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        hazards(&self.machine, &self.names)
    }

    fn json(&self) -> Value {
        let mut answer = json!({
            "machine": {"id": self.machine.id, "name": self.machine.name}, "report": self.report, "advice": NO_ADVICE,
        });
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}

/// The rules there are.
struct Rules;

impl Answer for Rules {
    fn lines(&self) -> Vec<Line> {
        let mut lines: Vec<Line> =
            RULES.iter().map(|rule| Line::toned(Tone::Strong, rule.id).plain(format!(" {}", rule.about))).collect();
        lines.push(Line::toned(Tone::Faint, NO_ADVICE));
        lines.push(Line::toned(Tone::Faint, "> ").plain("pintle keeping EX3 --rule \"30 CFR 56.14100\""));
        lines
    }

    fn json(&self) -> Value {
        let one = |rule: &Rule| {
            json!({
                "rule": rule.id, "about": rule.about, "fields": rule.fields,
                "fields_source": rule.fields_source, "keep_source": rule.keep_source,
            })
        };
        json!({"rules": RULES.iter().map(one).collect::<Vec<_>>(), "advice": NO_ADVICE})
    }
}
