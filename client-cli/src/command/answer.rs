//! The answer to a recording: one line that says what stands in the log now; a hazard stands before it.
//!
//! Promises: what a person reads first is what could hurt them; the entry follows under the name it has in the log, in
//! the words of the crew, then what is due next on the machine; a reading that looks odd comes with what to type if it is
//! wrong. Never: a lookup, a second entry.

use crate::asked::quoted;
use crate::names::{Names, shown as shown_machine};
use crate::odd::Odd;
use crate::record::Recorded;
use crate::store::{Glance, TaggedOut};
use crate::ui::{Answer, Line, Tone, due as shown, words};
use pintle_core::decimal::Decimal;
use pintle_core::due::Due;
use pintle_core::entry::Part;
use pintle_core::fact::MeterKind;
use pintle_core::meter::has_rolled_over;
use pintle_core::photo::FileRef;
use serde_json::{Value, json};

/// A recorded entry, to be shown.
#[derive(Debug, Clone)]
pub struct RecordedAnswer {
    recorded: Recorded,
    was: Option<String>,
}

impl RecordedAnswer {
    /// The answer to this recording.
    #[must_use]
    pub fn of(recorded: Recorded) -> Self {
        Self { recorded, was: None }
    }

    /// With the value that stood there before.
    #[must_use]
    pub fn instead_of(mut self, was: String) -> Self {
        self.was = Some(was);
        self
    }

    fn kind(&self) -> MeterKind {
        self.recorded.machine.as_ref().map_or(MeterKind::Hours, |m| m.meter_kind)
    }

    fn meter(&self) -> Option<&str> {
        self.recorded.fact.reading().and_then(|reading| reading.meter.as_deref())
    }

    fn reading(&self) -> Option<Decimal> {
        self.recorded.fact.reading().and_then(|reading| reading.reading)
    }

    /// The unit of the meter that was read.
    fn unit(&self) -> String {
        self.meter().unwrap_or(words::unit(self.kind())).to_owned()
    }

    fn machine_name(&self) -> Option<&str> {
        self.recorded.machine.as_ref().map(|m| m.name.as_str()).filter(|name| !name.is_empty())
    }

    fn how_to_correct(&self) -> String {
        format!("pintle correct {} reading …", self.recorded.name())
    }
}

impl Answer for RecordedAnswer {
    fn lines(&self) -> Vec<Line> {
        let Recorded { held, fact, names, .. } = &self.recorded;
        let mut lines = self.warnings_before();
        let mut line = Line::toned(Tone::Strong, self.recorded.name());
        if let Some(name) = self.machine_name() {
            line = line.plain(" ").plain(name);
        }
        line = line.plain(" ").plain(words::fact(fact, self.kind(), names));
        if let Some(was) = &self.was {
            line = line.plain(format!(" (was {was})"));
        }
        if let Some(by) = self.recorded.said_by {
            line = line.plain(format!(", {}", names.person(by)));
        }
        if let Some(at) = &self.recorded.said_at {
            line = line.plain(format!(", {}", words::moment(at.text())));
        }
        lines.push(line);
        if let Some(text) = held.entry.text() {
            lines.push(Line::of(format!("\"{text}\"")).indented(2));
        }
        lines.extend(FileRef::of(&held.entry).iter().map(|file| words::file(file).indented(2)));
        lines.extend(self.warnings_after());
        lines.extend(self.recorded.next.as_ref().map(next));
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        [self.warnings_before(), self.warnings_after()].concat()
    }

    fn json(&self) -> Value {
        let Recorded { held, machine, tagged_out, names, odd, .. } = &self.recorded;
        let mut recorded = json!({
            "entry": self.recorded.name(),
            "device": held.device,
            "seq": held.entry.seq(),
            "link": held.link,
        });
        if let Ok(head) = held.entry.head() {
            recorded["kind"] = json!(head.kind);
            recorded["at"] = json!(head.at);
            recorded["by"] = json!({"id": head.by, "name": names.person(head.by)});
        }
        if let Some(machine) = machine {
            recorded["machine"] = json!({"id": machine.id, "name": machine.name});
        }
        if let Part::Open(body) = held.entry.part("body") {
            recorded["body"] = json!(body);
        }
        if let Some(text) = held.entry.text() {
            recorded["text"] = json!(text);
        }
        let mut answer = json!({"recorded": recorded});
        if let Some(was) = &self.was {
            answer["was"] = json!(was);
        }
        if self.recorded.namesakes > 0 {
            answer["namesakes"] = json!(self.recorded.namesakes);
        }
        if !tagged_out.is_empty() {
            answer["tagged_out"] = json!(tagged_out);
        }
        if let Some(next) = &self.recorded.next {
            answer["next"] = json!(next);
        }
        if self.recorded.ahead {
            answer["time_ahead"] = json!(true);
        }
        if let Some(again) = &self.recorded.said_again {
            answer["time_again"] = json!(again);
        }
        if let Some(meter) = &self.recorded.new_meter {
            answer["new_meter"] = json!(meter);
        }
        if let Some(odd) = odd {
            let sentence = odd.sentence(&self.unit());
            answer["odd"] = json!({"code": odd.code(), "sentence": sentence, "hint": self.how_to_correct()});
        }
        answer
    }
}

impl RecordedAnswer {
    fn warnings_before(&self) -> Vec<Line> {
        self.recorded.tagged_out.iter().map(|t| tagged_out(t, &self.recorded.names.entry(t.entry))).collect()
    }

    fn warnings_after(&self) -> Vec<Line> {
        let mut lines = Vec::new();
        if let (Some(machine), 1..) = (&self.recorded.machine, self.recorded.namesakes) {
            let more = words::counted(self.recorded.namesakes as u64, "other machine has", "other machines have");
            let which =
                machine.site.as_ref().map(|_| format!(" This is {}.", shown_machine(machine))).unwrap_or_default();
            lines.push(Line::toned(Tone::Odd, format!("{more} that name.{which}")));
            lines.push(Line::toned(Tone::Faint, "> ").plain("pintle clashes"));
        }
        lines.extend(self.odd_time());
        if let Some(meter) = &self.recorded.new_meter {
            lines.push(Line::toned(Tone::Odd, format!("{meter} is a new meter of this machine.")));
            lines
                .push(Line::toned(Tone::Faint, "> ").plain(format!("pintle correct {} meter …", self.recorded.name())));
        }
        let Some(odd) = &self.recorded.odd else { return lines };
        lines.push(Line::toned(Tone::Odd, odd.sentence(&self.unit())));
        lines.push(Line::toned(Tone::Faint, "> ").plain(self.how_to_correct()));
        let Odd::RunsBack { last } = odd else { return lines };
        // A new meter begins near nothing; a slip is rarely so far off.
        let begins = |now: &Decimal| now.milli < last.milli / 2;
        if let (Some(machine), Some(now)) = (self.machine_name(), self.reading().filter(begins)) {
            let why = if has_rolled_over(*last, now) { "\"rolled over\"" } else { "replaced" };
            let meter = self.meter().map(|meter| format!(" --meter {}", quoted(meter))).unwrap_or_default();
            let hint =
                format!("new meter? pintle meter {}{meter} --old {last} --new {now} --why {why}", quoted(machine));
            lines.push(Line::toned(Tone::Faint, "> ").plain(hint));
        }
        lines
    }
}

impl RecordedAnswer {
    /// What is odd about the time that was said.
    fn odd_time(&self) -> Vec<Line> {
        let mut lines = Vec::new();
        if self.recorded.ahead {
            lines.push(Line::toned(Tone::Odd, "That time has not come yet, by this device's clock."));
            let hint = format!("pintle correct {} at …", self.recorded.name());
            lines.push(Line::toned(Tone::Faint, "> ").plain(hint));
        }
        if let Some(again) = &self.recorded.said_again {
            let text = "The clocks went back and that time came twice; the first is taken. If it was the second:";
            lines.push(Line::toned(Tone::Odd, text));
            let hint = format!("pintle correct {} at {}", self.recorded.name(), again.text());
            lines.push(Line::toned(Tone::Faint, "> ").plain(hint));
        }
        lines
    }
}

/// What is due next, in one short line.
fn next(due: &Due) -> Line {
    Line::toned(Tone::Faint, "next: ").with(shown::tone(due.state), shown::sentence(due))
}

/// The hazard line of a finding for which a machine must not be run.
#[must_use]
pub fn tagged_out(tagged: &TaggedOut, entry: &str) -> Line {
    let point = tagged.point.as_ref().map(|p| format!(", {p}")).unwrap_or_default();
    Line::toned(Tone::Danger, "TAGGED OUT: ")
        .with(Tone::Danger, format!("{}{point}", tagged.sign))
        .plain(format!(" ({entry})"))
}

/// The hazard lines of a machine, with its name: for pages that tell of several, or begin with something else.
#[must_use]
pub fn hazards(machine: &Glance, names: &Names) -> Vec<Line> {
    let one = |t: &TaggedOut| {
        let hazard = tagged_out(t, &names.entry(t.entry)).text();
        Line::toned(Tone::Strong, &machine.name).plain(" ").with(Tone::Danger, hazard)
    };
    machine.tagged_out.iter().map(one).collect()
}
