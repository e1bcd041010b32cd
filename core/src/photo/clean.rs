//! A file as it is kept: without the position, and without what nobody sees.
//!
//! Promises: the picture's own data stay byte for byte; what stays beside them is a list of what is known to be needed
//! (colours, which way up, when it was taken), so that a place hides in nothing that this version does not know. What is cleaned
//! once and again is the same. A document is kept as it is.
//!
//! Never: decodes or encodes a picture.

use super::look::{Look, Media, look};
use super::{exif, jpeg, png, webp};
use crate::fault::Fault;

/// Whether the position stays, where a photo holds one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Position {
    /// It goes.
    Removed,
    /// The Exif data stay as they are, because the person asked for it.
    Kept,
}

/// The bytes to keep of a file, and what they are.
///
/// # Errors
/// As [`look`], but for what stands behind the end of a picture: that goes.
pub fn cleaned(bytes: &[u8], position: Position) -> Result<(Vec<u8>, Look), Fault> {
    let clean = match Media::begun(bytes) {
        Some(Media::Jpeg) => jpeg_cleaned(bytes, position)?,
        Some(Media::Png) => png_cleaned(bytes, position)?,
        Some(Media::Webp) => webp_cleaned(bytes, position)?,
        Some(Media::Pdf) | None => bytes.to_vec(),
    };
    let look = look(&clean)?;
    Ok((clean, look))
}

/// The Exif data that stay.
fn exif_of(data: &[u8], position: Position) -> Option<Vec<u8>> {
    match position {
        Position::Kept => Some(data.strip_prefix(exif::HEAD).unwrap_or(data).to_vec()),
        Position::Removed => exif::kept(data),
    }
}

fn jpeg_cleaned(bytes: &[u8], position: Position) -> Result<Vec<u8>, Fault> {
    let (segments, _) = jpeg::segments(bytes)?;
    let mut out = Vec::with_capacity(bytes.len());
    let mut exif_seen = false;
    for segment in segments {
        match segment.marker {
            0xe0 if segment.payload.starts_with(b"JFIF\0") => {
                // Behind the first 14 bytes stands a small picture of its own.
                let plain = segment.payload.get(..14).filter(|_| segment.payload.len() > 14);
                match plain {
                    Some([head @ .., _, _]) => jpeg_segment(&mut out, 0xe0, &[head, &[0, 0]].concat()),
                    _ => out.extend_from_slice(segment.whole),
                }
            }
            0xe1 if segment.payload.starts_with(exif::HEAD) && !exif_seen => {
                exif_seen = true;
                if let Some(data) = exif_of(segment.payload, position) {
                    jpeg_segment(&mut out, 0xe1, &[exif::HEAD, &data].concat());
                }
            }
            // Colours.
            0xe2 if segment.payload.starts_with(b"ICC_PROFILE\0") => out.extend_from_slice(segment.whole),
            0xee if segment.payload.starts_with(b"Adobe") => out.extend_from_slice(segment.whole),
            // Other data of programs, and comments.
            0xe0..=0xef | 0xfe => {}
            _ => out.extend_from_slice(segment.whole),
        }
    }
    Ok(out)
}

fn jpeg_segment(out: &mut Vec<u8>, marker: u8, payload: &[u8]) {
    // What was a segment's payload, or less, fits one again.
    let length = u16::try_from(payload.len() + 2).unwrap_or(u16::MAX).to_be_bytes();
    out.extend_from_slice(&[0xff, marker]);
    out.extend_from_slice(&length);
    out.extend_from_slice(payload);
}

/// Chunks of a PNG file that say how its points look; all else beside them is text, time and programs' own.
const PNG_KEPT: [&[u8]; 14] = [
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"iCCP", b"sBIT", b"bKGD", b"pHYs",
    b"cICP", b"mDCV",
];

fn png_cleaned(bytes: &[u8], position: Position) -> Result<Vec<u8>, Fault> {
    let (chunks, _) = png::chunks(bytes)?;
    let mut out = png::SIGNATURE.to_vec();
    for chunk in chunks {
        if PNG_KEPT.contains(&chunk.kind) {
            out.extend_from_slice(chunk.whole);
        } else if chunk.kind == b"eXIf"
            && let Some(data) = exif_of(chunk.data, position)
        {
            out.extend_from_slice(&png::chunk(*b"eXIf", &data));
        }
    }
    Ok(out)
}

fn webp_cleaned(bytes: &[u8], position: Position) -> Result<Vec<u8>, Fault> {
    let (chunks, _) = webp::chunks(bytes)?;
    let mut out: Vec<(&[u8], Vec<u8>)> = Vec::new();
    let mut with_exif = false;
    for chunk in chunks {
        match chunk.kind {
            // A moving picture is refused as one.
            b"VP8X" | b"VP8 " | b"VP8L" | b"ALPH" | b"ANIM" | b"ANMF" | b"ICCP" => {
                out.push((chunk.kind, chunk.data.to_vec()));
            }
            b"EXIF" => {
                if let Some(data) = exif_of(chunk.data, position) {
                    with_exif = true;
                    out.push((chunk.kind, data));
                }
            }
            _ => {}
        }
    }
    if let Some(flags) = out.iter_mut().find(|(kind, _)| *kind == b"VP8X").and_then(|(_, data)| data.first_mut()) {
        *flags &= !(webp::FLAG_XMP | webp::FLAG_EXIF);
        *flags |= if with_exif { webp::FLAG_EXIF } else { 0 };
    }
    Ok(webp::file(out))
}
