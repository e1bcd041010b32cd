//! What a run prints: the only module that writes to the terminal.
//!
//! Promises: an answer goes to stdout, a problem to stderr, each either for a person or as one line of JSON. A closed
//! pipe ends the output and nothing else. Colours only where a terminal asks for them (`NO_COLOR`, `CLICOLOR_FORCE`,
//! `TERM=dumb` are heeded); the same words stand there without them. Text is broken to the width of the screen.

pub mod due;
mod progress;
pub mod qr;
mod text;
pub mod words;

pub use progress::Bar;
pub use text::{Line, NO_BREAK, Tone};

use crate::ambient::Ambient;
use crate::problem::{Code, Problem};
use serde_json::{Value, json};
use std::io::{ErrorKind, Write};

/// Width where nothing tells another: pipes, files.
const WIDTH_DEFAULT: usize = 80;
/// Narrowest width that is honoured: below it every word would stand alone.
const WIDTH_MIN: usize = 20;
/// Widest lines of running text: longer ones are hard to read, whatever the screen.
const WIDTH_MAX: usize = 100;

/// For whom an answer is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// A person.
    Human,
    /// A program: one line of JSON.
    Json,
}

/// How much is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Volume {
    /// Answers.
    Normal,
    /// Only what must not be missed: hazards, oddities, problems.
    Quiet,
}

/// Whether colours are used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Colour {
    /// None.
    Never,
    /// Yes.
    Always,
}

/// How answers look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// For whom.
    pub form: Form,
    /// How much.
    pub volume: Volume,
    /// Colours of stdout.
    pub colour: Colour,
    /// Colours of stderr.
    pub colour_err: Colour,
    /// Columns.
    pub width: usize,
    /// Whether stderr is a terminal on which a line may change.
    pub live: bool,
}

/// What is on the other side of an output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Terminal {
    /// Columns, if it is a terminal.
    pub columns: Option<usize>,
}

/// Both outputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Terminals {
    /// Where answers go.
    pub out: Terminal,
    /// Where problems go.
    pub err: Terminal,
}

impl Look {
    /// The look that the environment asks for.
    #[must_use]
    pub fn of(form: Form, volume: Volume, ambient: &dyn Ambient, Terminals { out, err }: Terminals) -> Self {
        let width = columns(ambient, Terminals { out, err });
        let live = err.columns.is_some() && ambient.variable("TERM").as_deref() != Some("dumb");
        Self { form, volume, colour: colour(ambient, out), colour_err: colour(ambient, err), width, live }
    }
}

/// The width of the screen.
#[must_use]
pub fn columns(ambient: &dyn Ambient, terminals: Terminals) -> usize {
    let asked = ambient.variable("COLUMNS").and_then(|text| text.parse().ok());
    asked.or(terminals.out.columns).unwrap_or(WIDTH_DEFAULT).clamp(WIDTH_MIN, WIDTH_MAX)
}

/// no-color.org first, then the CLICOLOR convention, then whether it is a terminal that knows colours.
fn colour(ambient: &dyn Ambient, terminal: Terminal) -> Colour {
    if ambient.variable("NO_COLOR").is_some() {
        return Colour::Never;
    }
    if ambient.variable("CLICOLOR_FORCE").is_some_and(|v| v != "0") {
        return Colour::Always;
    }
    let refused = ambient.variable("CLICOLOR").as_deref() == Some("0");
    let dumb = ambient.variable("TERM").as_deref() == Some("dumb");
    if terminal.columns.is_some() && !refused && !dumb { Colour::Always } else { Colour::Never }
}

/// Something that can be shown.
pub trait Answer {
    /// For a person.
    fn lines(&self) -> Vec<Line>;
    /// For a program.
    fn json(&self) -> Value;
    /// What must be seen even with `--quiet`.
    fn warnings(&self) -> Vec<Line> {
        Vec::new()
    }
}

/// Where a run prints.
pub struct Ui<'a> {
    out: &'a mut dyn Write,
    err: &'a mut dyn Write,
    /// How answers look.
    pub look: Look,
}

impl<'a> Ui<'a> {
    /// Prints to these.
    pub fn new(out: &'a mut dyn Write, err: &'a mut dyn Write, look: Look) -> Self {
        Self { out, err, look }
    }

    /// Shows an answer.
    ///
    /// # Errors
    /// `no-terminal` if it cannot be written; a closed pipe is no error.
    pub fn show(&mut self, answer: &impl Answer) -> Result<(), Problem> {
        let text = match (self.look.form, self.look.volume) {
            (Form::Json, _) => format!("{}\n", answer.json()),
            (Form::Human, Volume::Normal) => text::render(&answer.lines(), self.look.width, self.look.colour),
            (Form::Human, Volume::Quiet) => text::render(&answer.warnings(), self.look.width, self.look.colour),
        };
        write(self.out, text.as_bytes())
    }

    /// Writes bytes as they are: completions, man pages, help.
    ///
    /// # Errors
    /// As [`Ui::show`].
    pub fn raw(&mut self, bytes: &[u8]) -> Result<(), Problem> {
        write(self.out, bytes)
    }

    /// Help as the parser styled it, or plain.
    #[must_use]
    pub fn styled(&self, text: &clap::builder::StyledStr) -> String {
        match self.look.colour {
            Colour::Always => text.ansi().to_string(),
            Colour::Never => text.to_string(),
        }
    }

    /// Tells a person what is going on, beside the answer. Nothing for programs.
    pub fn aside(&mut self, line: &Line) {
        if self.look.form == Form::Human && self.look.volume == Volume::Normal {
            let text = text::render(std::slice::from_ref(line), self.look.width, self.look.colour_err);
            // There is nowhere left to say that stderr cannot be written.
            let _ = write(self.err, text.as_bytes());
        }
    }

    /// A bar for long work; without a terminal, or for programs, it shows nothing.
    #[must_use]
    pub fn bar(&self) -> Bar {
        let wanted = self.look.form == Form::Human && self.look.volume == Volume::Normal && self.look.live;
        if wanted { Bar::shown() } else { Bar::hidden() }
    }

    /// Shows a problem.
    pub fn problem(&mut self, problem: &Problem) {
        let text = match self.look.form {
            Form::Json => format!("{}\n", problem_json(problem)),
            Form::Human => {
                let mut lines = vec![Line::new().with(Tone::Danger, "Not done: ").plain(&problem.sentence)];
                if matches!(problem.code, Code::NoSignal | Code::NotOurs | Code::NotTrusted) {
                    lines = vec![Line::of(&problem.sentence)];
                }
                lines.extend(problem.hint.as_ref().map(|hint| Line::new().with(Tone::Faint, "> ").plain(hint)));
                text::render(&lines, self.look.width, self.look.colour_err)
            }
        };
        // There is nowhere left to say that stderr cannot be written.
        let _ = write(self.err, text.as_bytes());
    }

    /// Writes what the parser of arguments has to say.
    pub fn usage(&mut self, text: &str) {
        match self.look.form {
            Form::Json => self.problem(&Problem::new(Code::Usage, text.trim_end()).hint("pintle --help")),
            Form::Human => {
                let _ = write(self.err, text.as_bytes());
            }
        }
    }
}

fn problem_json(problem: &Problem) -> Value {
    let mut object = json!({
        "code": problem.code.as_str(),
        "sentence": problem.sentence,
        "exit": problem.code.exit().code(),
    });
    for (key, value) in [("hint", &problem.hint), ("detail", &problem.detail)] {
        if let Some(value) = value {
            object[key] = json!(value);
        }
    }
    json!({"problem": object})
}

fn write(to: &mut dyn Write, bytes: &[u8]) -> Result<(), Problem> {
    match to.write_all(bytes).and_then(|()| to.flush()) {
        Ok(()) => Ok(()),
        Err(e) if e.kind() == ErrorKind::BrokenPipe => Ok(()),
        Err(e) => Err(Problem::new(Code::NoTerminal, format!("cannot write the answer: {}", e.kind())).detail(e)),
    }
}
