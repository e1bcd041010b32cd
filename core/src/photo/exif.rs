//! What stays of a photo's Exif data: which way up it is, and when it was taken.
//!
//! Promises: what is written holds these tags and nothing else, each of a form in which no place or name can hide; so no
//! position is left, wherever a maker put one. Data that cannot be read is left out whole.

use exif::{In, Tag, Value};

/// What stands before the data in a JPEG segment, and with some writers in a WebP chunk.
pub(super) const HEAD: &[u8] = b"Exif\0\0";

/// Offsets have six characters and times 19 (CIPA DC-008, 4.6.5); what is shorter says no time, and would stand inside its
/// entry, where [`written`] puts none.
const TEXT_BYTES: std::ops::RangeInclusive<usize> = 6..=19;

/// New Exif data with the tags of the old that may stay (CIPA DC-008, TIFF 6.0); none if there is none of them.
pub(super) fn kept(data: &[u8]) -> Option<Vec<u8>> {
    let data = data.strip_prefix(HEAD).unwrap_or(data);
    let (fields, _) = exif::parse_exif(data).ok()?;
    let field = |tag: Tag| fields.iter().find(|field| field.tag == tag && field.ifd_num == In::PRIMARY);
    let text = |tag: Tag| match &field(tag)?.value {
        Value::Ascii(texts) => texts.first().filter(|text| is_moment(text)).cloned(),
        _ => None,
    };
    let turned =
        field(Tag::Orientation).and_then(|field| field.value.get_uint(0)).filter(|turn| (1..=8).contains(turn));
    let changed = text(Tag::DateTime);
    let taken = [(0x9003_u16, text(Tag::DateTimeOriginal)), (0x9011, text(Tag::OffsetTimeOriginal))];
    let taken: Vec<(u16, Vec<u8>)> = taken.into_iter().filter_map(|(tag, text)| Some((tag, text?))).collect();
    if turned.is_none() && changed.is_none() && taken.is_empty() {
        return None;
    }
    Some(written(turned, changed, &taken))
}

/// Digits and what stands between them in a time.
fn is_moment(text: &[u8]) -> bool {
    TEXT_BYTES.contains(&text.len()) && text.iter().all(|byte| byte.is_ascii_digit() || b":+- Z".contains(byte))
}

/// One entry of a directory: tag, type, how many, and its value or where that stands.
fn entry(out: &mut Vec<u8>, tag: u16, kind: u16, count: usize, value: u32) {
    out.extend_from_slice(&tag.to_le_bytes());
    out.extend_from_slice(&kind.to_le_bytes());
    out.extend_from_slice(&number(count).to_le_bytes());
    out.extend_from_slice(&value.to_le_bytes());
}

fn number(count: usize) -> u32 {
    u32::try_from(count).unwrap_or(u32::MAX)
}

fn written(turned: Option<u32>, changed: Option<Vec<u8>>, taken: &[(u16, Vec<u8>)]) -> Vec<u8> {
    const ASCII: u16 = 2;
    const SHORT: u16 = 3;
    const LONG: u16 = 4;
    let directory = |entries: usize| 2 + 12 * entries + 4;
    let first = usize::from(turned.is_some()) + usize::from(changed.is_some()) + usize::from(!taken.is_empty());
    let second_at = 8 + directory(first);
    let mut texts_at = second_at + if taken.is_empty() { 0 } else { directory(taken.len()) };
    let mut texts: Vec<u8> = Vec::new();
    let mut out = b"II*\0\x08\0\0\0".to_vec();
    // Each text stands behind the directories, with its zero: none of ours is short enough to stand in its entry.
    let mut text = |out: &mut Vec<u8>, tag: u16, text: &[u8]| {
        entry(out, tag, ASCII, text.len() + 1, number(texts_at));
        texts.extend_from_slice(text);
        texts.push(0);
        texts_at += text.len() + 1;
    };
    out.extend_from_slice(&u16::try_from(first).unwrap_or(0).to_le_bytes());
    if let Some(turned) = turned {
        entry(&mut out, 0x0112, SHORT, 1, turned);
    }
    if let Some(changed) = changed {
        text(&mut out, 0x0132, &changed);
    }
    if !taken.is_empty() {
        entry(&mut out, 0x8769, LONG, 1, number(second_at));
    }
    out.extend_from_slice(&[0; 4]);
    if !taken.is_empty() {
        out.extend_from_slice(&u16::try_from(taken.len()).unwrap_or(0).to_le_bytes());
        for (tag, value) in taken {
            text(&mut out, *tag, value);
        }
        out.extend_from_slice(&[0; 4]);
    }
    out.extend_from_slice(&texts);
    out
}
