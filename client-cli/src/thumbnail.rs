//! Thumbnails: a small picture of each photo, made where it was taken, for whoever looks with one bar of signal.
//!
//! Promises: a JPEG of at most [`SIDE_MAX`] points a side and `THUMBNAIL_BYTES_MAX` bytes, upright as the camera says, with
//! nothing beside the picture. The same photo gives the same bytes.
//!
//! Never a reason to refuse a photo: of what cannot be decoded there is none.

use image::codecs::jpeg::JpegEncoder;
use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder as _, ImageFormat, ImageReader, Limits, Rgb, RgbImage};
use pintle_core::limits::{PHOTO_PIXELS_MAX, PHOTO_SIDE_MAX, THUMBNAIL_BYTES_MAX};
use pintle_core::photo::Media;
use std::io::Cursor;

/// Most points a side: enough to tell a crack from a scratch on a phone.
pub const SIDE_MAX: u32 = 320;
/// Most memory that decoding may take, in bytes: the largest photo, and half of it again.
const DECODING_BYTES_MAX: u64 = 320 * 1024 * 1024;
/// How good they are, of 100, each tried if the one before is too large.
const QUALITIES: [u8; 3] = [70, 45, 20];

/// The thumbnail of a photo; none of a document, of what is small already, and of what cannot be decoded.
#[must_use]
pub fn of(bytes: &[u8], media: Media) -> Option<Vec<u8>> {
    if bytes.len() as u64 <= THUMBNAIL_BYTES_MAX { None } else { drawn(bytes, media) }
}

/// The same of a photo of any length.
#[must_use]
pub fn drawn(bytes: &[u8], media: Media) -> Option<Vec<u8>> {
    let (picture, orientation) = decoded(bytes, media)?;
    let (width, height) = (picture.width(), picture.height());
    let mut small = if width.max(height) > SIDE_MAX { picture.thumbnail(SIDE_MAX, SIDE_MAX) } else { picture };
    // Turned once it is small: that of a whole photo takes longer than all the rest.
    small.apply_orientation(orientation);
    let small = on_white(&small);
    QUALITIES.into_iter().find_map(|quality| {
        let mut jpeg = Vec::new();
        small.write_with_encoder(JpegEncoder::new_with_quality(&mut jpeg, quality)).ok()?;
        Some(jpeg).filter(|jpeg| jpeg.len() as u64 <= THUMBNAIL_BYTES_MAX)
    })
}

/// The picture as it lies, and how it has to be turned.
fn decoded(bytes: &[u8], media: Media) -> Option<(DynamicImage, Orientation)> {
    let format = match media {
        Media::Jpeg => ImageFormat::Jpeg,
        Media::Png => ImageFormat::Png,
        Media::Webp => ImageFormat::WebP,
        Media::Pdf => return None,
    };
    let mut limits = Limits::default();
    (limits.max_image_width, limits.max_image_height) = (Some(PHOTO_SIDE_MAX), Some(PHOTO_SIDE_MAX));
    limits.max_alloc = Some(DECODING_BYTES_MAX);
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().ok()?;
    let (width, height) = decoder.dimensions();
    if u64::from(width) * u64::from(height) > PHOTO_PIXELS_MAX {
        return None;
    }
    let orientation = decoder.orientation().ok()?;
    Some((DynamicImage::from_decoder(decoder).ok()?, orientation))
}

/// Without what shines through: a JPEG knows no transparency, and paper is white.
fn on_white(picture: &DynamicImage) -> RgbImage {
    let from = picture.to_rgba8();
    RgbImage::from_fn(from.width(), from.height(), |x, y| {
        let [r, g, b, alpha] = from.get_pixel(x, y).0.map(u32::from);
        let over = |c: u32| u8::try_from((c * alpha + 255 * (255 - alpha)) / 255).unwrap_or(u8::MAX);
        Rgb([over(r), over(g), over(b)])
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A picture with enough grain that it is not small already.
    fn photo(format: ImageFormat) -> Vec<u8> {
        let mut grain = 7_u32;
        let picture = RgbImage::from_fn(900, 600, |x, y| {
            grain = grain.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = u8::try_from(grain >> 24).unwrap_or(0);
            Rgb([u8::try_from(x / 4).unwrap_or(0), u8::try_from(y / 3).unwrap_or(0), noise])
        });
        let mut bytes = Cursor::new(Vec::new());
        picture.write_to(&mut bytes, format).expect("it is written");
        bytes.into_inner()
    }

    #[test]
    fn a_photo_has_a_small_one_and_the_same_each_time() {
        for (format, media) in
            [(ImageFormat::Jpeg, Media::Jpeg), (ImageFormat::Png, Media::Png), (ImageFormat::WebP, Media::Webp)]
        {
            let bytes = photo(format);
            let small = of(&bytes, media).expect("a thumbnail");
            assert!(small.len() as u64 <= THUMBNAIL_BYTES_MAX);
            let picture = image::load_from_memory_with_format(&small, ImageFormat::Jpeg).expect("a JPEG");
            assert_eq!((picture.width(), picture.height()), (320, 213), "{media:?}");
            assert_eq!(of(&bytes, media), Some(small));
        }
    }

    #[test]
    fn what_is_small_damaged_or_no_photo_has_none() {
        let bytes = photo(ImageFormat::Png);
        assert_eq!(of(&bytes[..bytes.len() / 2], Media::Png), None, "cut");
        assert_eq!(of(&bytes, Media::Jpeg), None, "another form");
        assert_eq!(of(&vec![b'%'; 100_000], Media::Pdf), None);
        assert_eq!(of(&photo(ImageFormat::Jpeg)[..1000], Media::Jpeg), None, "small");
    }

    #[test]
    fn what_shines_through_is_white() {
        let glass = DynamicImage::ImageRgba8(image::RgbaImage::from_pixel(2, 2, image::Rgba([0, 0, 0, 0])));
        assert_eq!(on_white(&glass).get_pixel(1, 1).0, [255; 3]);
        let half = DynamicImage::ImageRgba8(image::RgbaImage::from_pixel(2, 2, image::Rgba([10, 20, 30, 128])));
        assert_eq!(on_white(&half).get_pixel(0, 0).0, [132, 137, 142]);
    }
}
