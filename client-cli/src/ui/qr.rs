//! A text as a QR code (ISO/IEC 18004) for a terminal: two rows of modules to a line.
//!
//! Promises: the quiet zone of four modules is there on every side; a code that does not fit the screen is not drawn at
//! all, since half a code is none. Black on white where the terminal knows colours.

use super::{Line, NO_BREAK, Tone};
use qrcode::{Color, EcLevel, QrCode};

/// Modules of white around the code: what the standard asks for.
const QUIET: usize = 4;

/// The code's lines, or none if it does not fit so many columns.
#[must_use]
pub fn lines(text: &str, columns: usize) -> Option<Vec<Line>> {
    let code = QrCode::with_error_correction_level(text, EcLevel::L).ok()?;
    let side = code.width() + 2 * QUIET;
    if side > columns {
        return None;
    }
    let dark = |x: usize, y: usize| {
        let inside = |v: usize| v.checked_sub(QUIET).filter(|v| *v < code.width());
        inside(x).zip(inside(y)).is_some_and(|at| code[at] == Color::Dark)
    };
    let line = |y: usize| {
        (0..side)
            .map(|x| match (dark(x, y), dark(x, y + 1)) {
                (true, true) => '█',
                (true, false) => '▀',
                (false, true) => '▄',
                (false, false) => NO_BREAK,
            })
            .collect::<String>()
    };
    Some((0..side).step_by(2).map(|y| Line::toned(Tone::Code, line(y))).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What another library's reader sees on the screen.
    fn read(drawn: &[Line]) -> String {
        let rows: Vec<Vec<char>> = drawn.iter().map(|line| line.text().chars().collect()).collect();
        let dark = |x: usize, y: usize| {
            let drawn = rows.get(y / 2).and_then(|row| row.get(x));
            matches!((drawn, y % 2), (Some('█'), _) | (Some('▀'), 0) | (Some('▄'), 1))
        };
        // A camera sees more than one pixel of a module.
        const PIXELS: usize = 4;
        let side = rows[0].len() * PIXELS;
        let mut seen = rqrr::PreparedImage::prepare_from_bitmap(side, side, |x, y| dark(x / PIXELS, y / PIXELS));
        seen.detect_grids().first().expect("a code").decode().expect("a text").1
    }

    #[test]
    fn an_enrolment_fits_a_phone_s_screen_or_is_not_drawn() {
        let text = "https://log.example.org/#7KQF-M3XA-R8TD";
        let drawn = lines(text, 37).expect("it fits");
        assert_eq!(drawn.len(), 19);
        assert_eq!(read(&drawn), text);
        assert_eq!(lines(text, 36), None);
        assert_eq!(lines(&"x".repeat(4_000), 500), None, "more than a code holds");
    }
}
