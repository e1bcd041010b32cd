//! The chunks of a WebP file (RFC 9649), without decoding any.
//!
//! Promises: every byte up to the end of the picture belongs to one chunk. What is cut off or has no size is a fault.

use super::bad;
use crate::fault::Fault;

/// In the first byte of `VP8X`: there is an Exif chunk.
pub(super) const FLAG_EXIF: u8 = 0x08;
/// In the first byte of `VP8X`: there is an XMP chunk.
pub(super) const FLAG_XMP: u8 = 0x04;

/// A chunk.
#[derive(Debug, Clone, Copy)]
pub(super) struct Chunk<'a> {
    /// What it is.
    pub kind: &'a [u8],
    /// What it holds.
    pub data: &'a [u8],
}

/// The chunks, and what stands behind the end that the head tells.
pub(super) fn chunks(bytes: &[u8]) -> Result<(Vec<Chunk<'_>>, &[u8]), Fault> {
    let cut = || bad("the picture is cut off");
    let length = |four: &[u8]| match *four {
        [a, b, c, d] => usize::try_from(u32::from_le_bytes([a, b, c, d])).map_err(|_| cut()),
        _ => Err(cut()),
    };
    let ends = length(bytes.get(4..8).ok_or_else(cut)?)?.checked_add(8).ok_or_else(cut)?;
    let mut rest = bytes.get(12..ends).ok_or_else(cut)?;
    let mut chunks = Vec::new();
    while !rest.is_empty() {
        let (kind, size) = (rest.get(..4).ok_or_else(cut)?, length(rest.get(4..8).ok_or_else(cut)?)?);
        let data = rest.get(8..).and_then(|rest| rest.get(..size)).ok_or_else(cut)?;
        chunks.push(Chunk { kind, data });
        // A chunk of odd length is followed by one byte that does not count; some writers leave out the last.
        rest = rest.get(8 + size + size % 2..).unwrap_or_default();
    }
    Ok((chunks, &bytes[ends..]))
}

/// Width and height: of the canvas, else of the one picture.
pub(super) fn size(chunks: &[Chunk<'_>]) -> Result<(u32, u32), Fault> {
    let drawn = chunks.iter().any(|chunk| matches!(chunk.kind, b"VP8 " | b"VP8L"));
    let size = chunks.iter().find_map(|chunk| match (chunk.kind, chunk.data) {
        (b"VP8X", &[_, _, _, _, a, b, c, d, e, f, ..]) => {
            Some((1 + u32::from_le_bytes([a, b, c, 0]), 1 + u32::from_le_bytes([d, e, f, 0])))
        }
        (b"VP8L", &[0x2f, a, b, c, d, ..]) => {
            let bits = u32::from_le_bytes([a, b, c, d]);
            Some((1 + (bits & 0x3fff), 1 + ((bits >> 14) & 0x3fff)))
        }
        (b"VP8 ", &[_, _, _, 0x9d, 0x01, 0x2a, a, b, c, d, ..]) => {
            let side = |low, high| u32::from(u16::from_le_bytes([low, high]) & 0x3fff);
            Some((side(a, b), side(c, d)))
        }
        _ => None,
    });
    size.filter(|size| drawn && size.0 > 0 && size.1 > 0).ok_or_else(|| bad("the picture has no size"))
}

/// A file of chunks.
pub(super) fn file<'a>(chunks: impl IntoIterator<Item = (&'a [u8], Vec<u8>)>) -> Vec<u8> {
    let mut out = b"RIFF\0\0\0\0WEBP".to_vec();
    for (kind, data) in chunks {
        out.extend_from_slice(kind);
        out.extend_from_slice(&u32::try_from(data.len()).unwrap_or(u32::MAX).to_le_bytes());
        out.extend_from_slice(&data);
        if data.len() % 2 == 1 {
            out.push(0);
        }
    }
    let length = u32::try_from(out.len() - 8).unwrap_or(u32::MAX).to_le_bytes();
    out[4..8].copy_from_slice(&length);
    out
}
