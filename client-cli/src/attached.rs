//! Takes the history file out of a PDF that it was printed into.
//!
//! Promises: whatever the bytes, an answer and no panic; no recursion, and memory for what is taken out, at most
//! [`HISTORY_BYTES_MAX`]. A PDF with more than one file inside is refused: nobody could say which of them was meant.
//!
//! Never reads PDF as such: it finds the one stream of the type `EmbeddedFile` (ISO 32000-1, 7.11.4), as this program's
//! printer writes it, or compressed, as tools that rewrite a PDF leave it. Encrypted ones are not read.

use flate2::read::ZlibDecoder;
use std::io::Read as _;

/// First bytes of a PDF.
pub const PDF_BEGIN: &[u8] = b"%PDF-";
/// Largest PDF that is looked into, in bytes: ten times that of a machine with 100,000 entries.
pub const PDF_BYTES_MAX: u64 = 256 * 1024 * 1024;
/// Largest history file that is taken out, in bytes: as much.
pub const HISTORY_BYTES_MAX: u64 = PDF_BYTES_MAX;
/// Longest dictionary of a stream that is looked at, in bytes: ours has 130.
const DICTIONARY_BYTES_MAX: usize = 4096;

/// Why nothing is taken out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoHistory {
    /// There is no file inside.
    Nothing,
    /// There are several.
    Several,
    /// It is there, and cannot be taken out.
    Unreadable,
}

impl NoHistory {
    /// In words, after the name of the PDF.
    #[must_use]
    pub fn told(self) -> &'static str {
        match self {
            Self::Nothing => "has no file inside",
            Self::Several => "has several files inside",
            Self::Unreadable => "has a file inside that cannot be taken out",
        }
    }
}

/// The bytes of the one file inside.
///
/// # Errors
/// [`NoHistory`].
pub fn take_out(pdf: &[u8]) -> Result<Vec<u8>, NoHistory> {
    let mut places = names(pdf, b"/EmbeddedFile");
    let at = places.next().ok_or(NoHistory::Nothing)?;
    if places.next().is_some() {
        return Err(NoHistory::Several);
    }
    stream(pdf, at).ok_or(NoHistory::Unreadable)
}

/// Where a name stands, and goes no further.
fn names<'a>(bytes: &'a [u8], name: &'a [u8]) -> impl Iterator<Item = usize> + 'a {
    let whole = |at: &usize| bytes.get(at + name.len()).is_none_or(|next| !next.is_ascii_alphanumeric());
    (0..bytes.len()).filter(|at| bytes[*at..].starts_with(name)).filter(whole)
}

/// The content of the stream whose dictionary has something at a place.
fn stream(pdf: &[u8], at: usize) -> Option<Vec<u8>> {
    let before = pdf.get(at.saturating_sub(DICTIONARY_BYTES_MAX)..at)?;
    let begin = at - before.len() + last(before, b" obj")?;
    let rest = pdf.get(begin..)?;
    let end = first(rest.get(..DICTIONARY_BYTES_MAX.min(rest.len()))?, b"stream")?;
    let (dictionary, mut content) = (rest.get(..end)?, rest.get(end + b"stream".len()..)?);
    content = content.strip_prefix(b"\r\n").or_else(|| content.strip_prefix(b"\n"))?;
    let content = content.get(..number(dictionary, b"/Length")?)?;
    let mut filters = names(dictionary, b"/Filter");
    if filters.next().is_none() {
        return Some(content.to_vec());
    }
    names(dictionary, b"/FlateDecode").next()?;
    let mut out = Vec::new();
    let read = ZlibDecoder::new(content).take(HISTORY_BYTES_MAX + 1).read_to_end(&mut out).ok()?;
    (read as u64 <= HISTORY_BYTES_MAX).then_some(out)
}

fn first(bytes: &[u8], what: &[u8]) -> Option<usize> {
    bytes.windows(what.len()).position(|part| part == what)
}

fn last(bytes: &[u8], what: &[u8]) -> Option<usize> {
    bytes.windows(what.len()).rposition(|part| part == what)
}

/// The whole number after a name; none where it stands elsewhere (`12 0 R`).
fn number(dictionary: &[u8], name: &[u8]) -> Option<usize> {
    let rest = dictionary.get(names(dictionary, name).next()? + name.len()..)?;
    let rest = std::str::from_utf8(rest.get(..rest.len().min(40))?).ok()?.trim_start();
    let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
    let after = rest.get(digits.len()..)?.trim_start();
    (!after.starts_with(|c: char| c.is_ascii_digit())).then(|| digits.parse().ok())?
}

#[cfg(test)]
mod tests {
    use super::*;
    use flate2::Compression;
    use flate2::write::ZlibEncoder;
    use std::io::Write as _;

    fn pdf(dictionary: &str, content: &[u8]) -> Vec<u8> {
        let mut pdf = b"%PDF-1.7\n1 0 obj\n<</Type/Filespec/EF<</F 2 0 R>>>>\nendobj\n2 0 obj\n".to_vec();
        pdf.extend_from_slice(dictionary.as_bytes());
        pdf.extend_from_slice(b"\nstream\n");
        pdf.extend_from_slice(content);
        pdf.extend_from_slice(
            b"\nendstream\nendobj\n3 0 obj\n<</Names<</EmbeddedFiles<</Names[(a)1 0 R]>>>>>>\nendobj\n",
        );
        pdf
    }

    #[test]
    fn a_file_is_taken_out_as_it_was_put_in() {
        let content = b"\x1f\x8b any bytes, endstream too";
        let plain = pdf("<</Length 27/Type/EmbeddedFile/Params<</Size 27>>>>", content);
        assert_eq!(take_out(&plain).as_deref(), Ok(&content[..]));
        let mut packed = ZlibEncoder::new(Vec::new(), Compression::best());
        packed.write_all(content).expect("it takes it");
        let packed = packed.finish().expect("it takes it");
        let dictionary = format!("<< /Filter /FlateDecode /Length {} /Type /EmbeddedFile >>", packed.len());
        assert_eq!(take_out(&pdf(&dictionary, &packed)).as_deref(), Ok(&content[..]));
    }

    #[test]
    fn what_is_not_there_twice_or_elsewhere_is_told() {
        assert_eq!(take_out(b""), Err(NoHistory::Nothing));
        assert_eq!(take_out(b"%PDF-1.7 /EmbeddedFiles"), Err(NoHistory::Nothing));
        let one = pdf("<</Length 3/Type/EmbeddedFile>>", b"abc");
        assert_eq!(take_out(&[one.clone(), one].concat()), Err(NoHistory::Several));
        for dictionary in [
            "<</Type/EmbeddedFile>>",
            "<</Length 4000000000/Type/EmbeddedFile>>",
            "<</Length 99999999999999999999999/Type/EmbeddedFile>>",
            "<</Length 3 0 R/Type/EmbeddedFile>>",
            "<</Length 3/Filter/LZWDecode/Type/EmbeddedFile>>",
            "<</Length 3/Filter/FlateDecode/Type/EmbeddedFile>>",
        ] {
            assert_eq!(take_out(&pdf(dictionary, b"abc")), Err(NoHistory::Unreadable), "{dictionary}");
        }
        assert_eq!(take_out(b"/EmbeddedFile"), Err(NoHistory::Unreadable));
    }

    #[test]
    fn every_change_and_every_cut_gets_an_answer() {
        let whole = pdf("<</Length 3/Type/EmbeddedFile>>", b"abc");
        for at in 0..whole.len() {
            let _ = take_out(&whole[..at]);
            for bit in 0..8 {
                let mut bent = whole.clone();
                bent[at] ^= 1 << bit;
                if let Ok(taken) = take_out(&bent) {
                    assert!(taken.len() <= whole.len(), "byte {at}");
                }
            }
        }
    }
}
