//! `tests/demo`: the week of the scenario, played with real programs, and told.
//!
//! Promises: ends by itself in well under a minute once built, with the server left up and a list of what to try.
//! Never continues after a step that should have succeeded and did not.

use pintle_tests::demo::scenario::{Act, Crew, What, week};
use pintle_tests::demo::stage::{Ran, Setting, Stage, end_server};
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{Error, Result, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;

/// Monday, 4 May 2026, 00:00 at the place, two hours east of Greenwich.
const MONDAY_S: i64 = 1_777_845_600;
/// The tablet's clock from Thursday on: 3 h 12 min behind.
const R9_BEHIND_S: i64 = 11_520;
/// Thursday noon, in minutes of the week.
const R9_WRONG_FROM: i64 = 3 * 1440 + 720;

fn main() -> ExitCode {
    let folder = PathBuf::from("target/demo");
    if std::env::args().any(|argument| argument == "--stop") {
        end_server(&folder);
        return ExitCode::SUCCESS;
    }
    match play(folder) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            say(&format!("the demonstration stopped: {error}"));
            ExitCode::FAILURE
        }
    }
}

/// The one place that prints. A closed pipe ends the talking, not the play.
fn say(line: &str) {
    let _closed = writeln!(std::io::stdout(), "{line}");
}

fn chapter(title: &str) {
    say(&format!("\n── {title} {}", "─".repeat(74usize.saturating_sub(title.chars().count()))));
}

fn play(folder: PathBuf) -> Result<()> {
    let mut show = Show { stage: Stage::new(folder, programs()?)?, names: BTreeMap::new(), records: 0, server: 0 };
    chapter("One week, three devices, no signal");
    say("A server with its own SQLite file on a loopback port; phones K7 and M4, tablet R9.");
    show.stage.server_clock(Some(&right_time(0)))?;
    show.server = show.stage.start_server("Valley crews")?;
    for act in week() {
        show.act(&act)?;
    }
    show.come_together()?;
    show.settle()?;
    show.book()?;
    show.stage.server_clock(None)?;
    show.stage.leave_server();
    show.farewell();
    Ok(())
}

/// The folder of the programs that were built together with this one.
fn programs() -> Result<PathBuf> {
    std::env::current_exe()?.parent().map(PathBuf::from).ok_or_else(|| Error::other("no folder"))
}

struct Show {
    stage: Stage,
    names: BTreeMap<&'static str, String>,
    records: u64,
    server: u32,
}

/// The right time at a minute of the week.
fn right_time(minute: i64) -> String {
    pintle_core::moment::Moment::at(MONDAY_S + minute * 60, 7200).map(|m| m.to_string()).unwrap_or_default()
}

/// Clocks of a device at a minute of the week. The clock nobody can set is right even where the wall clock is not.
fn setting(crew: Crew, minute: i64) -> Setting {
    let second = MONDAY_S + minute * 60;
    let behind = if crew == Crew::R9 && minute >= R9_WRONG_FROM { R9_BEHIND_S } else { 0 };
    let shown = pintle_core::moment::Moment::at(second - behind, 7200).map(|m| m.to_string()).unwrap_or_default();
    Setting { clock: shown, boot: format!("{}boot:{}", crew.mark(), 100_000 + (minute + 2000) * 60) }
}

impl Show {
    fn act(&mut self, act: &Act) -> Result<()> {
        let setting = setting(act.crew, act.minute);
        if !matches!(act.what, What::Types { .. }) {
            self.stage.server_clock(Some(&right_time(act.minute)))?;
        }
        if let Some(tell) = act.tell {
            say(&format!("\n{tell}"));
        }
        match &act.what {
            What::Syncs => self.sync(act.crew, &setting, act.tell.is_some()),
            What::Enrols => self.enrol(act.crew, &setting),
            What::Types { arguments, keep } => self.types(act, &setting, arguments, *keep),
        }
    }

    fn types(&mut self, act: &Act, setting: &Setting, arguments: &[String], keep: Option<&'static str>) -> Result<()> {
        let filled: Vec<String> = arguments.iter().map(|a| self.fill(a)).collect();
        let ran = self.stage.pintle(act.crew, setting, &filled)?;
        if ran.code != 0 {
            return Err(Error::other(format!("pintle {}: {}{}", filled.join(" "), ran.stdout, ran.stderr)));
        }
        self.records += u64::from(first_name(&ran, act.crew).is_ok());
        if let Some(keep) = keep {
            self.names.insert(keep, first_name(&ran, act.crew)?);
        }
        if act.tell.is_some() {
            self.echo(act.crew, &filled, &ran);
        }
        Ok(())
    }

    fn fill(&self, argument: &str) -> String {
        let name = argument.strip_prefix('{').and_then(|a| a.strip_suffix('}'));
        name.and_then(|name| self.names.get(name)).cloned().unwrap_or_else(|| argument.to_owned())
    }

    fn echo(&self, crew: Crew, arguments: &[String], ran: &Ran) {
        let shown: Vec<String> =
            arguments.iter().map(|a| if a.contains(' ') { format!("\"{a}\"") } else { a.clone() }).collect();
        say(&format!("  {}$ pintle {}", crew.mark(), shown.join(" ")));
        for line in ran.stdout.lines().chain(ran.stderr.lines()) {
            say(&format!("     {line}"));
        }
    }

    fn enrol(&mut self, crew: Crew, setting: &Setting) -> Result<()> {
        if crew != Crew::M4 {
            self.stage.must(crew, setting, &["setup", "--name", crew.owner(), "--mark", crew.mark()])?;
        }
        let code = if crew == Crew::K7 { self.stage.first_code()? } else { self.stage.another_code()? };
        let url = self.stage.url();
        let ran = self.stage.must(crew, setting, &["enrol", &url, &code])?;
        let shown = ["enrol".to_owned(), url, "(one-time code)".to_owned()];
        self.echo(crew, &shown, &ran);
        Ok(())
    }

    fn sync(&mut self, crew: Crew, setting: &Setting, shown: bool) -> Result<()> {
        let ran = self.stage.must(crew, setting, &["sync"])?;
        if shown {
            self.echo(crew, &["sync".to_owned()], &ran);
        }
        Ok(())
    }

    /// Friday evening, in the worst order: whoever has most to say comes first, whoever knows least comes last.
    fn come_together(&mut self) -> Result<()> {
        chapter("Friday evening: the logs come together, in bad order");
        let evening = 4 * 1440 + 18 * 60;
        for (n, crew) in [Crew::R9, Crew::K7, Crew::M4, Crew::R9, Crew::K7].into_iter().enumerate() {
            let minute = evening + i64::try_from(n).unwrap_or(0);
            let setting = setting(crew, minute);
            self.stage.server_clock(Some(&right_time(minute)))?;
            self.sync(crew, &setting, true)?;
        }
        self.compare(evening + 10)
    }

    /// All three devices give the same books, to the byte.
    fn compare(&mut self, minute: i64) -> Result<()> {
        let mut bytes = 0;
        for machine in ["EX3", "LD1", "TR2", "BH4", "CR5"] {
            let mut books = Vec::new();
            for crew in Crew::ALL {
                books.push(self.stage.json(crew, &setting(crew, minute), &["book", machine])?.1);
            }
            if books.iter().any(|book| *book != books[0]) {
                return Err(Error::other(format!("the books of {machine} differ")));
            }
            bytes += books[0].len();
        }
        let records = self.records;
        say(&format!(
            "\n{records} entries by hand. The books of five machines are equal on K7, M4 and R9: {bytes} bytes compared."
        ));
        Ok(())
    }

    fn settle(&mut self) -> Result<()> {
        chapter("What people disagree on, and one command that settles it");
        let at = setting(Crew::K7, 4 * 1440 + 18 * 60 + 20);
        let ran = self.stage.must(Crew::K7, &at, &["clashes"])?;
        self.echo(Crew::K7, &["clashes".to_owned()], &ran);
        let (clashes, _) = self.stage.json(Crew::K7, &at, &["clashes"])?;
        let (id, choice) = first_clash(&clashes)?;
        let ran = self.stage.must(Crew::K7, &at, &["settle", &id, &choice])?;
        say("");
        self.echo(Crew::K7, &["settle".into(), id, choice], &ran);
        let minute = 4 * 1440 + 18 * 60 + 30;
        self.stage.server_clock(Some(&right_time(minute)))?;
        for crew in [Crew::K7, Crew::M4, Crew::R9] {
            self.sync(crew, &setting(crew, minute), false)?;
        }
        self.compare(4 * 1440 + 18 * 60 + 40)
    }

    fn book(&mut self) -> Result<()> {
        chapter("The book of one machine");
        let at = setting(Crew::M4, 5 * 1440 + 6 * 60);
        for machine in ["EX3", "LD1"] {
            let ran = self.stage.must(Crew::M4, &at, &["book", machine])?;
            self.echo(Crew::M4, &["book".into(), machine.into()], &ran);
            say("");
        }
        Ok(())
    }

    fn farewell(&self) {
        // As this one was typed.
        let typed = std::env::args().next().map(PathBuf::from).unwrap_or_default();
        let programs = typed.parent().unwrap_or(&typed).display();
        let home = self.stage.home(Crew::K7);
        let url = self.stage.url();
        chapter("What to try next");
        say(&format!("The server is still up at {url} (process {}); its page is {url}/docs/", self.server));
        say(&format!("  export PINTLE_HOME={}", home.display()));
        say(&format!("  {programs}/pintle due"));
        say(&format!("  {programs}/pintle handover EX3"));
        say(&format!("  {programs}/pintle plan EX3 --starter excavator"));
        say(&format!("  {programs}/pintle grease EX3"));
        say(&format!("  {programs}/pintle log EX3"));
        say(&format!("  {programs}/pintle clashes"));
        say(&format!("  {programs}/pintle sync"));
        say(&format!("  {programs}/pintle --help"));
        say("  tests/demo --stop        ends the server");
        say("  tests/run                runs every test");
    }
}

/// The entry a command says it has recorded: the first word of its answer that starts with the device's mark.
fn first_name(ran: &Ran, crew: Crew) -> Result<String> {
    let start = format!("{}-", crew.mark());
    let word = ran.stdout.split_whitespace().find(|word| word.starts_with(&start));
    let name = word.map(|w| w.trim_end_matches(|c: char| !c.is_ascii_digit()).to_owned());
    name.ok_or_else(|| Error::other(format!("no entry named in: {}", ran.stdout)))
}

/// Id of the clash about the two corrections, and the side to keep: what Ines said.
fn first_clash(answer: &Value) -> Result<(String, String)> {
    let odd = || Error::other(format!("no clash about a field in: {answer}"));
    let clashes = answer["clashes"].as_array().ok_or_else(odd)?;
    let fields = |c: &&Value| c["matter"].as_str().is_some_and(|m| m.starts_with("field:"));
    let clash = clashes.iter().map(|one| &one["clash"]).find(fields).ok_or_else(odd)?;
    let sides = clash["sides"].as_array().ok_or_else(odd)?;
    let entry = sides.iter().find(|side| side["value"] == "180").map(|side| &side["entry"]).ok_or_else(odd)?;
    let device = entry["device"].as_str().ok_or_else(odd)?;
    let mark = answer["names"]["devices"][device].as_str().ok_or_else(odd)?;
    let name = format!("{mark}-{}", entry["seq"]);
    Ok((clash["short"].as_str().ok_or_else(odd)?.to_owned(), name))
}
