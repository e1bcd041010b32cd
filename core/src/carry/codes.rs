//! A small file as a series of short texts, each for one QR code: read in any order, by any scanner.
//!
//! Promises: each text says which series it is of, which number it has and how many there are; whatever is missing or
//! does not belong together is told. Letters are those of the alphanumeric mode of ISO/IEC 18004, so that a code is
//! small. Never compresses: the bytes are the caller's.

use super::DAMAGED;
use crate::fault::{Fault, code};
use crate::ids::Hash;
use crate::limits::CARRY_CODES_MAX;
use std::collections::BTreeMap;

/// What every text begins with.
const BEGIN: &str = "PINTLE1";
/// RFC 4648 section 6: no letter of it is outside the alphanumeric mode of a QR code.
const LETTERS: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";
/// Letters of the number that tells a series from another.
const SERIES_LETTERS: usize = 8;
/// Letters beside the content, with numbers of two digits: `PINTLE1:SERIES:1/60:`.
pub const FRAME_LETTERS: usize = BEGIN.len() + 1 + SERIES_LETTERS + 1 + 5 + 1;

/// The series for some bytes, with at most so many letters to a text.
///
/// # Errors
/// `payload-too-large` if that takes more texts than a series may have.
pub fn write(bytes: &[u8], letters_max: usize) -> Result<Vec<String>, Fault> {
    let content = base32(bytes);
    let room = letters_max.saturating_sub(FRAME_LETTERS).max(1);
    let pieces: Vec<&str> = pieces(&content, room);
    if pieces.len() > CARRY_CODES_MAX {
        let detail = format!("it takes {} codes, a series has at most {CARRY_CODES_MAX}", pieces.len());
        return Err(Fault::new(code::PAYLOAD_TOO_LARGE, "", detail));
    }
    let (series, all) = (series(bytes), pieces.len());
    Ok(pieces
        .iter()
        .enumerate()
        .map(|(index, piece)| format!("{BEGIN}:{series}:{}/{all}:{piece}", index + 1))
        .collect())
}

/// Whether a text looks like one of a series.
#[must_use]
pub fn is_one(text: &str) -> bool {
    text.trim_start().starts_with(BEGIN)
}

/// The bytes of one series, from its texts in any order, one a line; the same text again does no harm.
///
/// # Errors
/// `damaged-file`, with what is missing.
pub fn read(lines: &str) -> Result<Vec<u8>, Fault> {
    let damaged = |detail: String| Fault::new(DAMAGED, "", detail);
    let mut pieces: BTreeMap<usize, &str> = BTreeMap::new();
    let mut of: Option<(&str, usize)> = None;
    for line in lines.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let told = line.strip_prefix(BEGIN).and_then(|rest| rest.strip_prefix(':')).and_then(frame);
        let Some((series, number, all, piece)) = told else {
            return Err(damaged("a line is not one of a series of codes".into()));
        };
        if *of.get_or_insert((series, all)) != (series, all) {
            return Err(damaged("the codes are of more than one series".into()));
        }
        if pieces.insert(number, piece).is_some_and(|before| before != piece) {
            return Err(damaged(format!("code {number} was read in two ways")));
        }
    }
    let Some((series_told, all)) = of else { return Err(damaged("there is no code in it".into())) };
    let missing: Vec<String> = (1..=all).filter(|n| !pieces.contains_key(n)).map(|n| n.to_string()).collect();
    if !missing.is_empty() {
        return Err(damaged(format!("codes that are missing of {all}: {}", missing.join(", "))));
    }
    let content: String = pieces.into_values().collect();
    let bytes = unbase32(&content).ok_or_else(|| damaged("the codes hold letters that are none of theirs".into()))?;
    if series(&bytes) != series_told {
        return Err(damaged("the codes do not make up what they were made from".into()));
    }
    Ok(bytes)
}

fn frame(rest: &str) -> Option<(&str, usize, usize, &str)> {
    let (series, rest) = rest.split_once(':')?;
    let (numbers, piece) = rest.split_once(':')?;
    let (number, all) = numbers.split_once('/')?;
    let (number, all): (usize, usize) = (number.parse().ok()?, all.parse().ok()?);
    (1 <= number && number <= all && all <= CARRY_CODES_MAX).then_some((series, number, all, piece))
}

fn series(bytes: &[u8]) -> String {
    base32(&Hash::of(&[bytes]).0).chars().take(SERIES_LETTERS).collect()
}

fn pieces(content: &str, room: usize) -> Vec<&str> {
    // Letters of one byte each.
    let mut rest = content;
    let mut pieces = Vec::new();
    while !rest.is_empty() {
        let (piece, after) = rest.split_at(room.min(rest.len()));
        pieces.push(piece);
        rest = after;
    }
    pieces
}

fn base32(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len() * 8 / 5 + 1);
    let (mut held, mut bits) = (0_u32, 0);
    for byte in bytes {
        held = (held << 8 | u32::from(*byte)) & 0xfff;
        bits += 8;
        while bits >= 5 {
            bits -= 5;
            text.push(char::from(LETTERS[(held >> bits & 31) as usize]));
        }
    }
    if bits > 0 {
        text.push(char::from(LETTERS[(held << (5 - bits) & 31) as usize]));
    }
    text
}

/// Only the exact spelling is read: no bits may be set that no byte has.
fn unbase32(text: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len() * 5 / 8);
    let (mut held, mut bits) = (0_u32, 0);
    for letter in text.bytes() {
        let value = LETTERS.iter().position(|known| *known == letter)?;
        held = (held << 5 | u32::try_from(value).ok()?) & 0xfff;
        bits += 5;
        if bits >= 8 {
            bits -= 8;
            bytes.push((held >> bits & 0xff) as u8);
        }
    }
    (bits < 5 && held & ((1 << bits) - 1) == 0).then_some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4648 section 10, without its padding.
    #[test]
    fn base32_as_in_its_standard() {
        for (plain, coded) in [
            ("", ""),
            ("f", "MY"),
            ("fo", "MZXQ"),
            ("foo", "MZXW6"),
            ("foob", "MZXW6YQ"),
            ("fooba", "MZXW6YTB"),
            ("foobar", "MZXW6YTBOI"),
        ] {
            assert_eq!(base32(plain.as_bytes()), coded);
            assert_eq!(unbase32(coded).as_deref(), Some(plain.as_bytes()));
        }
        for none in ["M", "MZ1", "mzxw6", "MZXW6YTBOJ", "MZ=", "ÄÄ"] {
            assert_eq!(unbase32(none), None, "{none}");
        }
    }

    #[test]
    fn a_series_comes_together_in_any_order_or_says_what_is_missing() {
        let bytes: Vec<u8> = (0..=255).collect();
        let mut codes = write(&bytes, 77).expect("a series");
        assert_eq!(codes.len(), 8);
        assert!(codes.iter().all(|code| code.len() <= 77));
        codes.reverse();
        codes.push(codes[3].clone());
        assert_eq!(read(&codes.join("\n")).expect("whole"), bytes);
        let cut = codes[..6].join("\n");
        assert!(read(&cut).expect_err("cut").detail.contains("missing of 8: 1, 2"));
        let other = write(b"other", 77).expect("a series");
        for (text, told) in [
            (format!("{}\n{}", codes.join("\n"), other[0]), "more than one series"),
            (format!("{}A\n{}", codes[3], codes[8]), "two ways"),
            (other[0].replacen("1/1", "1/0", 1), "not one of a series"),
            (other[0].replacen("1/1", "0/1", 1), "not one of a series"),
            (other[0].replacen("1/1", "1/61", 1), "not one of a series"),
            (other[0].replacen("1/1", "1/2", 1), "missing of 2: 2"),
            (format!("{}A", other[0]), "letters"),
            ("http://log.example.org/".into(), "not one of a series"),
            (String::new(), "no code"),
        ] {
            let fault = read(&text).expect_err(&text);
            assert!(fault.detail.contains(told), "{told}: {}", fault.detail);
        }
        assert_eq!(write(&[0; 4_000], 77).expect_err("too many").code, code::PAYLOAD_TOO_LARGE);
    }
}
