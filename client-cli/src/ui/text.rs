//! Lines of text with tones, broken to a width.
//!
//! Promises: a word stays whole, whatever its tones, and so do words with a no-break space between them, which is printed
//! as a plain one; what does not fit goes on further in. Control
//! characters never reach the terminal, so that a text from another device cannot move its cursor.

use super::Colour;
use anstyle::{AnsiColor, Style};
use unicode_width::UnicodeWidthStr as _;

/// A space at which no line is broken: between a number and its unit, within a date.
pub const NO_BREAK: char = '\u{a0}';

/// How a piece of text is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// As it is.
    Plain,
    /// A heading, a name.
    Strong,
    /// Less important.
    Faint,
    /// Must not be missed.
    Danger,
    /// Looks odd.
    Odd,
    /// Struck through.
    Struck,
    /// A code for a camera: black on white.
    Code,
}

impl Tone {
    fn style(self) -> Style {
        match self {
            Tone::Plain => Style::new(),
            Tone::Strong => Style::new().bold(),
            Tone::Faint => Style::new().dimmed(),
            Tone::Danger => Style::new().bold().fg_color(Some(AnsiColor::Red.into())),
            Tone::Odd => Style::new().fg_color(Some(AnsiColor::Yellow.into())),
            Tone::Struck => Style::new().strikethrough(),
            Tone::Code => {
                Style::new().fg_color(Some(AnsiColor::Black.into())).bg_color(Some(AnsiColor::BrightWhite.into()))
            }
        }
    }
}

/// One line, before it is broken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    indent: usize,
    hanging: usize,
    spans: Vec<(Tone, String)>,
}

/// Columns by which what does not fit is moved in, unless a line says otherwise.
const HANGING: usize = 2;

impl Default for Line {
    fn default() -> Self {
        Self { indent: 0, hanging: HANGING, spans: Vec::new() }
    }
}

impl Line {
    /// An empty line.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// A plain line.
    pub fn of(text: impl AsRef<str>) -> Self {
        Self::new().plain(text)
    }

    /// A line in one tone.
    pub fn toned(tone: Tone, text: impl AsRef<str>) -> Self {
        Self::new().with(tone, text)
    }

    /// Moved in by so many columns more.
    #[must_use]
    pub fn indented(mut self, columns: usize) -> Self {
        self.indent += columns;
        self
    }

    /// What does not fit goes on so many columns further in.
    #[must_use]
    pub fn hanging(mut self, columns: usize) -> Self {
        self.hanging = columns;
        self
    }

    /// With more text.
    #[must_use]
    pub fn plain(self, text: impl AsRef<str>) -> Self {
        self.with(Tone::Plain, text)
    }

    /// With more text in a tone. Control characters never reach the terminal.
    #[must_use]
    pub fn with(mut self, tone: Tone, text: impl AsRef<str>) -> Self {
        let clean = text.as_ref().chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        self.spans.push((tone, clean));
        self
    }

    /// As plain text.
    #[must_use]
    pub fn text(&self) -> String {
        self.spans.iter().map(|(_, text)| text.as_str()).collect()
    }
}

/// Lines as they are printed: broken between words, what goes on moved in by two columns more.
pub(super) fn render(lines: &[Line], width: usize, colour: Colour) -> String {
    let mut out = String::new();
    for line in lines {
        render_line(&mut out, line, width, colour);
        out.push('\n');
    }
    out
}

fn render_line(out: &mut String, line: &Line, width: usize, colour: Colour) {
    let mut column = line.indent;
    out.push_str(&" ".repeat(line.indent));
    let pieces = pieces(line);
    let mut at_start = true;
    let mut index = 0;
    while index < pieces.len() {
        // A word is a run of pieces without a space between them, in whatever tones.
        let end = (index + 1..pieces.len()).find(|&i| pieces[i].space_before).unwrap_or(pieces.len());
        let word = &pieces[index..end];
        let word_width: usize = word.iter().map(|p| p.text.width()).sum();
        let space = usize::from(word[0].space_before && !at_start);
        if !at_start && column + space + word_width > width {
            out.push('\n');
            let hanging = line.indent + line.hanging;
            out.push_str(&" ".repeat(hanging));
            column = hanging;
        } else if space == 1 {
            out.push(' ');
            column += 1;
        }
        for piece in word {
            paint(out, piece.tone, piece.text, colour);
        }
        column += word_width;
        at_start = false;
        index = end;
    }
}

struct Piece<'a> {
    tone: Tone,
    text: &'a str,
    space_before: bool,
}

fn pieces(line: &Line) -> Vec<Piece<'_>> {
    let mut pieces = Vec::new();
    let mut space_pending = false;
    for (tone, text) in &line.spans {
        for (i, word) in text.split(' ').enumerate() {
            space_pending |= i > 0;
            if word.is_empty() {
                continue;
            }
            pieces.push(Piece { tone: *tone, text: word, space_before: std::mem::take(&mut space_pending) });
        }
    }
    pieces
}

fn paint(out: &mut String, tone: Tone, text: &str, colour: Colour) {
    let text = text.replace(NO_BREAK, " ");
    let style = tone.style();
    if colour == Colour::Never || style == Style::new() {
        out.push_str(&text);
    } else {
        out.push_str(&format!("{style}{text}{style:#}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_broken_between_words_and_moved_in() {
        let line = Line::of("K7-412 EX3 greased, not the boom foot").plain(" (not reached), 4127.5 h");
        let text = render(std::slice::from_ref(&line), 24, Colour::Never);
        assert_eq!(text, "K7-412 EX3 greased, not\n  the boom foot (not\n  reached), 4127.5 h\n");
        assert_eq!(
            render(&[line.clone().hanging(4)], 24, Colour::Never).lines().last(),
            Some("    reached), 4127.5 h")
        );
        assert_eq!(render(&[line.indented(2)], 80, Colour::Never).lines().count(), 1);
        assert_eq!(render(&[Line::of("x".repeat(50))], 20, Colour::Never), format!("{}\n", "x".repeat(50)));
        assert_eq!(render(&[Line::of("due on 5\u{a0}May")], 10, Colour::Never), "due on\n  5 May\n");
        assert_eq!(render(&[Line::new()], 20, Colour::Never), "\n");
    }

    #[test]
    fn a_word_of_two_tones_stays_whole_and_control_characters_stay_out() {
        let line = Line::toned(Tone::Danger, "TAGGED OUT").plain(": crack\u{1b}[2J");
        assert_eq!(render(std::slice::from_ref(&line), 40, Colour::Never), "TAGGED OUT: crack [2J\n");
        assert!(render(&[line], 40, Colour::Always).starts_with("\u{1b}[1m\u{1b}[31mTAGGED\u{1b}[0m"));
    }
}
