//! The first page: the machine, its hours, how it was kept, and what is not as it should be.
//!
//! Promises: each number is the summary's or the verdict's. What is open, late, doubtful, set aside or withheld is there
//! whenever there is any, and set strong.

use super::{block, counted, faint, plain, strong, when};
use pintle_core::bill::calendar::Day;
use pintle_core::history::record::Record;
use pintle_core::history::summary::{MeterTale, Summary};
use serde_json::{Value, json};

/// The facts, in pairs of a name and pieces of text.
pub(super) fn glance(record: &Record, summary: &Summary) -> Vec<Value> {
    let about = &record.verdict.about;
    let machine = |names: &[&str]| -> Vec<&str> {
        names.iter().filter_map(|name| summary.machine.get(*name)).map(String::as_str).collect()
    };
    let mut facts: Vec<Value> = Vec::new();
    let mut put = |name: &str, pieces: Vec<Value>| facts.push(json!([name, pieces]));
    let or_unsaid = |texts: Vec<&str>| {
        if texts.is_empty() { vec![faint("not said")] } else { texts.into_iter().map(plain).collect() }
    };
    put("Machine", or_unsaid(machine(&["make", "model"])));
    put("Serial number", or_unsaid(machine(&["serial"])));
    put("Kept by", vec![plain(&summary.organisation), faint("as it calls itself")]);
    if let Some(retired) = summary.machine.get("retired") {
        put("No longer in use", vec![plain(retired)]);
    }
    for meter in &summary.meters {
        put("Meter", meter_pieces(meter));
    }
    put("Recorded", recorded(record));
    put("Services", services(summary));
    if !summary.overdue.is_empty() {
        let tasks = summary.overdue.iter().map(|one| strong(&one.task)).collect();
        put("Past due at the end", tasks);
    }
    put("Open findings", vec![findings(summary)]);
    put("People", vec![plain(counted(summary.hands.len() as u64, "person recorded", "people recorded"))]);
    if let Some(silence) = &summary.silence {
        let days = silence.length_s / 86_400;
        if days >= 2 {
            put("Longest without an entry", vec![plain(format!("{days} days, from {}", when(&silence.from.at)))]);
        }
    }
    put("To look at twice", doubtful(record, summary));
    put("Withheld", withheld(summary));
    if about.aside > 0 {
        let told =
            counted(about.aside, "entry is set aside: kept, not counted", "entries are set aside: kept, not counted");
        put("Set aside", vec![strong(told)]);
    }
    facts
}

fn meter_pieces(meter: &MeterTale) -> Vec<Value> {
    let Some(last) = meter.readings.iter().rev().find(|reading| reading.believed) else {
        return vec![plain(format!("{}\u{200E}: no reading", meter.meter))];
    };
    let told = format!("{} {}\u{200E} on {} ({})", last.shown, meter.meter, when(&last.said.at), last.said.entry);
    let mut pieces = vec![plain(told)];
    if last.life != last.shown {
        pieces.push(plain(format!("{} in all with the meters before", last.life)));
    }
    let odd = meter.readings.iter().filter(|reading| !reading.believed).count() as u64;
    if odd > 0 {
        pieces.push(strong(counted(odd, "reading does not fit the others", "readings do not fit the others")));
    }
    pieces
}

fn recorded(record: &Record) -> Vec<Value> {
    let about = &record.verdict.about;
    let by = counted(about.devices, "device", "devices");
    let mut pieces = vec![plain(format!("{} by {by}", counted(about.entries, "entry", "entries")))];
    if let Some((first, last)) = &about.claimed {
        let day = |text: &str| text.parse().map_or_else(|_| text.to_owned(), |at| Day::of(&at).in_words());
        pieces.push(faint(format!("said to be of {} to {}", day(first), day(last))));
    }
    if about.ahead > 0 {
        let told = counted(
            about.ahead,
            "entry is said to be later than its receipt",
            "entries are said to be later than their receipt",
        );
        pieces.push(strong(told));
    }
    pieces
}

fn services(summary: &Summary) -> Vec<Value> {
    let mut pieces = vec![plain(counted(summary.services_count(), "service recorded", "services recorded"))];
    let [on_time, early, late, never] = summary.kept_in_all();
    let all = on_time + early + late + never;
    if all > 0 {
        let style = if late + never > 0 { "strong" } else { "plain" };
        pieces.push(block(style, kept_words([on_time, early, late, never])));
    }
    let plan = &summary.plan;
    pieces.push(match &plan.set {
        Some(set) => {
            faint(format!("held to the plan “{}\u{200E}” ({}\u{200E}), {}", plan.name, plan.source, set.entry))
        }
        None => strong("No plan was set for it: held to a plan of common practice, which has no source."),
    });
    pieces
}

/// As the page says it.
pub(super) fn kept_words([on_time, early, late, never]: [u64; 4]) -> String {
    let all = on_time + early + late + never;
    format!("{on_time} of {all} on time, {late} late, {never} left out, {early} early")
}

fn findings(summary: &Summary) -> Value {
    match summary.open_findings() {
        (0, _) => plain("none"),
        (open, 0) => strong(open.to_string()),
        (open, out) => {
            let tag = if out == 1 { "tags" } else { "tag" };
            strong(format!("{open}, of which {out} {tag} it out: it must not be run"))
        }
    }
}

fn doubtful(record: &Record, summary: &Summary) -> Vec<Value> {
    let mut pieces = Vec::new();
    let points = summary.doubtful.len() as u64;
    if points > 0 {
        let kinds = summary.doubtful_by_kind();
        let kinds: Vec<String> =
            kinds.iter().map(|(kind, count)| format!("{count} {}", kind.replace('-', " "))).collect();
        pieces.push(strong(format!("{}: {}", counted(points, "point", "points"), kinds.join(", "))));
    }
    let disputes = summary.disputes.len() as u64;
    if disputes > 0 {
        pieces.push(strong(counted(
            disputes,
            "matter people disagree about, or recorded twice",
            "matters people disagree about, or recorded twice",
        )));
    }
    let failures = record.verdict.failures.len() as u64 + record.verdict.failures_more;
    if failures > 0 {
        pieces.push(strong(counted(failures, "failure of the check, above", "failures of the check, above")));
    }
    if pieces.is_empty() {
        pieces.push(plain("nothing found"));
    }
    pieces
}

fn withheld(summary: &Summary) -> Vec<Value> {
    let tale = &summary.withheld;
    if tale.said.is_empty() && tale.entries == 0 {
        return vec![plain("nothing")];
    }
    let mut pieces = vec![strong(tale.said.join(", "))];
    if tale.entries > 0 {
        pieces.push(plain(counted(tale.entries, "entry has a part withheld", "entries have a part withheld")));
    }
    pieces
}
