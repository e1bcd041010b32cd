//! What can be shown of a text.
//!
//! Promises: every character of a text is seen on paper. One that no font has, or that has no look of its own (controls,
//! marks that turn the direction of what follows), is written as its number between two marks that the layouts draw as a
//! box; nobody can write those marks, because they are such characters themselves. A word too long for a line gets places
//! where it may break.
//!
//! Never changes a character that can be shown.

use crate::fonts;

/// Before the number of a character that cannot be shown; of the private use area, so no text has it after this.
pub(crate) const BOX_FROM: char = '\u{E000}';
/// After it.
pub(crate) const BOX_TO: char = '\u{E001}';
/// Where a long word may break: zero width space.
const MAY_BREAK: char = '\u{200B}';
/// Longest run of characters without a place to break: what fits the narrowest column for texts.
pub(crate) const RUN_CHARS_MAX: usize = 20;
/// A text of at most so many characters, most of them digits, is never broken: it is copied, and an account number
/// (ISO 13616) has up to 34.
const NUMBER_CHARS_MAX: usize = 34;

/// Characters that have no look of their own, but are part of how others are written: joiners, marks for a neutral
/// character's side, soft hyphen, variations, and the ends of lines.
const UNSEEN: [char; 8] = ['\n', '\t', '\u{00AD}', '\u{200C}', '\u{200D}', '\u{200E}', '\u{200F}', '\u{FE0F}'];

/// The text as it can be shown.
pub(crate) fn shown(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut run = 0;
    let digits = text.bytes().filter(u8::is_ascii_digit).count();
    let number = text.len() <= NUMBER_CHARS_MAX && digits * 2 >= text.len();
    for character in text.chars() {
        if run >= RUN_CHARS_MAX && !number && can_break_before(character) {
            out.push(MAY_BREAK);
            run = 0;
        }
        if UNSEEN.contains(&character) || (character != MAY_BREAK && !is_control(character) && fonts::has(character)) {
            out.push(character);
            run = if breaks(character) { 0 } else { run + 1 };
        } else {
            out.push(BOX_FROM);
            out.push_str(&format!("{:04X}", u32::from(character)));
            out.push(BOX_TO);
            // A box is as wide as some letters, and may stand at the end of a line.
            out.push(MAY_BREAK);
            run = 0;
        }
    }
    out
}

/// The text where boxes cannot be drawn: in the title of a file.
pub(crate) fn plain(text: &str) -> String {
    shown(text).replace(BOX_FROM, "[U+").replace(BOX_TO, "]").replace(MAY_BREAK, "")
}

fn breaks(character: char) -> bool {
    character.is_whitespace() || character == '-'
}

/// Not before a space, and not between a letter and its marks or joiners. Marks are what is neither alphanumeric, punctuation nor space: of those
/// that combine, the blocks that the fonts have.
fn can_break_before(character: char) -> bool {
    let stays = matches!(u32::from(character),
        0x0300..=0x036F | 0x0483..=0x0489 | 0x0591..=0x05C7 | 0x0610..=0x061A | 0x064B..=0x065F | 0x0670
        | 0x06D6..=0x06ED | 0x0900..=0x0903 | 0x093A..=0x094F | 0x0951..=0x0957 | 0x0962..=0x0963
        | 0x0E31 | 0x0E34..=0x0E3A | 0x0E47..=0x0E4E | 0x1AB0..=0x1AFF | 0x1DC0..=0x1DFF | 0x200C..=0x200F
        | 0x20D0..=0x20FF | 0xFE00..=0xFE0F | 0xFE20..=0xFE2F);
    !stays && !character.is_whitespace()
}

/// Controls (Cc), and those that change how what follows is ordered or are invisible: the fonts may well have empty
/// glyphs for them.
fn is_control(character: char) -> bool {
    character.is_control()
        || matches!(u32::from(character),
            0x2028..=0x202E | 0x2060..=0x206F | 0xFEFF | 0xFFF9..=0xFFFB | 0xE000..=0xF8FF | 0x061C | 0x180E
            | 0x115F | 0x1160 | 0x3164 | 0xFFA0 | 0xE0000..=0xE0FFF)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_can_be_shown_stays() {
        for text in [
            "",
            "fitting M10x1",
            "#read(\"/etc/passwd\") $x$ *a* _b_ <l> @c \\",
            "עדה לוי",
            "می‌خواهم",
            "5 × 3/8″\nnext",
            "DE00000000000000000000",
        ] {
            assert_eq!(shown(text), text);
        }
    }

    #[test]
    fn what_cannot_is_a_number_in_a_box() {
        let of = |text: &str| shown(text).replace(MAY_BREAK, "").replace(BOX_FROM, "<").replace(BOX_TO, ">");
        assert_eq!(of("a漢b"), "a<6F22>b");
        assert_eq!(of("🚜"), "<1F69C>");
        assert_eq!(of("a\u{0}\u{7}\u{1b}[31m"), "a<0000><0007><001B>[31m");
        // What turns the order of what follows, and what would be a box of nobody's making.
        assert_eq!(of("\u{202E}12\u{2066}"), "<202E>12<2066>");
        assert_eq!(of("\u{E000}0041\u{E001}"), "<E000>0041<E001>");
        assert_eq!(of("a\u{200B}b"), "a<200B>b");
        assert_eq!(plain("a漢b"), "a[U+6F22]b");
    }

    #[test]
    fn a_long_word_may_break_but_not_between_a_letter_and_its_marks() {
        let word = "x".repeat(RUN_CHARS_MAX * 2 + 1);
        assert_eq!(shown(&word).matches(MAY_BREAK).count(), 2);
        assert_eq!(shown(&word).replace(MAY_BREAK, ""), word);
        let marked = format!("{}\u{0301}y", "x".repeat(RUN_CHARS_MAX));
        assert!(shown(&marked).ends_with("\u{0301}\u{200B}y"), "{marked}");
        let words = "a word ".repeat(30);
        assert_eq!(shown(&words), words);
    }
}
