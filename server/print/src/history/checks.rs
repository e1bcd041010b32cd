//! Whose word the paper is, and how to check it.
//!
//! Promises: the verdict in its own words, each failure with its place, before anything else. At the end the SHA-256 of the
//! file inside, also as a QR code (ISO/IEC 18004), the keys it names, who else vouches for it, and what no file proves.
//!
//! Never a key to check with: one that comes with the file proves nothing.

use super::{block, faint, plain, strong, when_utc};
use pintle_core::history::record::Record;
use pintle_core::history::verdict::{NOT_PROVED, Standing};
use qrcode::{Color, EcLevel, QrCode};
use serde_json::{Value, json};

/// The box above everything.
pub(super) fn verdict(record: &Record) -> Value {
    let verdict = &record.verdict;
    let told = match verdict.standing {
        Standing::Valid => "nothing altered, nothing left out, signed by the newest of the keys named at the end",
        Standing::CannotJudge if verdict.failures.is_empty() => "internally consistent, signer unknown",
        Standing::CannotJudge => "of a version that the program does not know",
        Standing::Incomplete => "what is here was not altered, but something is missing",
        Standing::Invalid => "something was altered, or is not signed by whom it should be",
    };
    let mut failures: Vec<Value> = verdict.failures.iter().map(|failure| strong(failure.to_string())).collect();
    if verdict.failures_more > 0 {
        failures.push(strong(format!("and {} more", verdict.failures_more)));
    }
    json!({
        "word": verdict.standing.word().to_uppercase(),
        "told": told,
        "good": verdict.standing == Standing::Valid,
        "failures": failures,
    })
}

/// The last page.
pub(super) fn checks(record: &Record, digest: &str) -> Value {
    let keys: Vec<Value> =
        record.keys.iter().map(|(epoch, key)| json!([epoch.to_string(), grouped(&key.to_string(), 4)])).collect();
    json!({
        "digest": grouped(digest, 8),
        "qr": qr(digest),
        "keys": keys,
        "signed": signed(record),
        "vouched": vouched(record),
        "not_proved": NOT_PROVED.iter().map(|what| plain(*what)).collect::<Vec<_>>(),
    })
}

fn signed(record: &Record) -> Value {
    let about = &record.verdict.about;
    match (&about.signer, about.checkpoint_ms) {
        (Some(_), Some(made_ms)) => plain(format!(
            "The checkpoint of {}, by the server's clock, is signed by the newest of them; nothing after it is in the file.",
            when_utc(made_ms)
        )),
        _ => strong("No checkpoint in the file is signed by the newest of them."),
    }
}

/// Who beside the server says that the record was there, and by when; one line for each witness, and one for each
/// authority whose time stamps the file has. These are not judged here: the paper trusts nobody for its reader.
fn vouched(record: &Record) -> Vec<Value> {
    let about = &record.verdict.about;
    let (witnesses, stamps) = (&about.witnesses, about.stamps.series());
    if witnesses.is_empty() && stamps.is_empty() {
        return vec![strong(
            "Nobody beside the server has signed the checkpoint: by when the record was there is the server's word.",
        )];
    }
    let stamped = stamps.into_iter().map(|(last, made)| {
        plain(format!(
            "{made} {} said to be of {}\u{200E}, that the first {} {} existed by {}: judged by pintle verify --authority, with \
             the certificate that this authority publishes.",
            if made == 1 { "time stamp" } else { "time stamps" },
            last.authority,
            last.count,
            if last.count == 1 { "entry" } else { "entries" },
            when_utc(last.at_s.saturating_mul(1000))
        ))
    });
    let time_ms = |time_s: u64| i64::try_from(time_s).unwrap_or(i64::MAX).saturating_mul(1000);
    witnesses
        .iter()
        .map(|by| {
            plain(format!(
                "Said to be co-signed by {}\u{200E}, as of {}: judged by pintle verify --witness, with the key that this \
                 witness publishes.",
                by.signer.name,
                when_utc(time_ms(by.time_s))
            ))
        })
        .chain(stamped)
        .collect()
}

/// In groups, with spaces between them.
fn grouped(text: &str, size: usize) -> String {
    let characters: Vec<char> = text.chars().collect();
    characters.chunks(size).map(|group| group.iter().collect::<String>()).collect::<Vec<_>>().join(" ")
}

/// Dark modules as runs `[column, row, length]`. A digest always fits; without one the layout leaves the place empty.
fn qr(text: &str) -> Value {
    let Ok(code) = QrCode::with_error_correction_level(text, EcLevel::M) else { return Value::Null };
    let (width, colors) = (code.width(), code.to_colors());
    let mut runs: Vec<[usize; 3]> = Vec::new();
    for (row, line) in colors.chunks(width).enumerate() {
        for (column, _) in line.iter().enumerate().filter(|(_, color)| **color == Color::Dark) {
            match runs.last_mut() {
                Some([from, at, length]) if *at == row && *from + *length == column => *length += 1,
                _ => runs.push([column, row, 1]),
            }
        }
    }
    json!({"width": width, "runs": runs})
}

/// A note that stands where a list was cut.
pub(super) fn cut(shown: usize, all: usize, what: &str) -> Option<Value> {
    (shown < all)
        .then(|| block("strong", format!("{} {what} more are in the file inside and not printed here.", all - shown)))
}

/// What stands where there is nothing.
pub(super) fn nothing(text: &str) -> Value {
    faint(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reader_of_codes_reads_the_digest() {
        let digest = "0123456789abcdef".repeat(4);
        let code = qr(&digest);
        let width = usize::try_from(code["width"].as_u64().expect("a width")).expect("small");
        let runs: Vec<[usize; 3]> = serde_json::from_value(code["runs"].clone()).expect("runs");
        let dark =
            |x: usize, y: usize| runs.iter().any(|[from, row, len]| *row == y && (*from..from + len).contains(&x));
        // Four light modules around it, each of 4 by 4 pixels.
        const PIXELS: usize = 4;
        let side = (width + 8) * PIXELS;
        let mut seen = rqrr::PreparedImage::prepare_from_bitmap(side, side, |x, y| {
            let module = |at: usize| (at / PIXELS).checked_sub(4).filter(|at| *at < width);
            matches!((module(x), module(y)), (Some(x), Some(y)) if dark(x, y))
        });
        let grids = seen.detect_grids();
        assert_eq!(grids.len(), 1);
        assert_eq!(grids[0].decode().expect("it is read").1, digest);
    }
}
