//! Photos that a library outside of this project made (Pillow 13, by `tests/outside/check_photo.py --write`), cleaned and cut.
//!
//! What Pillow itself says of them once they are cleaned is that script's: it compares every point of the picture.

use pintle_core::fault::code;
use pintle_core::limits::{FILE_BYTES_MAX, PHOTO_SIDE_MAX};
use pintle_core::photo::{Look, Media, Position, cleaned, look};
use proptest::prelude::*;

const PHOTOS: [(&str, &[u8], Media); 9] = [
    ("plain.jpg", include_bytes!("../photos/plain.jpg"), Media::Jpeg),
    ("progressive.jpg", include_bytes!("../photos/progressive.jpg"), Media::Jpeg),
    ("restarts.jpg", include_bytes!("../photos/restarts.jpg"), Media::Jpeg),
    ("tail.jpg", include_bytes!("../photos/tail.jpg"), Media::Jpeg),
    ("printer.jpg", include_bytes!("../photos/printer.jpg"), Media::Jpeg),
    ("screen.png", include_bytes!("../photos/screen.png"), Media::Png),
    ("lossy.webp", include_bytes!("../photos/lossy.webp"), Media::Webp),
    ("lossless.webp", include_bytes!("../photos/lossless.webp"), Media::Webp),
    ("simple.webp", include_bytes!("../photos/simple.webp"), Media::Webp),
];

fn photo(name: &str) -> &'static [u8] {
    PHOTOS.iter().find(|(known, ..)| *known == name).expect("a photo").1
}

fn holds(bytes: &[u8], what: &[u8]) -> bool {
    bytes.windows(what.len()).any(|window| window == what)
}

#[test]
fn each_is_what_it_is_and_its_size_is_read_from_its_head() {
    for (name, bytes, media) in PHOTOS {
        let expected = Look { media, size: Some((96, 64)) };
        match name {
            "tail.jpg" => assert_eq!(look(bytes).expect_err(name).code, code::BAD_FILE),
            _ => assert_eq!(look(bytes), Ok(expected), "{name}"),
        }
        let (clean, looked) = cleaned(bytes, Position::Removed).expect(name);
        assert_eq!((look(&clean), looked), (Ok(expected), expected), "{name}");
        assert_eq!(cleaned(&clean, Position::Removed).expect(name).0, clean, "{name}: once more is the same");
    }
}

#[test]
fn the_position_goes_unless_it_is_asked_for() {
    for (name, bytes, _) in PHOTOS.into_iter().filter(|(name, ..)| *name != "simple.webp") {
        let gps = |bytes: &[u8]| holds(bytes, b"5678:05:04");
        assert!(gps(bytes) && holds(bytes, b"SECRET"), "{name}: there is something to remove");
        let clean = cleaned(bytes, Position::Removed).expect(name).0;
        assert!(!gps(&clean) && !holds(&clean, b"SECRET"), "{name}");
        // When it was taken is left, beside the seconds of its zone.
        assert!(holds(&clean, b"2026:05:04 07:12:33\0") && holds(&clean, b"+02:00\0"), "{name}");
        let kept = cleaned(bytes, Position::Kept).expect(name).0;
        assert!(gps(&kept) && !holds(&kept, b"SECRET-XMP") && !holds(&kept, b"SECRET-TAIL"), "{name}");
    }
}

/// Another reader of Exif data finds what is left and no more.
#[test]
fn what_is_left_reads_back() {
    for name in ["plain.jpg", "screen.png", "lossless.webp"] {
        let clean = cleaned(photo(name), Position::Removed).expect(name).0;
        let mut fields: Vec<String> = exif::Reader::new()
            .read_from_container(&mut std::io::Cursor::new(&clean))
            .expect(name)
            .fields()
            .map(|field| format!("{} {}", field.tag, field.display_value()))
            .collect();
        fields.sort();
        let left = [
            "DateTime 2026-05-04 07:12:33",
            "DateTimeOriginal 2026-05-04 07:12:33",
            "OffsetTimeOriginal \"+02:00\"",
            "Orientation row 0 at right and column 0 at top",
        ];
        assert_eq!(fields, left, "{name}");
    }
}

#[test]
fn what_is_something_else_is_refused() {
    let svg = b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>".as_slice();
    for other in [svg, b"", b"\xff", b"\xff\xd8", b"GIF89a....", b"MZ\x90\0", b"PK\x03\x04", b"<html>", b"BM"] {
        assert_eq!(look(other).expect_err("another form").code, code::BAD_FILE, "{other:?}");
    }
    // Two things at once: a page, a program or an archive behind a picture.
    for (name, bytes, _) in PHOTOS {
        let both = [bytes, b"<script>alert(1)</script>"].concat();
        assert_eq!(look(&both).expect_err(name).code, code::BAD_FILE, "{name}");
    }
    assert_eq!(look(b"%PDF-1.7\n1 0 obj").expect_err("cut").code, code::BAD_FILE);
    assert_eq!(look(b"%PDF-1.7\n%%EOF\n"), Ok(Look { media: Media::Pdf, size: None }));
    let long = vec![b'%'; usize::try_from(FILE_BYTES_MAX).expect("a length") + 1];
    assert_eq!(look(&long).expect_err("too long").code, code::OUT_OF_RANGE);
}

#[test]
fn a_picture_that_claims_to_be_huge_is_refused_by_its_head() {
    let mut jpeg = cleaned(photo("plain.jpg"), Position::Removed).expect("a photo").0;
    let frame = jpeg.windows(2).position(|pair| pair == [0xff, 0xc0]).expect("a frame");
    for (height, width, fine) in
        [(64_u16, 96_u16, true), (60_000, 60_000, false), (1, 60_000, false), (7_072, 7_072, false)]
    {
        jpeg[frame + 5..frame + 7].copy_from_slice(&height.to_be_bytes());
        jpeg[frame + 7..frame + 9].copy_from_slice(&width.to_be_bytes());
        assert_eq!(
            look(&jpeg).map(|_| ()).map_err(|fault| fault.code),
            if fine { Ok(()) } else { Err(code::OUT_OF_RANGE.into()) }
        );
    }
    let mut png = photo("screen.png").to_vec();
    png[16..20].copy_from_slice(&(PHOTO_SIDE_MAX + 1).to_be_bytes());
    assert_eq!(look(&png).expect_err("too wide").code, code::OUT_OF_RANGE);
    png[16..20].copy_from_slice(&0_u32.to_be_bytes());
    assert_eq!(look(&png).expect_err("no width").code, code::BAD_FILE);
}

#[test]
fn cut_anywhere_it_is_refused() {
    for (name, bytes, _) in PHOTOS {
        let clean = cleaned(bytes, Position::Removed).expect(name).0;
        for end in 0..clean.len() {
            assert_eq!(look(&clean[..end]).expect_err(name).code, code::BAD_FILE, "{name} cut after {end}");
        }
    }
}

/// A moving picture holds frames in which anything may stand.
#[test]
fn a_moving_picture_is_refused() {
    let mut moving = photo("lossless.webp").to_vec();
    let at = moving.windows(4).position(|kind| kind == b"VP8L").expect("a picture");
    moving[at..at + 4].copy_from_slice(b"ANMF");
    assert_eq!(cleaned(&moving, Position::Removed).expect_err("moving").code, code::BAD_FILE);
}

/// A time of no characters is none: written out, it would not be found again.
#[test]
fn a_time_without_a_character_goes() {
    let mut png = photo("screen.png").to_vec();
    // The file's Exif data has its numbers with the great end first, what is written the small one.
    let tag = png.windows(4).position(|entry| entry == [1, 0x32, 0, 2]).expect("when it was changed");
    png[tag + 4..tag + 8].copy_from_slice(&1_u32.to_be_bytes());
    png[tag + 8..tag + 12].fill(0);
    let written = |bytes: &[u8]| bytes.windows(4).any(|entry| entry == [0x32, 1, 2, 0]);
    assert!(written(&cleaned(photo("screen.png"), Position::Removed).expect("a picture").0));
    let (clean, _) = cleaned(&png, Position::Removed).expect("a picture");
    assert!(!written(&clean));
    assert_eq!(cleaned(&clean, Position::Removed).map(|(again, _)| again), Ok(clean));
}

proptest! {
    /// Whatever is damaged: an answer, and what is given out is a file that is looked at the same way.
    #[test]
    fn damaged_bytes_are_a_fault_or_a_file(
        which in 0..PHOTOS.len(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..8),
        keep in any::<bool>(),
    ) {
        let mut bytes = PHOTOS[which].1.to_vec();
        for (place, value) in changes {
            let place = place.index(bytes.len());
            bytes[place] = value;
        }
        let position = if keep { Position::Kept } else { Position::Removed };
        if let Ok((clean, looked)) = cleaned(&bytes, position) {
            prop_assert_eq!(look(&clean), Ok(looked));
            if !keep {
                prop_assert!(!holds(&clean, b"SECRET-TAIL"));
                prop_assert_eq!(cleaned(&clean, position).map(|(again, _)| again), Ok(clean));
            }
        }
    }

    #[test]
    fn any_bytes_are_answered(bytes in prop::collection::vec(any::<u8>(), 0..200), begun in 0..BEGUN.len()) {
        for bytes in [bytes.clone(), [BEGUN[begun], &bytes].concat()] {
            if let Ok((clean, looked)) = cleaned(&bytes, Position::Removed) {
                prop_assert_eq!(look(&clean), Ok(looked));
            }
        }
    }
}

/// How files of each form begin.
const BEGUN: [&[u8]; 4] = [b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"RIFF\x40\0\0\0WEBP", b"%PDF-"];
