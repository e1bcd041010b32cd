//! Prints the texts of the QR codes on a picture, one to a line: the picture comes on standard input as PGM (`pdftoppm -gray`).
//!
//! Never guesses: a picture of another form is an error, a code that cannot be read is left out.

use std::io::{Error, Read as _, Result, Write as _, stdin, stdout};

fn main() -> Result<()> {
    let mut picture = Vec::new();
    stdin().lock().read_to_end(&mut picture)?;
    let wrong = || Error::other("the picture is no PGM of one byte a pixel");
    let mut parts = picture.splitn(4, |byte| *byte == b'\n');
    let (Some(b"P5"), Some(size), Some(b"255"), Some(pixels)) =
        (parts.next(), parts.next(), parts.next(), parts.next())
    else {
        return Err(wrong());
    };
    let size = std::str::from_utf8(size).map_err(Error::other)?;
    let (width, height) = size.split_once(' ').ok_or_else(wrong)?;
    let (width, height): (usize, usize) = (width.parse().map_err(Error::other)?, height.parse().map_err(Error::other)?);
    let dark = |x: usize, y: usize| pixels.get(y * width + x).is_some_and(|shade| *shade < 128);
    let mut seen = rqrr::PreparedImage::prepare_from_bitmap(width, height, dark);
    let mut out = stdout().lock();
    for grid in seen.detect_grids() {
        if let Ok((_, text)) = grid.decode() {
            writeln!(out, "{text}")?;
        }
    }
    Ok(())
}
