//! A text as a QR code (ISO/IEC 18004) on the operator's terminal, so that nobody types a code from there into a phone.
//!
//! Promises: black on white whatever the terminal's colours, with the white around it that cameras need.
//!
//! Never: in a log. The caller draws on terminals only.

use qrcode::render::unicode::Dense1x2;
use qrcode::{EcLevel, QrCode};

/// Black on bright white, and back (ECMA-48 SGR).
const PAPER: &str = "\u{1b}[30;107m";
const PLAIN: &str = "\u{1b}[0m";

/// The code's lines; none if the text is longer than a code holds.
#[must_use]
pub fn lines(text: &str) -> Vec<String> {
    let Ok(code) = QrCode::with_error_correction_level(text, EcLevel::L) else { return Vec::new() };
    code.render::<Dense1x2>().build().lines().map(|line| format!("{PAPER}{line}{PLAIN}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What another library's reader sees on the screen.
    fn read(drawn: &[String]) -> String {
        let bare = |line: &String| -> Vec<char> {
            let line = line.strip_prefix(PAPER).and_then(|line| line.strip_suffix(PLAIN));
            line.expect("it is painted").chars().collect()
        };
        let rows: Vec<Vec<char>> = drawn.iter().map(bare).collect();
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
    fn a_camera_reads_what_was_drawn() {
        let text = "https://log.example.org/#7KQF-M3XA-R8TD";
        let drawn = lines(text);
        assert_eq!(drawn.len(), 19, "it fits a terminal of 24 lines");
        assert_eq!(read(&drawn), text);
        assert_eq!(lines(&"x".repeat(4_000)), Vec::<String>::new());
    }
}
