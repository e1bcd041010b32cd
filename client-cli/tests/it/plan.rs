//! Service plans: set from a starter plan or a file, shown, written to a file, and every way to get one wrong.
//!
//! A problem in a file names line and column; a plan that was written reads back as the same plan.

use crate::stage::Stage;
use insta::assert_snapshot;
use pintle::plan_file::{STARTERS, read, write};
use pintle::problem::{Code, Exit};
use pintle_core::plan::{Plan, check, common};
use serde_json::Value;
use std::fmt::Write as _;

#[test]
fn a_plan_is_set_and_shown() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "plan --starters",
        "plan EX3",
        "plan EX3 --starter excavator",
        "plan",
        "plan EX3 --starter Loader --as Ines",
        "log EX3 -n 1",
    ]));
}

#[test]
fn plans_for_programs() {
    let stage = Stage::with_machine();
    let starters: Value = serde_json::from_str(&stage.must("--json plan --starters")).expect("JSON");
    assert_eq!(starters["starters"].as_array().map(Vec::len), Some(STARTERS.len()));
    assert_snapshot!(stage.script(&["--json plan EX3", "--json plan EX3 --starter nothing"]));
    let set: Value = serde_json::from_str(&stage.must("--json plan EX3 --starter trencher")).expect("JSON");
    assert_eq!(set["recorded"]["kind"], "plan_set");
    assert_eq!(set["next"]["task"], "walk round");
}

#[test]
fn a_plan_is_written_edited_and_set() {
    let stage = Stage::with_machine();
    let file = stage.folder().join("mine.toml");
    let shown = file.display().to_string();
    let mut seen = stage.script(&[
        &format!("--json plan EX3 --write {shown}"),
        &format!("--json plan EX3 --write {shown}"),
        "plan EX3 --write FOLDER-THAT-IS-NOT/there/x.toml",
    ]);
    let text = std::fs::read_to_string(&file).expect("written");
    assert_eq!(read(&text, "mine").expect("reads back"), common());
    std::fs::write(&file, text.replace("hours = 10", "hours = 12.5").replace("any machine", "my digger"))
        .expect("writes");
    seen.push_str(&stage.script(&[&format!("plan EX3 {shown}"), &format!("plan {shown}"), "plan EX3"]));
    let starter = stage.folder().join("starter.toml");
    let starter = starter.display();
    seen.push_str(
        &stage.script(&[&format!("plan --starter trencher --write {starter} --quiet"), &format!("plan {starter}")]),
    );
    assert_snapshot!(seen);
}

#[test]
fn every_starter_plan_is_sound_and_marked() {
    for starter in STARTERS {
        let plan = starter.plan().expect(starter.name);
        check(&plan).expect(starter.name);
        assert_eq!(plan.source, "common practice, no source; replace by the maker's manual", "{}", starter.name);
        assert_eq!(read(&write(&plan), starter.name).expect(starter.name), plan, "{} reads back", starter.name);
        let greased = plan.task("grease").expect("the task of `pintle grease`");
        assert!(greased.points.len() > 5 && greased.every.fills == Some(1) && greased.weighed, "{}", starter.name);
        assert!(plan.tasks.iter().all(|task| {
            task.cautions
                .iter()
                .all(|c| c.starts_with("Before") || c.starts_with("Until") || c.starts_with("A grease gun"))
        }));
        let largest = plan.tasks.last().expect("a task");
        assert!(
            plan.done_with(&largest.task).len() > 2,
            "{}: the largest service covers the smaller ones",
            starter.name
        );
    }
}

/// What is odd in a plan's texts and numbers survives being written and read.
#[test]
fn any_plan_reads_back_as_it_was_written() {
    let mut plan: Plan = serde_json::from_value(serde_json::json!({
        "name": "a \"quoted\" \\ name, ünïcode 🚜", "source": "#not a comment", "weights": {},
        "tasks": [
            {"task": "x", "every": {"hours": "0.001", "kilometres by map": "9999999.999", "a.b": "1"}},
            {"task": "[y]", "every": {"days": 36500, "shifts": 1}, "window_percent": 0, "counting": "earlier",
             "covers": ["x"], "cautions": ["first line\nsecond\tline"], "points": ["'", "\"\"\""]},
            {"task": "z", "every": {"fills": 3}, "window_percent": 50, "counting": "due", "weighed": true},
        ],
    }))
    .expect("a plan");
    check(&plan).expect("sound");
    assert_eq!(read(&write(&plan), "x").expect("reads back"), plan);
    plan.use_per_day = Some("0.5".parse().expect("a decimal"));
    plan.tasks[0].needs = vec!["a long need that goes on and on".into(); 12];
    assert_eq!(read(&write(&plan), "x").expect("reads back"), plan);
}

const TASK: &str = "[[tasks]]\ntask = \"oil\"\nevery = { hours = 250 }\n";
const HEAD: &str = "name = \"digger\"\nsource = \"the maker's manual, 3rd edition\"\n";

#[test]
fn what_is_wrong_in_a_file_is_told_with_its_place() {
    let plan = |text: &str| format!("{HEAD}{text}");
    let task = |text: &str| format!("{HEAD}{TASK}{text}");
    let files = [
        String::new(),
        "name = \"digger\"".to_owned(),
        plan(""),
        plan("tasks = []"),
        plan("tasks = 5"),
        plan("[tasks]\ntask = \"oil\""),
        plan("[[task]]\ntask = \"oil\""),
        plan("[[tasks]]\ntask = \"oil\""),
        plan("[[tasks]]\nevery = { hours = 250 }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = 250"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = {}"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { hour = 250 }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { hours = -250 }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { hours = nan }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { hours = 1e3 }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { hours = 99999999 }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { hours = 0 }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { hours = 0xff }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { days = 36501 }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { days = 1.5 }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { days = 99999999999999999999 }"),
        plan("[[tasks]]\ntask = \"oil\"\nevery = { days = 2026-02-29 }"),
        task("window_percent = 51"),
        task("counting = \"sometimes\""),
        task("weighed = \"yes\""),
        task("points = [\"pin\", 5]"),
        task("points = [\"pin\", \"\"]"),
        task("covers = [\"nothing\"]"),
        task("needs = \"oil\""),
        task("evry = { days = 1 }"),
        task(TASK),
        plan(&format!("use_per_day = 0\n{TASK}")),
        task("[weights]\nsubmerged = 0.5"),
        task("[weights]\nsnowy = 2"),
        task("cautions = [\"a\u{202e}b\"]"),
        task("points = [\"pin\""),
        format!("name = \"{}\"\nsource = \"x\"\n{TASK}", "long ".repeat(40)),
        "[".repeat(100_000),
    ];
    let mut seen = String::new();
    for text in &files {
        let problem = read(text, "my.toml").expect_err(text);
        assert_eq!(problem.code, Code::UnclearPlan);
        assert!(problem.sentence.starts_with("my.toml, line "), "{}", problem.sentence);
        let hint: String = problem.hint.unwrap_or_default().chars().take(60).collect();
        let _ = writeln!(seen, "{}\n  > {hint}", problem.sentence);
    }
    assert_snapshot!(seen);
}

#[test]
fn a_file_that_is_wrong_records_nothing() {
    let stage = Stage::with_machine();
    let file = stage.folder().join("mine.toml");
    let shown = file.display().to_string();
    let line = format!("plan EX3 {shown}");
    let mut seen = stage.script(&[&format!("--json {line}"), &format!("--json plan EX3 {}", stage.folder().display())]);
    std::fs::write(&file, format!("{HEAD}{TASK}window_percent = 51\n")).expect("writes");
    seen.push_str(&stage.script(&[&line, &format!("--json {line}")]));
    std::fs::write(&file, b"name = \"\xff\"").expect("writes");
    seen.push_str(&stage.script(&[&format!("--json {line}")]));
    std::fs::write(&file, vec![b'#'; 300 * 1024]).expect("writes");
    seen.push_str(&stage.script(&[&format!("--json {line}")]));
    let mut tasks = String::from(HEAD);
    for number in 0..200 {
        let _ = writeln!(
            tasks,
            "[[tasks]]\ntask = \"{number}\"\nevery = {{ days = 1 }}\ncautions = [\"{}\"]",
            "so ".repeat(80)
        );
    }
    std::fs::write(&file, tasks).expect("writes");
    seen.push_str(&stage.script(&[&line]));
    assert_snapshot!(seen);
    assert_eq!(stage.run("log EX3").out.matches("plan set").count(), 0);
    assert_eq!(stage.run("plan EX9").exit, Exit::NotDone);
}

/// The 1000 h service is the 500 h and the 250 h one too.
#[test]
fn nested_services_are_done_with_the_largest() {
    let stage = Stage::with_machine();
    stage.script(&["plan EX3 --starter excavator", "done EX3 \"service 1000 h\" 4127.5"]);
    let due: Value = serde_json::from_str(&stage.must("--json due EX3")).expect("JSON");
    let tasks = due["due"][0]["due"].as_array().expect("tasks");
    for (task, left) in [("service 250 h", "250"), ("service 500 h", "500"), ("service 1000 h", "1000")] {
        let one = tasks.iter().find(|one| one["task"] == task).expect(task);
        assert_eq!((&one["left"], &one["clock"]), (&Value::from(left), &Value::from("hours")), "{task}");
    }
}
