//! Writing a plan as TOML that people can edit.
//!
//! Promises: the same plan gives the same text, and the text reads back as the same plan. What a task leaves at its
//! default is left out. Never more than the plan: what is not in it is only told in the comments at the top.

use pintle_core::plan::{Counting, Plan, PlanTask};
use std::fmt::Write as _;

/// Widest line of a list before each item gets a line of its own.
const LINE_CHARS: usize = 100;

const HEAD: &str = "\
# A service plan. Edit it, then set it: pintle plan MACHINE FILE.toml
#
# every:    clocks, whichever comes first: hours, km, cycles or another meter's name; days, fills (of fuel), shifts.
# window_percent: how far before and after due is still on time; 10 where it is left out.
# counting: from where the next one counts. \"window\": from due if it was on time, else from done; \"done\": from done;
#           \"due\": on the grid, late or not; \"earlier\": from due or done, whichever is earlier.
# covers:   tasks that are done with this one. weighed: hard hours count as the weights say.
# weights:  an hour in a condition counts so many: dry, dusty, muddy, submerged, frost.
# source:   where the values come from. The maker's manual and local rules come first.
";

/// A plan as TOML.
#[must_use]
pub fn write(plan: &Plan) -> String {
    let mut text = HEAD.to_owned();
    let _ = write!(text, "\nname = {}\nsource = {}\n", quoted(&plan.name), quoted(&plan.source));
    if let Some(day) = plan.use_per_day {
        let _ = writeln!(text, "use_per_day = {day}");
    }
    text.push_str("\n[weights]\n");
    for (condition, weight) in &plan.weights {
        let _ = writeln!(text, "{condition} = {weight}");
    }
    for task in &plan.tasks {
        text.push_str("\n[[tasks]]\n");
        write_task(&mut text, task);
    }
    text
}

fn write_task(text: &mut String, task: &PlanTask) {
    let every = &task.every;
    let mut clocks: Vec<String> =
        every.meters.iter().map(|(meter, interval)| format!("{} = {interval}", key(meter))).collect();
    let counted = [("days", every.days), ("fills", every.fills), ("shifts", every.shifts)];
    clocks.extend(counted.iter().filter_map(|(name, number)| number.map(|number| format!("{name} = {number}"))));
    let _ = write!(text, "task = {}\nevery = {{ {} }}\n", quoted(&task.task), clocks.join(", "));
    if task.window_percent != 10 {
        let _ = writeln!(text, "window_percent = {}", task.window_percent);
    }
    let counting = match task.counting {
        Counting::Window => None,
        Counting::Done => Some("done"),
        Counting::Due => Some("due"),
        Counting::Earlier => Some("earlier"),
    };
    if let Some(counting) = counting {
        let _ = writeln!(text, "counting = \"{counting}\"");
    }
    if task.weighed {
        text.push_str("weighed = true\n");
    }
    for (name, items) in
        [("covers", &task.covers), ("points", &task.points), ("needs", &task.needs), ("cautions", &task.cautions)]
    {
        write_list(text, name, items);
    }
}

fn write_list(text: &mut String, name: &str, items: &[String]) {
    if items.is_empty() {
        return;
    }
    let items: Vec<String> = items.iter().map(|item| quoted(item)).collect();
    let one_line = format!("{name} = [{}]\n", items.join(", "));
    if one_line.chars().count() <= LINE_CHARS {
        text.push_str(&one_line);
        return;
    }
    let _ = writeln!(text, "{name} = [");
    for item in items {
        let _ = writeln!(text, "    {item},");
    }
    text.push_str("]\n");
}

/// A name of a clock: bare where TOML allows it.
fn key(name: &str) -> String {
    let bare = name.bytes().all(|c| c.is_ascii_alphanumeric() || c == b'_' || c == b'-') && !name.is_empty();
    if bare { name.to_owned() } else { quoted(name) }
}

fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => quoted.extend(['\\', c]),
            '\n' => quoted.push_str("\\n"),
            '\t' => quoted.push_str("\\t"),
            c if c.is_control() => {
                let _ = write!(quoted, "\\u{:04X}", u32::from(c));
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}
