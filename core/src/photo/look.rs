//! What a file is, told from its bytes alone.
//!
//! Promises: a media type is told by how the bytes begin and how they are built to their very end, never by a name. A picture
//! has a size within [`PHOTO_SIDE_MAX`] and [`PHOTO_PIXELS_MAX`], read from its head without decoding it. Whatever stands
//! behind the end of a picture is a fault: a file that is two things at once is neither.

use super::{bad, jpeg, png, webp};
use crate::fault::{Fault, code};
use crate::limits::{FILE_BYTES_MAX, PHOTO_PIXELS_MAX, PHOTO_SIDE_MAX};

/// What a file may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Media {
    /// A photo as cameras make them.
    Jpeg,
    /// A picture of a screen.
    Png,
    /// A photo as some programs make them.
    Webp,
    /// A document.
    Pdf,
}

impl Media {
    /// All of them.
    pub const ALL: [Media; 4] = [Media::Jpeg, Media::Png, Media::Webp, Media::Pdf];

    /// Its name (IANA media types).
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Media::Jpeg => "image/jpeg",
            Media::Png => "image/png",
            Media::Webp => "image/webp",
            Media::Pdf => "application/pdf",
        }
    }

    /// How the name of such a file ends.
    #[must_use]
    pub fn ending(self) -> &'static str {
        match self {
            Media::Jpeg => "jpg",
            Media::Png => "png",
            Media::Webp => "webp",
            Media::Pdf => "pdf",
        }
    }

    /// The one of this name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|media| media.as_str() == name)
    }

    /// The one that bytes begin like.
    #[must_use]
    pub fn begun(bytes: &[u8]) -> Option<Self> {
        match bytes {
            [0xff, 0xd8, 0xff, ..] => Some(Media::Jpeg),
            [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n', ..] => Some(Media::Png),
            [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Some(Media::Webp),
            [b'%', b'P', b'D', b'F', b'-', ..] => Some(Media::Pdf),
            _ => None,
        }
    }
}

/// What a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Its media type.
    pub media: Media,
    /// Width and height of a picture.
    pub size: Option<(u32, u32)>,
}

/// How far before its end a document must say that it ends, in bytes: readers of PDF look as far.
const PDF_END_WITHIN: usize = 1024;

/// Looks at a file from its beginning to its end.
///
/// # Errors
/// `bad-file`, `out-of-range`.
pub fn look(bytes: &[u8]) -> Result<Look, Fault> {
    if bytes.len() as u64 > FILE_BYTES_MAX {
        return Err(Fault::new(code::OUT_OF_RANGE, "", format!("a file has at most {FILE_BYTES_MAX} bytes")));
    }
    let media =
        Media::begun(bytes).ok_or_else(|| bad("this is none of the files that can be kept: JPEG, PNG, WebP, PDF"))?;
    let (size, behind) = match media {
        Media::Jpeg => {
            let (segments, behind) = jpeg::segments(bytes)?;
            (Some(jpeg::size(&segments)?), behind)
        }
        Media::Png => {
            let (chunks, behind) = png::chunks(bytes)?;
            (Some(png::size(&chunks)?), behind)
        }
        Media::Webp => {
            let (chunks, behind) = webp::chunks(bytes)?;
            if chunks.iter().any(|chunk| matches!(chunk.kind, b"ANIM" | b"ANMF")) {
                return Err(bad("a moving picture cannot be kept"));
            }
            (Some(webp::size(&chunks)?), behind)
        }
        Media::Pdf => {
            let tail = &bytes[bytes.len().saturating_sub(PDF_END_WITHIN)..];
            if !tail.windows(5).any(|mark| mark == b"%%EOF") {
                return Err(bad("the document has no end: it is cut off"));
            }
            (None, &bytes[bytes.len()..])
        }
    };
    if !behind.is_empty() {
        return Err(bad(format!("{} bytes stand behind the end of the picture", behind.len())));
    }
    if let Some((width, height)) = size {
        let too_large = width > PHOTO_SIDE_MAX
            || height > PHOTO_SIDE_MAX
            || u64::from(width) * u64::from(height) > PHOTO_PIXELS_MAX;
        if too_large {
            let detail = format!(
                "the picture has {width} × {height} points; at most {PHOTO_SIDE_MAX} a side and {PHOTO_PIXELS_MAX} in all"
            );
            return Err(Fault::new(code::OUT_OF_RANGE, "", detail));
        }
    }
    Ok(Look { media, size })
}
