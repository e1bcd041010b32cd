//! The segments of a JPEG file (ITU-T T.81, annex B), without decoding any.
//!
//! Promises: every byte up to the end of the picture belongs to one segment; put together again they are the same file. What
//! is cut off or has no size is a fault.

use super::bad;
use crate::fault::Fault;

/// Start of a scan.
pub(super) const SOS: u8 = 0xda;
/// End of the picture.
pub(super) const EOI: u8 = 0xd9;

/// A segment.
#[derive(Debug, Clone, Copy)]
pub(super) struct Segment<'a> {
    /// Its marker, without the 0xff before it.
    pub marker: u8,
    /// All of it; of a scan with what is coded behind its head.
    pub whole: &'a [u8],
    /// What its length covers.
    pub payload: &'a [u8],
}

/// The segments from the start to the end of the picture, and what stands behind that.
pub(super) fn segments(bytes: &[u8]) -> Result<(Vec<Segment<'_>>, &[u8]), Fault> {
    let cut = || bad("the photo is cut off");
    let mut segments = vec![Segment { marker: 0xd8, whole: bytes.get(..2).ok_or_else(cut)?, payload: &[] }];
    let mut at = 2;
    loop {
        if bytes.get(at) != Some(&0xff) {
            return Err(if at < bytes.len() { bad("the photo has something between its parts") } else { cut() });
        }
        // Any number of 0xff may stand before a marker.
        let filled = bytes[at..].iter().take_while(|byte| **byte == 0xff).count();
        let marker = *bytes.get(at + filled).ok_or_else(cut)?;
        let begins = at + filled + 1;
        match marker {
            EOI => {
                segments.push(Segment { marker, whole: &bytes[at..begins], payload: &[] });
                return Ok((segments, &bytes[begins..]));
            }
            // Without a length: stuffing, restarts, a second start, and one nobody uses.
            0x00 | 0x01 | 0xd0..=0xd8 => return Err(bad("the photo has a part out of place")),
            _ => {}
        }
        let length = match bytes.get(begins..begins + 2) {
            Some(&[high, low]) => usize::from(u16::from_be_bytes([high, low])),
            _ => return Err(cut()),
        };
        if length < 2 {
            return Err(bad("a part of the photo has no length"));
        }
        let payload = bytes.get(begins + 2..begins + length).ok_or_else(cut)?;
        let mut ends = begins + length;
        if marker == SOS {
            ends = scan_end(bytes, ends).ok_or_else(cut)?;
        }
        segments.push(Segment { marker, whole: &bytes[at..ends], payload });
        at = ends;
    }
}

/// Where the next marker stands that is no restart within the scan.
fn scan_end(bytes: &[u8], from: usize) -> Option<usize> {
    let mut at = from;
    loop {
        at += bytes.get(at..)?.iter().position(|byte| *byte == 0xff)?;
        match bytes.get(at + 1)? {
            0x00 | 0xd0..=0xd7 => at += 2,
            0xff => at += 1,
            _ => return Some(at),
        }
    }
}

/// Width and height.
pub(super) fn size(segments: &[Segment<'_>]) -> Result<(u32, u32), Fault> {
    let is_frame = |marker: u8| matches!(marker, 0xc0..=0xcf) && !matches!(marker, 0xc4 | 0xc8 | 0xcc);
    let frame = segments.iter().find(|segment| is_frame(segment.marker));
    let size = match frame.map(|frame| frame.payload) {
        Some(&[_, h1, h2, w1, w2, ..]) => {
            (u32::from(u16::from_be_bytes([w1, w2])), u32::from(u16::from_be_bytes([h1, h2])))
        }
        _ => (0, 0),
    };
    let scanned = segments.iter().any(|segment| segment.marker == SOS);
    if size.0 == 0 || size.1 == 0 || !scanned { Err(bad("the photo has no size")) } else { Ok(size) }
}
