//! The chunks of a PNG file (W3C PNG, third edition, section 5), without decoding any.
//!
//! Promises: every byte up to the end of the picture belongs to one chunk; put together again they are the same file. What is
//! cut off or has no size is a fault.

use super::bad;
use crate::fault::Fault;

/// What a file begins with.
pub(super) const SIGNATURE: [u8; 8] = [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n'];

/// A chunk.
#[derive(Debug, Clone, Copy)]
pub(super) struct Chunk<'a> {
    /// What it is.
    pub kind: &'a [u8],
    /// All of it.
    pub whole: &'a [u8],
    /// What it holds.
    pub data: &'a [u8],
}

/// The chunks to the end of the picture, and what stands behind that.
pub(super) fn chunks(bytes: &[u8]) -> Result<(Vec<Chunk<'_>>, &[u8]), Fault> {
    let cut = || bad("the picture is cut off");
    let mut rest = bytes.strip_prefix(&SIGNATURE).ok_or_else(cut)?;
    let mut chunks = Vec::new();
    loop {
        let &[a, b, c, d, ..] = rest else { return Err(cut()) };
        let length = usize::try_from(u32::from_be_bytes([a, b, c, d])).map_err(|_| cut())?;
        let ends = length.checked_add(12).ok_or_else(cut)?;
        let whole = rest.get(..ends).ok_or_else(cut)?;
        let (kind, data) = (&whole[4..8], &whole[8..8 + length]);
        chunks.push(Chunk { kind, whole, data });
        rest = &rest[ends..];
        if kind == b"IEND" {
            return Ok((chunks, rest));
        }
    }
}

/// Width and height.
pub(super) fn size(chunks: &[Chunk<'_>]) -> Result<(u32, u32), Fault> {
    let size = match chunks.first() {
        Some(&Chunk { kind: b"IHDR", data: &[a, b, c, d, e, f, g, h, _, _, _, _, _], .. }) => {
            (u32::from_be_bytes([a, b, c, d]), u32::from_be_bytes([e, f, g, h]))
        }
        _ => (0, 0),
    };
    let drawn = chunks.iter().any(|chunk| chunk.kind == b"IDAT");
    if size.0 == 0 || size.1 == 0 || !drawn { Err(bad("the picture has no size")) } else { Ok(size) }
}

/// A chunk of its own: length, kind, data, and the cyclic redundancy check over the two (annex D).
pub(super) fn chunk(kind: [u8; 4], data: &[u8]) -> Vec<u8> {
    let mut out = u32::try_from(data.len()).unwrap_or(u32::MAX).to_be_bytes().to_vec();
    out.extend_from_slice(&kind);
    out.extend_from_slice(data);
    let mut register = u32::MAX;
    for byte in &out[4..] {
        register ^= u32::from(*byte);
        for _ in 0..8 {
            register = if register & 1 == 1 { 0xedb8_8320 ^ (register >> 1) } else { register >> 1 };
        }
    }
    out.extend_from_slice(&(!register).to_be_bytes());
    out
}
